//! `plumbsight learn`: a stand or plate from photographs of it to its table for `bodies.toml`.

use crate::cli::{ProgressLine, report, say};
use crate::record::{Job, Problem, Purpose, read_job, write_atomically};
use crate::session::Failure;
use crate::session::learn::{Learned, learn, texts};
use crate::uncertainty::K_95;
use crate::units::{deg_from_rad, mm_from_m};
use clap::Args;
use std::fmt::Write;
use std::path::{Path, PathBuf};

pub(super) const HELP: &str = "\
The job folder holds photographs, a lens profile, a bodies file and a job.toml
with a [learn] table: which body, and for a stand which tag marks which corner
of the target. Its first tag gets any place, all others place = \"free\". Take
10 to 20 photographs from all around, each showing several of its tags;
nothing on it may move meanwhile. Secure the stand so that nobody has to reach
under it.

Writes the table for bodies.toml and beside it the covariance that goes with
the table.

Examples:
  plumbsight learn stand-job
  plumbsight learn stand-job --out stand.toml

Exit codes: 0 written   3 an input is wrong   4 the photographs do not give it";

#[derive(Args)]
pub(super) struct LearnArguments {
    /// The job folder (or its job.toml)
    job: PathBuf,
    /// Where the table goes; the covariance goes beside it, as NAME-places.json
    #[arg(long, value_name = "FILE", default_value = "learned.toml")]
    out: PathBuf,
    /// Replace files that are there
    #[arg(long)]
    force: bool,
}

pub(super) fn run(arguments: LearnArguments) -> Result<u8, Failure> {
    let LearnArguments { job, out, force } = arguments;
    let (places, places_name) = beside(&out)?;
    for path in [&out, &places] {
        if !force && path.exists() {
            return Err(Problem::of_file(
                path.display().to_string(),
                "it is there already",
                "Nothing was written. Name another file with --out, or say --force to replace it.",
            )
            .into());
        }
    }
    let job = read_job(&job, Purpose::Learn)?;
    let bar = ProgressLine::new();
    let done = learn(&job, &|p| bar.show(p));
    bar.end();
    let done = done?;
    let (table, covariance) = texts(&job, &done, &places_name)?;
    say(&words(&job, &done));
    // The table last: it names the other file.
    write_atomically(&places, covariance.as_bytes())?;
    write_atomically(&out, table.as_bytes())?;
    say(&format!("Written: {} and {}\n", out.display(), places.display()));
    Ok(0)
}

/// Path and name of the file that goes beside the table.
fn beside(out: &Path) -> Result<(PathBuf, String), Problem> {
    match out.file_stem() {
        Some(stem) => {
            let name = format!("{}-places.json", stem.to_string_lossy());
            Ok((out.with_file_name(&name), name))
        }
        None => Err(Problem::of_file(out.display().to_string(), "this names no file", "Give a file name.")),
    }
}

/// What was learned, for people.
fn words(job: &Job, done: &Learned) -> String {
    let body = &job.kit.bodies[done.body];
    let mut out = String::new();
    // Writing to a text cannot fail; the results are dropped for that reason.
    let _ = writeln!(
        out,
        "Learned: {} from {} photographs (sigma0 {:.2}, redundancy {:.0})\n",
        body.name, done.n_photos, done.sigma0, done.redundancy
    );
    let face = done.learned.face.as_ref();
    if let Some(face) = face {
        let mm = |v: f64| mm_from_m(v);
        let _ = writeln!(out, "Target face, from {} marked corners; U is 95 %", face.off_m.len());
        let _ = writeln!(out, "  width  {:>9.2} mm (U {:.2})", mm(face.width.value), mm(face.width.expanded));
        let _ = writeln!(out, "  height {:>9.2} mm (U {:.2})", mm(face.height.value), mm(face.height.expanded));
        let deg = deg_from_rad;
        let _ = writeln!(out, "  out of square {:+.3} deg (U {:.3})", deg(face.skew.value), deg(face.skew.expanded));
        if let Some(asked) = &job.learn {
            for (mark, off) in asked.face.iter().zip(&face.off_m) {
                let _ = writeln!(
                    out,
                    "  {:<11} (tag {}): {:+.2} mm left, {:+.2} mm up, {:+.2} mm behind the best rectangle",
                    mark.corner.name(),
                    body.tags[mark.tag].id,
                    mm(off.y),
                    mm(off.z),
                    mm(off.x)
                );
            }
        }
        let _ = writeln!(out, "  marks together: test value {:.1}, limit {:.1}", face.statistic, face.limit);
        let ([x, y, z], [roll, pitch, yaw]) = face.u_place;
        let _ = writeln!(
            out,
            "  the target's place on the stand: U {:.2} mm ahead, {:.2} sideways, {:.2} up;\n    yaw {:.3} deg, pitch {:.3}, roll {:.3}",
            mm(K_95 * x),
            mm(K_95 * y),
            mm(K_95 * z),
            deg(K_95 * yaw),
            deg(K_95 * pitch),
            deg(K_95 * roll)
        );
        let _ = writeln!(out);
    }
    let _ = writeln!(
        out,
        "{:>5}{:>12}{:>10}{:>10}{:>10}{:>10}{:>10}",
        "tag", "photographs", "x mm", "y mm", "z mm", "U mm", "U deg"
    );
    for tag in &done.learned.tags {
        let at = tag.body_from_tag.translation().map(mm_from_m);
        let _ = writeln!(
            out,
            "{:>5}{:>12}{:>10.2}{:>10.2}{:>10.2}{:>10.2}{:>10.3}",
            body.tags[tag.tag].id,
            tag.n_photos,
            at.x,
            at.y,
            at.z,
            mm_from_m(K_95 * tag.u_m),
            deg_from_rad(K_95 * tag.u_rad)
        );
    }
    let frame = if face.is_some() {
        "the target's: x away from the car, y to its left, z up"
    } else {
        "the first tag's, as declared"
    };
    let _ = writeln!(out, "Frame: {frame}. U: in the worst direction, print size included.\n");
    for notice in &done.notices {
        report::item(&mut out, &format!("{}: {}", notice.about, notice.text));
    }
    out
}
