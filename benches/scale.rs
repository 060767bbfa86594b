//! How the survey grows with the number of photographs: seconds, peak memory, and both per photograph, with full covariance.
//!
//! `cargo bench --bench scale` runs a made hall of 60 tags, all of them in every photograph (nothing sparse), and a made bay of 27 tags as somebody walks
//! round a car, with 50 to 500 photographs; each size in a process of its own, so that its peak memory is its own.
//! `-- --network DIR` also writes the largest hall for `benches/referee/scale_pyceres.py`, and runs it where Python with pyceres is at hand:
//! `PLUMBSIGHT_PYTHON=python3 cargo bench --bench scale -- --network DIR`.

#[path = "../tests/hall/mod.rs"]
mod hall;

use plumbsight::frames::Pose;
use plumbsight::scene::{Bay, BayOptions};
use plumbsight::survey::{SurveyInput, SurveyOptions, adjust_watched};
use std::io::Write;
use std::path::Path;
use std::time::Instant;

const SIZES: [usize; 5] = [50, 100, 200, 350, 500];
const SEED: u64 = 7;

fn main() {
    let args: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    if let [what, kind, n] = &args[..]
        && what == "--one"
    {
        one(kind, n.parse().expect("a number of photographs"));
        return;
    }
    for kind in ["hall", "bay"] {
        println!("{}", if kind == "hall" { "hall, every photograph shows all 60 tags" } else { "bay, 27 tags" });
        println!("  photos  views unknowns rejected   seconds  CPU s  per photo  peak MB  per photo");
        for n in SIZES {
            let me = std::env::current_exe().expect("this program");
            let done = std::process::Command::new(me).args(["--one", kind, &n.to_string()]).status();
            assert!(done.is_ok_and(|status| status.success()), "{kind} of {n} photographs failed");
        }
    }
    let network = args.iter().position(|a| a == "--network").and_then(|k| args.get(k + 1));
    if let Some(folder) = network {
        let largest = SIZES[SIZES.len() - 1];
        write_network(Path::new(folder), &hall::hall(SEED, largest)).expect("the network file can be written");
        if let Ok(python) = std::env::var("PLUMBSIGHT_PYTHON") {
            let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/referee/scale_pyceres.py");
            let done = std::process::Command::new(python).arg(script).arg(folder).status();
            assert!(done.is_ok_and(|status| status.success()), "the referee failed");
        }
    }
}

fn input(kind: &str, n_photos: usize) -> SurveyInput {
    if kind == "hall" {
        return hall::hall(SEED, n_photos).input;
    }
    let options = BayOptions { seed: SEED, n_photos, front_plates: true, ..BayOptions::default() };
    Bay::new(&options).expect("a bay").survey_input()
}

/// One size: a line of figures, then where the time went.
fn one(kind: &str, n: usize) {
    let input = input(kind, n);
    let before = status("VmRSS:").unwrap_or(0.0);
    let (start, cpu) = (Instant::now(), cpu_seconds());
    let mut stages: Vec<(&'static str, f64)> = Vec::new();
    let mut last = start;
    let survey = adjust_watched(&input, &SurveyOptions::default(), &mut |stage| {
        let now = Instant::now();
        stages.push((stage.name(), (now - last).as_secs_f64()));
        last = now;
    })
    .expect("a survey");
    let all: Vec<usize> = (0..survey.bodies.len()).collect();
    let joint = survey.joint(&all);
    let (seconds, cpu) = (start.elapsed().as_secs_f64(), cpu_seconds().zip(cpu).map(|(a, b)| a - b));
    assert!(joint.cov.iter().all(|v| v.is_finite()) && survey.photos.len() == n);
    let unknowns = (8 * survey.views.len()) as f64 - survey.redundancy;
    let (n, peak) = (n as f64, status("VmHWM:").unwrap_or(f64::NAN));
    println!(
        "  {n:6} {:6} {unknowns:8} {:8} {seconds:9.2} {:6.2} {:7.2} ms {peak:8.0} {:7.3} MB",
        survey.views.len(),
        survey.views.iter().filter(|v| !v.used).count(),
        cpu.unwrap_or(f64::NAN),
        seconds / n * 1e3,
        (peak - before) / n,
    );
    let mut sums: Vec<(&str, f64, usize)> = Vec::new();
    for (name, seconds) in stages {
        match sums.iter_mut().find(|(known, _, _)| *known == name) {
            Some((_, sum, times)) => (*sum, *times) = (*sum + seconds, *times + 1),
            None => sums.push((name, seconds, 1)),
        }
    }
    let parts: Vec<String> = sums.iter().map(|(name, sum, times)| format!("{name} {sum:.2} ({times})")).collect();
    println!("         {}", parts.join(", "));
    std::io::stdout().flush().expect("standard output");
}

/// A line of /proc/self/status, MB; `None` where there is no such thing.
fn status(key: &str) -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = text.lines().find(|l| l.starts_with(key))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1024.0)
}

