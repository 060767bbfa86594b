//! The print groups of `bodies.toml`: how large the printer really made the tags, and how well that is known.

use crate::body::PrintScale;
use crate::record::bodies::not_negative;
use crate::record::document::Document;
use crate::record::files::PrintTable;
use crate::record::job::Notice;
use crate::record::problem::Problem;
use crate::units::m_from_mm;

/// How much the size of a print that nobody measured may be wrong, each direction on its own: printers are off by up to 0.5 %, which as an evenly
/// distributed error is 2.9 mm per m. Common practice, no source.
pub const UNMEASURED_MM_PER_M: f64 = 3.0;

/// How much single sheets of one printer and one paper differ. Common practice, no source.
const EACH_MM_PER_M: f64 = 0.2;

/// A bar that measures less or more than these shares of its length is a misread rule. Common practice, no source.
const POSSIBLE: std::ops::RangeInclusive<f64> = 0.9..=1.1;

/// Beyond this share the printer did not print at 100 %. Common practice, no source.
const USUAL: f64 = 0.015;

/// What the print driver does when it fits a page to another paper: A4 is 210 × 297 mm (ISO 216), Letter 215.9 × 279.4 mm.
const FITS: [(f64, &str); 4] = [
    (279.4 / 297.0, "an A4 page was shrunk to fit on Letter paper"),
    (210.0 / 215.9, "a Letter page was shrunk to fit on A4 paper"),
    (297.0 / 279.4, "a Letter page was enlarged to A4 paper"),
    (215.9 / 210.0, "an A4 page was enlarged to Letter paper"),
];

/// A print group with the names and numbers that the tags of the file need.
#[derive(Clone, Debug)]
pub(super) struct PrintGroup {
    /// How well the size is known.
    pub scale: PrintScale,
    /// What the printer made of every length, right and up, where the scale bars were measured.
    pub bars: Option<[f64; 2]>,
}

/// Checks the print groups.
pub(super) fn groups(
    document: &Document,
    tables: &[PrintTable],
    notices: &mut Vec<Notice>,
) -> Result<Vec<PrintGroup>, Problem> {
    if tables.is_empty() {
        return Err(document.problem(
            "",
            "no [[prints]] table says how well the printed sizes are known",
            "Add one: [[prints]] with a name and what the scale bars measure (bar_x_nominal_mm, bar_x_mm, bar_y_nominal_mm, bar_y_mm, u_bar_mm); \
             or, where the sides themselves were measured, u_common_mm_per_m (for example 0.5 where a good steel rule was used).",
        ));
    }
    let mut out: Vec<PrintGroup> = Vec::new();
    for (k, table) in tables.iter().enumerate() {
        let path = format!("prints[{k}]");
        if out.iter().any(|p| p.scale.name == table.name) {
            return Err(document.problem(
                &format!("{path}.name"),
                format!("the print group \"{}\" is declared twice", table.name),
                "Give each group its own name.",
            ));
        }
        out.push(group(document, &path, table, notices)?);
    }
    Ok(out)
}

fn group(
    document: &Document,
    path: &str,
    table: &PrintTable,
    notices: &mut Vec<Notice>,
) -> Result<PrintGroup, Problem> {
    // So many mm per m is, at these sizes, the same number of metres per metre.
    let share = |key: &str, value: f64| not_negative(document, &format!("{path}.{key}"), value, 100.0).map(m_from_mm);
    let sigma_each = share("u_each_mm_per_m", table.u_each_mm_per_m.unwrap_or(EACH_MM_PER_M))?;
    let sigma_common = table.u_common_mm_per_m.map(|u| share("u_common_mm_per_m", u)).transpose()?;
    let name = table.name.clone();
    if let Some(Bars { stretch, sigma: sigma_axis }) = bars(document, path, table)? {
        note_scaling(document, &name, stretch, notices);
        let sigma_common = sigma_common.unwrap_or(0.0);
        let scale = PrintScale { name, sigma_common, sigma_axis, sigma_each, measured: true };
        return Ok(PrintGroup { scale, bars: Some(stretch) });
    }
    let unmeasured = m_from_mm(UNMEASURED_MM_PER_M);
    let scale = match sigma_common {
        Some(sigma_common) => PrintScale { name, sigma_common, sigma_axis: [0.0; 2], sigma_each, measured: true },
        None => PrintScale { name, sigma_common: 0.0, sigma_axis: [unmeasured; 2], sigma_each, measured: false },
    };
    Ok(PrintGroup { scale, bars: None })
}

