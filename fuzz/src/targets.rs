//! Each reader of bytes from outside, as a function of bytes alone. Nothing is checked but what every reader promises whatever comes: an answer, no panic,
//! and a message with a remedy.

use nalgebra::{Matrix6, SMatrix, SVector, Vector2, Vector3};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace, tag_corners_m};
use plumbsight::camera::Lens;
use plumbsight::capture::http::{HttpAddress, HttpLimits, HttpSource};
use plumbsight::capture::source::{FrameSource, Next};
use plumbsight::frames::{Body, Camera, Direction, Point, Pose, Tag, World};
use plumbsight::record::{self, Problem, Purpose};
use plumbsight::scene::cameras::look;
use plumbsight::scene::draw::scramble;
use plumbsight::survey::{
    HubBefore, LensFreedom, LensInput, Photo, RolledCar, RolledWheel, Steadiness, SurveyInput, TagView,
};
use std::io::{Read, Write};
use std::path::Path;
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

/// The job that `plumbsight new` writes, with its examples as values.
fn template(folder: &Folder) {
    record::write_template(&folder.0).expect("the template");
    for (name, text) in record::TEMPLATE {
        std::fs::write(folder.0.join(name), record::with_examples(text)).expect("its examples");
    }
    std::fs::write(folder.0.join("photos/1.jpg"), "x").expect("a photograph");
}

/// That job, one of its files replaced.
fn template_with(name: &str, bytes: &[u8]) {
    let folder = Folder::new();
    template(&folder);
    std::fs::write(folder.0.join(name), bytes).expect("the input as a file");
    for purpose in [Purpose::Verdict, Purpose::Survey] {
        complete(record::read_job(&folder.0, purpose).err());
    }
}

fn lengths(bytes: &[u8]) {
    let folder = Folder::new();
    template(&folder);
    let job = record::read_job(&folder.0, Purpose::Survey).expect("the template can be read");
    std::fs::write(folder.0.join(record::LENGTHS_FILE), bytes).expect("the input as a file");
    complete(record::read_lengths(&folder.0, &job.kit).err());
}

/// A body whose places stand in a file beside the bodies file.
fn places(bytes: &[u8]) {
    let folder = Folder::new();
    template(&folder);
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

/// Bytes in order, and once they are used up numbers that look drawn: a short input is a whole network too.
struct Draws<'a> {
    bytes: std::slice::Iter<'a, u8>,
    beyond: u64,
}

impl Draws<'_> {
    fn byte(&mut self) -> u8 {
        self.bytes.next().copied().unwrap_or_else(|| {
            self.beyond += 1;
            (scramble(self.beyond) >> 32) as u8
        })
    }

    /// Between these.
    fn number(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * f64::from(self.byte()) / 255.0
    }

    fn vector(&mut self, reach: f64) -> Vector3<f64> {
        Vector3::from_fn(|_, _| self.number(-reach, reach))
    }
}

/// Corners of a tag at `world_from_tag` as a pinhole camera at `camera_from_world` sees them; `None` where one is out of the picture.
fn seen(
    lens: &Lens,
    camera_from_world: &Pose<Camera, World>,
    world_from_tag: &Pose<World, Tag>,
) -> Option<[Vector2<f64>; 4]> {
    let corners =
        tag_corners_m(0.16).map(|c| lens.project(&(*camera_from_world * (*world_from_tag * Point::claim(c)))));
    let [Some(a), Some(b), Some(c), Some(d)] = corners else { return None };
    let inside = |p: &Vector2<f64>| (0.0..lens.width as f64).contains(&p.x) && (0.0..lens.height as f64).contains(&p.y);
    [a, b, c, d].iter().all(inside).then_some([a, b, c, d])
}

