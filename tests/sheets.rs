//! The printed sheets as a printer would make them: the PDF files that the program writes, painted by pdftoppm (poppler, an independent PDF
//! reader) at 600 dpi and measured on the pixels.

use plumbsight::paper::{Paper, Typeface};
use plumbsight::raster::{Gray, ToneCurve};
use plumbsight::sheets::{BAR_MM, PrintedPage, SheetKit, board, sheets};
use plumbsight::tags::{DetectOptions, Detection, detect};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

const DPI: f64 = 600.0;
const PX_PER_MM: f64 = DPI / 25.4;

/// What is asked of sides and bars, mm.
const EXACT_MM: f64 = 0.02;

/// One page (from 1) as grey pixels.
fn painted(pdf: &Path, page: usize, dpi: f64) -> Gray {
    let page = page.to_string();
    let out = Command::new("pdftoppm")
        .args(["-gray", "-r", &dpi.to_string(), "-f", &page, "-l", &page])
        .arg(pdf)
        .output()
        .expect("pdftoppm is missing: install poppler-utils (`sh .ci/setup` does)");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    // P5, width, height, 255, one white space, pixels.
    let mut fields = Vec::new();
    let mut at = 0;
    while fields.len() < 4 {
        let end = at + out.stdout[at..].iter().position(u8::is_ascii_whitespace).unwrap();
        fields.push(String::from_utf8_lossy(&out.stdout[at..end]).into_owned());
        at = end + 1;
    }
    assert_eq!((fields[0].as_str(), fields[3].as_str()), ("P5", "255"));
    let [width, height] = [1, 2].map(|k| fields[k].parse::<usize>().unwrap());
    Gray::new(width, height, out.stdout[at..].to_vec()).unwrap()
}

/// How much of a pixel is black. pdftoppm finds the covered share on a grid of 4 × 4 points and darkens by its power 1.5: an edge pixel that is a quarter
/// covered comes out at 0.125 (seen in its output on edges at known places).
fn covered(pixel: u8) -> f64 {
    (1.0 - f64::from(pixel) / 255.0).powf(1.0 / 1.5)
}

/// What a scanner would see of it: light, blurred by one pixel (the binomial 1 4 6 4 1 across and down). A picture without any blur has its edges between
/// pixels, where no detector finds them.
fn seen(image: &Gray) -> Gray {
    let (width, height) = (image.width(), image.height());
    let light: Vec<u16> = (0..=255).map(|p| (255.0 * (1.0 - covered(p))).round() as u16).collect();
    let five = |p: [u16; 5]| p[0] + 4 * p[1] + 6 * p[2] + 4 * p[3] + p[4];
    // Sixteen times the light, blurred across.
    let mut across = vec![16 * 255u16; width * height];
    for y in 0..height {
        let row = image.row(y);
        let out = &mut across[y * width..(y + 1) * width];
        for (k, five_px) in row.windows(5).enumerate() {
            out[k + 2] = five(std::array::from_fn(|t| light[usize::from(five_px[t])]));
        }
    }
    let mut data = vec![255u8; width * height];
    for i in 2 * width..(height - 2) * width {
        let down: [u16; 5] = std::array::from_fn(|t| across[i + t * width - 2 * width]);
        data[i] = ((u32::from(down[0])
            + 4 * u32::from(down[1])
            + 6 * u32::from(down[2])
            + 4 * u32::from(down[3])
            + u32::from(down[4])
            + 128)
            / 256) as u8;
    }
    Gray::new(width, height, data).unwrap()
}

fn found(image: &Gray) -> Vec<Detection> {
    detect(image, &DetectOptions { tone: ToneCurve::Linear, ..DetectOptions::default() })
}

/// Runs the program and returns the folder with what it wrote.
fn written(arguments: &[&str]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let out =
        Command::new(env!("CARGO_BIN_EXE_plumbsight")).arg("sheets").arg(dir.path()).args(arguments).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    dir
}

/// Length of the black run through these pixels in mm: covered area along one line, so that partly covered end pixels count by their share.
fn run_mm(pixels: impl Iterator<Item = u8>) -> f64 {
    pixels.map(covered).sum::<f64>() / PX_PER_MM
}

fn check_bars(image: &Gray, print: &PrintedPage) {
    let px = |mm: f64| (mm * PX_PER_MM).round() as usize;
    let [left, top, length] = print.level_bar_mm;
    let y = px(top + 0.5 * BAR_MM);
    let measured = run_mm((px(left - 3.0)..px(left + length + 2.0)).map(|x| image.at(x, y)));
    assert!((measured - length).abs() <= EXACT_MM, "level bar of {length} mm: {measured:.4} mm");
    let [left, top, length] = print.upright_bar_mm;
    let x = px(left + 0.5 * BAR_MM);
    let measured = run_mm((px(top - 1.5)..px(top + length + 1.5)).map(|y| image.at(x, y)));
    assert!((measured - length).abs() <= EXACT_MM, "upright bar of {length} mm: {measured:.4} mm");
}

