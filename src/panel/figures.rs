//! Numbers as people read them: value, U and tolerance in millimetres or inches and in degrees, with the digits that the report gives them. Inside, everything stays as it
//! was measured.

use crate::report::{self, Edge};
use crate::units::{inch_from_mm, mm_from_inch};

/// The unit of lengths on the screen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Lengths {
    /// Millimetres; to 0.1 mm where no U says how far.
    #[default]
    Millimetres,
    /// Inches; to 0.001 in where no U says how far.
    Inches,
}

impl Lengths {
    /// The other one.
    pub fn other(self) -> Self {
        match self {
            Lengths::Millimetres => Lengths::Inches,
            Lengths::Inches => Lengths::Millimetres,
        }
    }

    /// Its sign.
    pub fn unit(self) -> &'static str {
        match self {
            Lengths::Millimetres => "mm",
            Lengths::Inches => "in",
        }
    }

    /// Its length, mm.
    pub fn unit_mm(self) -> f64 {
        match self {
            Lengths::Millimetres => 1.0,
            Lengths::Inches => mm_from_inch(1.0),
        }
    }

    /// How one of the six is written that is an angle, or else a length; as in the report.
    pub fn edge(self, angle: bool) -> Edge {
        let lengths = match self {
            Lengths::Millimetres => report::Lengths::Millimetres,
            Lengths::Inches => report::Lengths::Inches,
        };
        lengths.of(if angle { "deg" } else { "mm" })
    }

    /// "+0.44 mm ±0.66 mm": a measured length as far as its U goes, and that.
    pub fn with_u(self, mm: f64, expanded: f64) -> String {
        let edge = self.edge(false);
        format!("{} {}", edge.signed(mm, expanded), edge.expanded(expanded))
    }

    /// A length without its unit; `sign` puts a plus before what is not negative.
    fn bare(self, mm: f64, sign: bool) -> String {
        match self {
            Lengths::Millimetres => fixed(mm, 1, sign),
            Lengths::Inches => fixed(inch_from_mm(mm), 3, sign),
        }
    }

    /// "12.3 mm".
    pub fn plain(self, mm: f64) -> String {
        format!("{} {}", self.bare(mm, false), self.unit())
    }

    /// "5 mm", "0.2 in": a round length without digits that say nothing.
    pub fn short(self, mm: f64) -> String {
        let digits = self.bare(mm, false);
        format!("{} {}", digits.trim_end_matches('0').trim_end_matches('.'), self.unit())
    }

    /// "+12.3 mm".
    pub fn signed(self, mm: f64) -> String {
        format!("{} {}", self.bare(mm, true), self.unit())
    }

    /// A sentence that speaks of millimetres, said in this unit. Slopes ("mm/m", "mm per m") stay as they are.
    pub fn sentence(self, text: &str) -> String {
        match self {
            Lengths::Millimetres => text.to_owned(),
            Lengths::Inches => in_inches(text),
        }
    }
}

/// A number with so many digits; what rounds to zero carries no sign.
fn fixed(value: f64, digits: usize, sign: bool) -> String {
    let value = if value.abs() < 0.5 * 10f64.powi(-(digits as i32)) { 0.0 } else { value };
    if sign { format!("{value:+.digits$}") } else { format!("{value:.digits$}") }
}

/// Every "N mm" of a text in inches.
fn in_inches(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find(" mm") {
        let (before, after) = rest.split_at(at);
        let digits = before.len() - before.trim_end_matches(|c: char| c.is_ascii_digit() || c == '.').len();
        let slope = after.starts_with(" mm/")
            || after.starts_with(" mm per m")
            || after[3..].starts_with(char::is_alphanumeric);
        let (words, number) = before.split_at(before.len() - digits);
        match number.parse::<f64>() {
            Ok(mm) if !slope => {
                out.push_str(words);
                out.push_str(&format!("{:.3} in", inch_from_mm(mm)));
            }
            _ => {
                out.push_str(before);
                out.push_str(" mm");
            }
        }
        rest = &after[3..];
    }
    out.push_str(rest);
    // The arm in the sentences about turning: 1 m is 39.37 in.
    out.replace("a 1 m arm", "a 39.4 in arm")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn value_u_and_tolerance_carry_their_unit() {
        let mm = Lengths::Millimetres;
        assert_eq!([mm.plain(1600.04), mm.signed(3.0)], ["1600.0 mm", "+3.0 mm"]);
        assert_eq!([mm.with_u(0.437, 0.651), mm.with_u(-3.0, 12.2)], ["+0.44 mm ±0.66 mm", "-3 mm ±13 mm"]);
        assert_eq!(mm.signed(-0.04), "+0.0 mm");
        assert_eq!([mm.short(10.0), mm.short(0.2), mm.short(100.0)], ["10 mm", "0.2 mm", "100 mm"]);
        // 25.4 mm to the inch by definition.
        assert_eq!(Lengths::Inches.plain(1600.2), "63.000 in");
        assert_eq!(Lengths::Inches.with_u(0.254, 0.0254), "+0.0100 in ±0.0010 in");
        // The same digits as on paper: of U two, of a tolerance all that was written.
        let [length, angle] = [mm.edge(false), mm.edge(true)];
        assert_eq!([length.within(0.75), angle.within(0.3), angle.expanded(0.0056)], ["±0.75 mm", "±0.3°", "±0.0056°"]);
        assert_eq!([angle.signed(-0.123, 0.2), angle.signed(-0.0001, 0.05)], ["-0.12°", "0.000°"]);
    }

    #[test]
    fn sentences_change_their_unit_and_slopes_do_not() {
        let inches = |text: &str| Lengths::Inches.sentence(text);
        assert_eq!(
            inches("Slide the stand 25.4 mm towards the car's left."),
            "Slide the stand 1.000 in towards the car's left."
        );
        assert_eq!(inches("(7 mm at the end of a 1 m arm)"), "(0.276 in at the end of a 39.4 in arm)");
        assert_eq!(inches("rises 2.0 mm/m; 1.5 mm per m; in mm, say"), "rises 2.0 mm/m; 1.5 mm per m; in mm, say");
        assert_eq!(Lengths::Millimetres.sentence("14 mm"), "14 mm");
    }
}
