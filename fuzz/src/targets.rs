//! Each reader of bytes from outside, as a function of bytes alone. Nothing is checked but what every reader promises whatever comes: an answer, no panic,
//! and a message with a remedy.

use plumbsight::capture::http::{HttpAddress, HttpLimits, HttpSource};
use plumbsight::capture::source::{FrameSource, Next};
use plumbsight::record::{self, Problem, Purpose};
use plumbsight::scene::{Bay, BayOptions};
use std::io::{Read, Write};
use std::path::Path;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// All targets.
pub const NAMES: [&str; 15] = [
    "image",
    "tags",
    "job",
    "bodies",
    "placement",
    "lens",
    "readiness",
    "lengths",
    "kit",
    "board",
    "places",
    "result",
    "record",
    "stream",
    "survey",
];

/// One input into one target; `false`: there is no such target.
pub fn run(target: &str, bytes: &[u8]) -> bool {
    match target {
        "image" => drop(plumbsight::capture::decode(bytes)),
        "tags" => tags(bytes),
        "job" | "bodies" | "placement" | "lens" => template_with(&format!("{target}.toml"), bytes),
        "readiness" => template_with("readiness.toml", bytes),
        "lengths" => lengths(bytes),
        "kit" => text(bytes, |text| record::parse_kit(text, "kit.toml").err()),
        "board" => text(bytes, |text| record::parse_board(&text, "board.toml").err()),
        "places" => places(bytes),
        "result" => in_file("result.json", bytes, |folder| record::read_result(&folder.join("result.json")).err()),
        "record" => in_file("record.json", bytes, |folder| record::keep::read_record(folder).err()),
        "stream" => stream(bytes),
        "survey" => survey(bytes),
        _ => return false,
    }
    true
}

/// A refusal names what is wrong and what to do.
fn complete(problem: Option<Problem>) {
    if let Some(problem) = problem {
        assert!(!problem.what.is_empty() && problem.remedy.len() > 10, "{problem:?}");
        assert!(problem.to_string().len() < 20_000, "a message of {} bytes", problem.to_string().len());
    }
}

fn text(bytes: &[u8], read: impl FnOnce(String) -> Option<Problem>) {
    if let Ok(text) = String::from_utf8(bytes.to_vec()) {
        complete(read(text));
    }
}

/// A folder of this process that is taken away again.
struct Folder(std::path::PathBuf);