/// What the scale bars say.
struct Bars {
    /// Measured over nominal along the print's right and up.
    stretch: [f64; 2],
    /// The standard uncertainty of each.
    sigma: [f64; 2],
}

/// What the scale bars say, where they were measured.
fn bars(document: &Document, path: &str, table: &PrintTable) -> Result<Option<Bars>, Problem> {
    let given = [
        ("bar_x_nominal_mm", table.bar_x_nominal_mm),
        ("bar_x_mm", table.bar_x_mm),
        ("bar_y_nominal_mm", table.bar_y_nominal_mm),
        ("bar_y_mm", table.bar_y_mm),
        ("u_bar_mm", table.u_bar_mm),
    ];
    if given.iter().all(|(_, value)| value.is_none()) {
        return Ok(None);
    }
    let (Some(x_nominal), Some(x), Some(y_nominal), Some(y), Some(u)) =
        (table.bar_x_nominal_mm, table.bar_x_mm, table.bar_y_nominal_mm, table.bar_y_mm, table.u_bar_mm)
    else {
        let missing: Vec<String> =
            given.iter().filter(|(_, v)| v.is_none()).map(|(key, _)| format!("`{key}`")).collect();
        return Err(document.problem(
            path,
            format!("the print group \"{}\" says what its scale bars measure, but {} is missing", table.name, missing.join(", ")),
            "Measure both bars of a sheet, the level one (x) and the upright one (y), and give all five: bar_x_nominal_mm, bar_x_mm, \
             bar_y_nominal_mm, bar_y_mm, u_bar_mm.",
        ));
    };
    let mut stretch = [0.0; 2];
    let mut sigma = [0.0; 2];
    for (k, (axis, nominal, measured)) in [("x", x_nominal, x), ("y", y_nominal, y)].into_iter().enumerate() {
        if !(20.0..=2000.0).contains(&nominal) {
            return Err(document.problem(
                &format!("{path}.bar_{axis}_nominal_mm"),
                format!("bar_{axis}_nominal_mm = {nominal} is no length of a scale bar"),
                "Give the length printed beside the bar, in millimetres; between 20 and 2000.",
            ));
        }
        stretch[k] = measured / nominal;
        if !POSSIBLE.contains(&stretch[k]) {
            return Err(document.problem(
                &format!("{path}.bar_{axis}_mm"),
                format!("bar_{axis}_mm = {measured} for a bar of nominally {nominal} mm is not possible"),
                "Measure from the outer end of one end mark to the outer end of the other, in millimetres. If that is right, print the sheets again \
                 at 100 %, not fitted to the page.",
            ));
        }
        sigma[k] = not_negative(document, &format!("{path}.u_bar_mm"), u, 5.0)? / nominal;
    }
    Ok(Some(Bars { stretch, sigma }))
}

/// Says so where the printer plainly did not print at 100 %. The measured size is used all the same.
fn note_scaling(document: &Document, name: &str, stretch: [f64; 2], notices: &mut Vec<Notice>) {
    if stretch.iter().all(|s| (s - 1.0).abs() <= USUAL) {
        return;
    }
    let mean = 0.5 * (stretch[0] + stretch[1]);
    let fit = FITS.iter().find(|(share, _)| (mean - share).abs() < 0.004);
    let why = fit.map(|(_, why)| format!(": it looks as if {why}")).unwrap_or_default();
    notices.push(Notice {
        about: format!("{}, print group \"{name}\"", document.name()),
        text: format!(
            "The scale bars measure {:.2} % and {:.2} % of their length{why}. The measured size is used; check that the bars were read right, and \
             print the next sheets at 100 %.",
            100.0 * stretch[0],
            100.0 * stretch[1]
        ),
    });
}