/// User and system time of this process, as Linux counts it (hundredths of a second); `None` elsewhere.
fn cpu_seconds() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/stat").ok()?;
    let after = text.rsplit_once(')')?.1;
    let field = |k: usize| after.split_whitespace().nth(k)?.parse::<f64>().ok();
    Some((field(11)? + field(12)?) / 100.0)
}

/// The network in a form that any language reads: `network.json`, and `views.f64`, for each view 11 + 64 little-endian numbers: photograph, body, tag,
/// x0, y0, ... y3 in pixels, and the covariance of these eight row by row.
fn write_network(folder: &Path, hall: &hall::Hall) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let input = &hall.input;
    let matrix =
        |m: nalgebra::Matrix4<f64>| -> Vec<Vec<f64>> { (0..4).map(|r| (0..4).map(|c| m[(r, c)]).collect()).collect() };
    let bodies: Vec<_> = input
        .kit
        .bodies
        .iter()
        .zip(&hall.world_from_body)
        .map(|(body, pose)| {
            let tags: Vec<_> = body
                .tags
                .iter()
                .map(|tag| {
                    let plumbsight::body::TagPlace::Known(place) = &tag.place else { panic!("a hall's tags are known") };
                    serde_json::json!({ "id": tag.id, "side_m": tag.side_m, "body_from_tag": matrix(place.iso().to_homogeneous()) })
                })
                .collect();
            serde_json::json!({ "name": body.name, "tags": tags, "true_world_from_body": matrix(pose.iso().to_homogeneous()) })
        })
        .collect();
    let lens = &input.lenses[0];
    let plumbsight::survey::LensFreedom::Measured(cov) = &lens.freedom else { panic!("a hall's lens is measured") };
    let sigma: Vec<f64> = cov.diagonal().iter().map(|v| v.sqrt()).collect();
    let survey = adjust_watched(input, &SurveyOptions::default(), &mut |_| {}).expect("a survey");
    let all: Vec<usize> = (0..survey.bodies.len()).collect();
    let joint = survey.joint(&all);
    let found: Vec<_> = survey
        .bodies
        .iter()
        .enumerate()
        .map(|(k, b)| {
            let sigma: Vec<f64> = (6 * k..6 * k + 6).map(|i| joint.cov[(i, i)].sqrt()).collect();
            serde_json::json!({ "body": b.body, "world_from_body": matrix(b.world_from_body.iso().to_homogeneous()), "sigma": sigma })
        })
        .collect();
    let text = serde_json::json!({
        "note": "invented; written by benches/scale.rs",
        "lens": lens.lens.parameters().as_slice(), "lens_sigma": sigma,
        "sigma_common": input.kit.prints[0].sigma_common, "sigma_each": input.kit.prints[0].sigma_each,
        "bodies": bodies,
        "true_camera_from_world": hall.camera_from_world.iter().map(|c: &Pose<_, _>| matrix(c.iso().to_homogeneous())).collect::<Vec<_>>(),
        "survey": { "reference": survey.bodies[survey.reference].body, "bodies": found,
                    "cost": survey.sigma0 * survey.sigma0 * survey.redundancy },
    });
    std::fs::write(folder.join("network.json"), serde_json::to_vec(&text)?)?;
    let mut out = std::io::BufWriter::new(std::fs::File::create(folder.join("views.f64"))?);
    for (p, photo) in input.photos.iter().enumerate() {
        for view in &photo.tags {
            let Some((body, tag)) = input.kit.find_tag(view.id) else { continue };
            let head = [p, body, tag].map(|k| k as f64);
            let corners = view.corners.iter().flat_map(|c| [c.x, c.y]);
            let cov = (0..8).flat_map(|r| (0..8).map(move |c| (r, c))).map(|at| view.cov[at]);
            for value in head.into_iter().chain(corners).chain(cov) {
                out.write_all(&value.to_le_bytes())?;
            }
        }
    }
    out.flush()
}