/// A network of a few bodies and photographs laid out as the first bytes say: how many, where each is, how its places and the lens are known, whether a car was
/// rolled or a body moved between stations.
fn network(draws: &mut Draws) -> SurveyInput {
    let lens = Lens::pinhole(1280, 960, 1000.0);
    let n_photos = 2 + usize::from(draws.byte() % 5);
    let n_bodies = 1 + usize::from(draws.byte() % 4);
    let n_tags = 1 + usize::from(draws.byte() % 3);
    let [places, freedom, course] = [0; 3].map(|_: i32| draws.byte());
    let mut bodies = Vec::new();
    let mut world_from_body = Vec::new();
    for b in 0..n_bodies {
        let at = if b == 0 { Vector3::zeros() } else { draws.vector(1.0) };
        let turn = if b == 0 { Vector3::zeros() } else { draws.vector(0.8) };
        world_from_body.push(Pose::<World, Body>::claim_rotvec(turn, at));
        let place = |t: usize| {
            let body_from_tag =
                Pose::<Body, Tag>::claim_rotvec(Vector3::zeros(), Vector3::new(0.25 * t as f64, 0.0, 0.0));
            match places % 3 {
                1 => TagPlace::Measured { body_from_tag, cov: Box::new(Matrix6::identity() * 1e-7) },
                2 if t > 0 => TagPlace::Free,
                _ => TagPlace::Known(body_from_tag),
            }
        };
        let tag =
            |t: usize| BodyTag { id: (10 * b + t) as u16, side_m: 0.16, stretch: [1.0; 2], print: 0, place: place(t) };
        let kind = [BodyKind::FloorSheet, BodyKind::Plate, BodyKind::Stand, BodyKind::Other][b % 4];
        bodies.push(BodyModel { name: format!("body {b}"), kind, tags: (0..n_tags).map(tag).collect() });
    }
    let rolled = course % 4 == 1 && n_bodies > 1;
    let stations = course % 4 == 2 && n_bodies > 1;
    // Where the second body is at the second station, or roll position: elsewhere and turned about its own z axis, as a plate on a wheel.
    let (way, turn) = (draws.vector(0.5), draws.number(-3.2, 3.2));
    let moved = Pose::<World, World>::claim_rotvec(Vector3::zeros(), way)
        * world_from_body[1 % n_bodies]
        * Pose::<Body, Body>::claim_rotvec(Vector3::new(0.0, 0.0, turn), Vector3::zeros());
    let mut photos = Vec::new();
    for p in 0..n_photos {
        let eye = Vector3::new(draws.number(-2.0, 2.0), draws.number(-2.0, 2.0), draws.number(0.5, 3.0));
        let camera_from_world = look(eye, draws.vector(0.5), draws.number(-3.2, 3.2));
        let (position, station) = (usize::from(rolled) * (p % 2), usize::from(stations) * (p % 2));
        let mut tags = Vec::new();
        for (b, world_from_body) in world_from_body.iter().enumerate() {
            let moved = if b == 1 && position + station == 1 { moved } else { *world_from_body };
            for t in 0..n_tags {
                let at = Vector3::new(0.25 * t as f64, 0.0, 0.0);
                let world_from_tag = moved * Pose::<Body, Tag>::claim_rotvec(Vector3::zeros(), at);
                let Some(mut corners) = seen(&lens, &camera_from_world, &world_from_tag) else { continue };
                let n = (100 * p + 10 * b + t) as u64;
                for (k, corner) in corners.iter_mut().enumerate() {
                    let draw = scramble(1000 + 4 * n + k as u64);
                    corner.x += 0.1 * ((draw & 255) as f64 / 255.0 - 0.5);
                    corner.y += 0.1 * ((draw >> 8 & 255) as f64 / 255.0 - 0.5);
                }
                tags.push(TagView::new((10 * b + t) as u16, corners, SMatrix::identity() * 0.0025));
            }
        }
        photos.push(Photo { name: format!("photo {p}"), lens: 0, station, position, hold: None, tags });
    }
    let freedom = match freedom % 4 {
        1 => LensFreedom::Measured(Box::new(SMatrix::from_diagonal(&SVector::from_fn(
            |k, _| if k < 4 { 4.0 } else { 1e-4 },
        )))),
        2 => LensFreedom::Free(std::array::from_fn(|k| k < 4)),
        _ => LensFreedom::Held,
    };
    let print =
        PrintScale { name: "all".into(), sigma_common: 3e-4, sigma_axis: [2e-4; 2], sigma_each: 1e-4, measured: true };
    let wheel = |plate| RolledWheel {
        plate,
        axis_in_plate: Direction::claim(Vector3::z()),
        hub: HubBefore::OnAxis(0.1),
        u_aside_m: 1e-3,
        u_along_m: 1e-3,
    };
    SurveyInput {
        kit: Kit { bodies, prints: vec![print], joint_places: Vec::new() },
        lenses: vec![LensInput { lens, freedom }],
        photos,
        moved_between_stations: if stations { vec![1] } else { Vec::new() },
        rolled: rolled.then(|| RolledCar {
            positions: vec!["first".into(), "second".into()],
            wheels: vec![wheel(1)],
            riders: Vec::new(),
            steadiness: Steadiness::default(),
        }),
    }
}

/// A small network whose corners are moved, exchanged, taken away or made nonsense as the bytes after it say: four bytes an act. The first byte says how many bytes
/// lay the network out.
fn survey(bytes: &[u8]) {
    let Some((&head, rest)) = bytes.split_first() else { return };
    let (layout, acts) = rest.split_at(usize::from(head).min(rest.len()));
    let mut input = network(&mut Draws { bytes: layout.iter(), beyond: u64::from(head) });
    for act in acts.chunks_exact(4).take(32) {
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