/// The index of a print group: the one named, or the only one there is.
pub(super) fn index_of(
    document: &Document,
    path: &str,
    named: Option<&str>,
    groups: &[PrintGroup],
) -> Result<usize, Problem> {
    let names = || groups.iter().map(|p| format!("\"{}\"", p.scale.name)).collect::<Vec<_>>().join(", ");
    match named {
        Some(name) => groups.iter().position(|p| p.scale.name == name).ok_or_else(|| {
            document.problem(
                &format!("{path}.print"),
                format!("there is no print group \"{name}\""),
                format!("Declared are: {}.", names()),
            )
        }),
        None if groups.len() == 1 => Ok(0),
        None => Err(document.problem(
            path,
            "several print groups are declared and `print` does not say which one this is",
            format!("Add print = one of {}.", names()),
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::files::BodiesFile;

    fn read(prints: &str) -> Result<(Vec<PrintGroup>, Vec<Notice>), Problem> {
        let text = format!("format = \"plumbsight/bodies/1\"\n[[prints]]\nname = \"a\"\n{prints}");
        let document = Document::parse(text, "bodies.toml", "bodies")?;
        let file: BodiesFile = document.typed()?;
        let mut notices = Vec::new();
        groups(&document, &file.prints, &mut notices).map(|groups| (groups, notices))
    }

    fn bars(x: f64, y: f64) -> String {
        format!("bar_x_nominal_mm = 150\nbar_x_mm = {x}\nbar_y_nominal_mm = 200\nbar_y_mm = {y}\nu_bar_mm = 0.1\n")
    }

    #[test]
    fn bars_give_each_direction_its_own_size_and_uncertainty() {
        let (groups, notices) = read(&bars(149.1, 200.6)).unwrap();
        let g = &groups[0];
        let stretch = g.bars.unwrap();
        assert!((stretch[0] - 0.994).abs() < 1e-12 && (stretch[1] - 1.003).abs() < 1e-12, "{stretch:?}");
        assert!(
            (g.scale.sigma_axis[0] - 0.1 / 150.0).abs() < 1e-12 && (g.scale.sigma_axis[1] - 0.1 / 200.0).abs() < 1e-12
        );
        assert!(g.scale.measured && g.scale.sigma_common == 0.0 && notices.is_empty());
    }

    #[test]
    fn a_print_that_nobody_measured_is_known_badly() {
        let g = read("").unwrap().0.remove(0);
        assert!(!g.scale.measured && g.bars.is_none());
        assert_eq!(g.scale.sigma_axis, [0.003, 0.003]);
        // Sides measured directly: one number for both directions, as stated.
        let g = read("u_common_mm_per_m = 0.5\nu_each_mm_per_m = 0.1\n").unwrap().0.remove(0);
        assert!(g.scale.measured && g.scale.sigma_axis == [0.0; 2]);
        assert!((g.scale.sigma_common - 0.0005).abs() < 1e-15 && (g.scale.sigma_each - 0.0001).abs() < 1e-15);
    }

    /// Source of the factors: A4 and Letter as in ISO 216 and ANSI/ASME Y14.1; 210/215.9 = 0.97267, 279.4/297 = 0.94074.
    #[test]
    fn a_page_fitted_to_another_paper_is_recognised() {
        for (share, says) in [
            (0.94074, "A4 page was shrunk to fit on Letter"),
            (0.97267, "Letter page was shrunk to fit on A4"),
            (1.06299, "Letter page was enlarged"),
            (1.0281, "A4 page was enlarged"),
        ] {
            let (_, notices) = read(&bars(150.0 * share, 200.0 * share)).unwrap();
            assert!(notices.len() == 1 && notices[0].text.contains(says), "{share}: {notices:?}");
        }
        let (_, notices) = read(&bars(153.0, 204.0)).unwrap();
        assert!(notices[0].text.contains("102.00 %") && !notices[0].text.contains("looks as if"), "{notices:?}");
    }

    #[track_caller]
    fn refused(prints: &str, says: &str) {
        let problem = read(prints).unwrap_err();
        assert!(problem.what.contains(says) && problem.line.is_some() && !problem.remedy.is_empty(), "{problem}");
    }

    #[test]
    fn slips_are_named() {
        refused(&bars(14.91, 200.6), "bar_x_mm = 14.91 for a bar of nominally 150 mm is not possible");
        refused(&bars(149.1, 0.0), "bar_y_mm = 0");
        refused(
            "bar_x_nominal_mm = 150\nbar_x_mm = 149.1\nu_bar_mm = 0.1\n",
            "`bar_y_nominal_mm`, `bar_y_mm` is missing",
        );
        refused(&bars(149.1, 200.6).replace("u_bar_mm = 0.1", "u_bar_mm = -0.1"), "`u_bar_mm = -0.1` is not possible");
        refused(&bars(1.0, 1.0).replace("nominal_mm = 150", "nominal_mm = 1"), "no length of a scale bar");
    }
}