/// Sides and place of every tag on a page against what is stated; upright too, as corners are compared by name.
fn check_tags(image: &Gray, print: &PrintedPage, worst: &mut f64) {
    let seen = found(&seen(image));
    let mut ids: Vec<u16> = seen.iter().map(|d| d.id).collect();
    let mut wanted: Vec<u16> = print.tags.iter().map(|t| t.0).collect();
    ids.sort_unstable();
    wanted.sort_unstable();
    assert_eq!(ids, wanted);
    for (id, [left, top], side) in &print.tags {
        let d = seen.iter().find(|d| d.id == *id).unwrap();
        assert_eq!(d.wrong_cells, 0);
        for k in 0..4 {
            let measured = (d.corners[(k + 1) % 4] - d.corners[k]).norm() / PX_PER_MM;
            *worst = worst.max((measured - side).abs());
            assert!((measured - side).abs() <= EXACT_MM, "tag {id}, side {k}: {measured:.4} mm of {side}");
        }
        // Corners from the lower left, counter-clockwise; the centre of the top-left pixel is (0, 0).
        let corner = [[0.0, 1.0], [1.0, 1.0], [1.0, 0.0], [0.0, 0.0]];
        for (k, [right, down]) in corner.into_iter().enumerate() {
            let [x, y] = [left + right * side, top + down * side].map(|mm| mm * PX_PER_MM - 0.5);
            let off = (d.corners[k].x - x).hypot(d.corners[k].y - y) / PX_PER_MM;
            assert!(off <= EXACT_MM, "tag {id}, corner {k} is {off:.4} mm off");
        }
    }
}

/// Pages of the usual kit that stand for all: one of each use.
fn one_of_each(prints: &[PrintedPage]) -> BTreeMap<u16, usize> {
    let firsts = [10, 30, 40, 60, 100];
    prints
        .iter()
        .enumerate()
        .filter_map(|(k, p)| firsts.iter().find(|id| p.tags[0].0 == **id).map(|id| (*id, k)))
        .collect()
}

#[test]
fn sides_and_bars_measure_what_they_say() {
    let face = Typeface::shipped().unwrap();
    let mut worst = 0.0;
    for (paper, uses) in [(Paper::A4, 5), (Paper::Letter, 1)] {
        let kit = SheetKit::usual(paper);
        let dir = written(&["--paper", paper.name()]);
        let prints = sheets(&face, &kit, paper);
        let pdf = dir.path().join(format!("sheets-{}.pdf", paper.name().to_lowercase()));
        let before = pages_of(&pdf) - prints.len();
        let each = one_of_each(&prints);
        assert_eq!(each.len(), 5);
        for page in each.values().rev().take(uses) {
            let image = painted(&pdf, before + page + 1, DPI);
            let [width, height] = paper.upright_mm();
            assert!(
                (image.width() as f64 / PX_PER_MM - width).abs() < 0.05
                    && (image.height() as f64 / PX_PER_MM - height).abs() < 0.05
            );
            check_tags(&image, &prints[*page], &mut worst);
            check_bars(&image, &prints[*page]);
        }
        let print = board(&face, &kit).unwrap();
        let image = painted(&dir.path().join("lens-board.pdf"), 1, DPI);
        check_tags(&image, &print, &mut worst);
        check_bars(&image, &print);
    }
    println!("largest error of a side: {worst:.4} mm");
}

/// Number of pages, by poppler.
fn pages_of(pdf: &Path) -> usize {
    let out = Command::new("pdfinfo").arg(pdf).output().expect("pdfinfo is missing: install poppler-utils");
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let line = text.lines().find(|l| l.starts_with("Pages:")).unwrap_or_else(|| panic!("{text}"));
    line.split_whitespace().last().unwrap().parse().unwrap()
}

/// Every id of the usual kits, read from the print at a resolution that a photograph from near by has.
#[test]
fn every_id_is_read() {
    let face = Typeface::shipped().unwrap();
    for paper in [Paper::A4, Paper::Tabloid] {
        let kit = SheetKit::usual(paper);
        let dir = written(&["--paper", paper.name()]);
        let pdf = dir.path().join(format!("sheets-{}.pdf", paper.name().to_lowercase()));
        let prints = sheets(&face, &kit, paper);
        let before = pages_of(&pdf) - prints.len();
        for (k, print) in prints.iter().enumerate() {
            let image = painted(&pdf, before + k + 1, 60.0);
            let mut ids: Vec<u16> = found(&image).iter().map(|d| d.id).collect();
            ids.sort_unstable();
            assert_eq!(ids, print.tags.iter().map(|t| t.0).collect::<Vec<_>>());
        }
        let image = painted(&dir.path().join("lens-board.pdf"), 1, 100.0);
        let mut ids: Vec<u16> = found(&image).iter().map(|d| d.id).collect();
        ids.sort_unstable();
        assert_eq!(ids, kit.board_ids());
    }
}