impl Folder {
    fn new() -> Self {
        static COUNT: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
        let shm = Path::new("/dev/shm");
        let base = if shm.is_dir() { shm.to_owned() } else { std::env::temp_dir() };
        let n = COUNT.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let folder = base.join(format!("plumbsight-fuzz-{}-{n}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder for the input");
        Self(folder)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn in_file(name: &str, bytes: &[u8], read: impl FnOnce(&Path) -> Option<Problem>) {
    let folder = Folder::new();
    std::fs::write(folder.0.join(name), bytes).expect("the input as a file");
    complete(read(&folder.0));
}

/// The job that `plumbsight new` writes, one of its files replaced.
fn template_with(name: &str, bytes: &[u8]) {
    let folder = Folder::new();
    record::write_template(&folder.0).expect("the template");
    std::fs::write(folder.0.join("photos/1.jpg"), "x").expect("a photograph");
    std::fs::write(folder.0.join(name), bytes).expect("the input as a file");
    for purpose in [Purpose::Verdict, Purpose::Survey] {
        complete(record::read_job(&folder.0, purpose).err());
    }
}

fn lengths(bytes: &[u8]) {
    let folder = Folder::new();
    record::write_template(&folder.0).expect("the template");
    std::fs::write(folder.0.join("photos/1.jpg"), "x").expect("a photograph");
    let job = record::read_job(&folder.0, Purpose::Survey).expect("the template can be read");
    std::fs::write(folder.0.join(record::LENGTHS_FILE), bytes).expect("the input as a file");
    complete(record::read_lengths(&folder.0, &job.kit).err());
}

/// A body whose places stand in a file beside the bodies file.
fn places(bytes: &[u8]) {
    let folder = Folder::new();
    record::write_template(&folder.0).expect("the template");
    std::fs::write(folder.0.join("photos/1.jpg"), "x").expect("a photograph");
    let path = folder.0.join("bodies.toml");
    let text = std::fs::read_to_string(&path).expect("the template's bodies");
    std::fs::write(&path, text.replacen("kind = \"plate\"", "places_covariance = \"p.json\"\nkind = \"plate\"", 1))
        .expect("the bodies");
    std::fs::write(folder.0.join("p.json"), bytes).expect("the input as a file");
    complete(record::read_job(&folder.0, Purpose::Survey).err());
}

/// The first byte is the width, the rest are grey values, each enlarged to a block of four by four.
fn tags(bytes: &[u8]) {
    let Some((&width, values)) = bytes.split_first() else { return };
    let width = usize::from(width).clamp(1, 96);
    let height = (values.len() / width).min(96);
    if height == 0 {
        return;
    }
    let data: Vec<u8> =
        (0..16 * width * height).map(|k| values[k / (4 * width) / 4 * width + k % (4 * width) / 4]).collect();
    let Some(gray) = plumbsight::raster::Gray::new(4 * width, 4 * height, data) else { return };
    for tag in plumbsight::tags::detect(&gray, &Default::default()) {
        let finite =
            tag.corners.iter().all(|c| c.x.is_finite() && c.y.is_finite()) && tag.cov.iter().all(|v| v.is_finite());
        assert!(finite, "{tag:?}");
    }
}

/// The bytes are all that a network camera ever answers.
fn stream(bytes: &[u8]) {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port of this machine");
    let port = listener.local_addr().expect("its number").port();
    let answer = bytes.to_vec();
    let sender = std::thread::spawn(move || {
        // A redirect to itself asks again: the same answer, a few times.
        listener.set_nonblocking(true).expect("no waiting");
        let until = Instant::now() + Duration::from_millis(400);
        while Instant::now() < until {
            match listener.accept() {
                Ok((mut stream, _)) => {
                    let _ = stream.set_nonblocking(false);
                    let _ = stream.set_read_timeout(Some(Duration::from_millis(100)));
                    let _ = stream.read(&mut [0; 2048]);
                    let _ = stream.write_all(&answer);
                }
                Err(_) => std::thread::sleep(Duration::from_micros(200)),
            }
        }
    });
    let limits = HttpLimits {
        lookup: Duration::from_millis(200),
        connect: Duration::from_millis(200),
        head: Duration::from_millis(100),
        silence: Duration::from_millis(100),
        picture: Duration::from_millis(200),
        largest: 1 << 20,
        between_requests: Duration::from_millis(1),
    };
    let address = HttpAddress::parse(&format!("http://127.0.0.1:{port}/video")).expect("an address");
    if let Ok(mut source) = HttpSource::open(&address, limits, Instant::now()) {
        for _ in 0..6 {
            if matches!(source.next(Duration::from_millis(50)), Next::Lost(_) | Next::End) {
                break;
            }
        }
    }
    drop(sender);
}

/// A made bay whose corners are moved, exchanged, taken away or made nonsense as the bytes say: four bytes an act.
fn survey(bytes: &[u8]) {
    static BAY: OnceLock<Bay> = OnceLock::new();
    let bay = BAY.get_or_init(|| Bay::new(&BayOptions { n_photos: 8, ..BayOptions::default() }).expect("a made bay"));
    let mut input = bay.survey_input();
    for act in bytes.chunks_exact(4).take(64) {
        let n = input.photos.len();
        if n == 0 {
            break;
        }
        let photo = usize::from(act[1]) % n;
        let tags = &mut input.photos[photo].tags;
        if tags.is_empty() || act[0] == 255 {
            input.photos.remove(photo);
            continue;
        }
        let tag = usize::from(act[2]) % tags.len();
        let by = f64::from(act[3]) - 128.0;
        match act[0] % 10 {
            0 => tags[tag].corners[usize::from(act[3]) % 4].x += by,
            1 => tags[tag].corners.iter_mut().for_each(|c| c.y += by),
            2 => tags[tag].id = u16::from(act[3]),
            3 => drop(tags.remove(tag)),
            4 => tags[tag].corners.reverse(),
            5 => {
                let at = tags[tag].corners[0];
                tags[tag].corners = [at; 4];
            }
            6 => tags[tag].cov *= 10.0_f64.powf(by / 8.0),
            7 => tags.retain(|t| t.id % 7 != u16::from(act[3] % 7)),
            8 => {
                let copy = tags[tag].clone();
                tags.push(copy);
            }
            _ => {
                let nonsense = [f64::NAN, f64::INFINITY, -1e300, 1e300, 5e-324, 1e9, -0.0, 1e154];
                tags[tag].corners[0].x = nonsense[usize::from(act[3]) % nonsense.len()];
            }
        }
    }
    if let Ok(survey) = plumbsight::survey::adjust(&input, &Default::default()) {
        for body in &survey.bodies {
            let moved = body.world_from_body;
            assert!(moved.is_finite(), "body {} has no place", body.body);
        }
        assert!(survey.residual_lengths_px().iter().all(|v| v.is_finite()), "a residual is no number");
    }
}