/// Plan and guide are there, and nothing drawn on them can be taken for a tag when they lie about in the bay.
#[test]
fn plan_and_guide_hold_no_tag() {
    let kit = SheetKit::usual(Paper::Letter);
    let dir = written(&["--paper", "Letter"]);
    let [guide, all] = ["field-guide.pdf", "sheets-letter.pdf"].map(|name| dir.path().join(name));
    assert_eq!(pages_of(&guide), 4);
    let prints = sheets(&Typeface::shipped().unwrap(), &kit, Paper::Letter);
    assert_eq!(pages_of(&all), 1 + prints.len());
    for (pdf, page) in [(&guide, 1), (&guide, 2), (&guide, 3), (&guide, 4), (&all, 1)] {
        assert!(found(&painted(pdf, page, 150.0)).is_empty(), "{}, page {page}", pdf.display());
    }
}

fn run(arguments: &[&std::ffi::OsStr]) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_plumbsight")).arg("sheets").args(arguments).output().unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8_lossy(&out.stderr).into_owned() + &String::from_utf8_lossy(&out.stdout),
    )
}

#[test]
fn nothing_is_overwritten_without_being_told() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("a/sheets");
    let at = folder.as_os_str();
    assert_eq!(run(&[at]).0, 0);
    let all = || {
        let mut names: Vec<(String, Vec<u8>)> = std::fs::read_dir(&folder)
            .unwrap()
            .map(|e| e.unwrap())
            .map(|e| (e.file_name().to_string_lossy().into_owned(), std::fs::read(e.path()).unwrap()))
            .collect();
        names.sort();
        names
    };
    let first = all();
    // The same kit gives the same bytes.
    let (code, text) = run(&[at]);
    assert_eq!((code, all() == first), (0, true), "{text}");
    assert!(text.contains("unchanged") && !text.contains("wrote"), "{text}");
    // Another kit is refused, and nothing is written.
    let kit = std::fs::read_to_string(folder.join("kit.toml")).unwrap().replace("\"100-113\"", "\"100-105\"");
    std::fs::write(folder.join("kit.toml"), &kit).unwrap();
    let (code, text) = run(&[at]);
    assert!(code == 3 && text.contains("--replace") && text.contains("Nothing was written"), "{text}");
    // Told so, it replaces all but the bodies file, in which somebody may have entered measured values.
    std::fs::write(folder.join("bodies.toml"), "mine").unwrap();
    let (code, text) = run(&[at, "--replace".as_ref()]);
    assert_eq!(code, 0, "{text}");
    assert_eq!(std::fs::read_to_string(folder.join("bodies.toml")).unwrap(), "mine");
    assert!(std::fs::read_to_string(folder.join("bodies-from-kit.toml")).unwrap().contains("\"100-105\""));
}

#[test]
fn what_cannot_be_printed_is_refused_with_the_remedy() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().as_os_str();
    let (code, text) = run(&[at, "--paper".as_ref(), "A5".as_ref()]);
    assert!(code == 3 && text.contains("\"A5\" is not known") && text.contains("Tabloid"), "{text}");
    let kit = dir.path().join("my-kit.toml");
    std::fs::write(&kit, "format = \"plumbsight/kit/1\"\nname = \"k\"\npaper = \"A4\"\n[[sheets]]\nkind = \"floor\"\nids = [1]\nside_mm = 200\n").unwrap();
    let (code, text) = run(&[at, "--kit".as_ref(), kit.as_os_str()]);
    assert!(
        code == 3
            && text.contains("my-kit.toml, line 7")
            && text.contains("largest that fits")
            && text.contains("144 mm"),
        "{text}"
    );
    let (code, text) = run(&[at, "--kit".as_ref(), kit.as_os_str(), "--paper".as_ref(), "A4".as_ref()]);
    assert!(code == 3 && text.contains("--paper"), "{text}");
    let (code, text) = run(&[at, "--kit".as_ref(), "nowhere.toml".as_ref()]);
    assert!(code == 3 && text.contains("no such file"), "{text}");
    // A folder that is a file.
    let (code, text) = run(&[kit.as_os_str()]);
    assert!(code == 3 && text.contains("my-kit.toml"), "{text}");
}
