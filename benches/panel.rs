//! The panel on a real window: pictures of every place to be looked at, and how long one picture of the window takes.
//!
//! Needs a display; a virtual one does (`Xvfb :77 -screen 0 1400x1000x24`, then `DISPLAY=:77 LIBGL_ALWAYS_SOFTWARE=1`).
//!
//! ```text
//! cargo bench --bench panel                      a live reading with a fresh 1920 x 1080 picture in every frame: time, processor time and memory
//! cargo bench --bench panel -- frames N          the same over so many frames (108000 are an hour at 30 a second)
//! cargo bench --bench panel -- start             from the program's start to the first picture of the window, and of a job
//! cargo bench --bench panel -- pictures FOLDER   every place, light and dark, large type, small and large window; or those whose names follow
//! ```

use eframe::egui;
use egui::{ColorImage, Vec2, ViewportCommand};
use plumbsight::panel::app::PanelApp;
use plumbsight::panel::figures::Lengths;
use plumbsight::panel::live::{CameraView, LiveState, LiveView};
use plumbsight::panel::model::{CameraChoice, Command, Event, JobState, Look, Model, Opened, Place, Settings};
use plumbsight::panel::seen::Seen;
use plumbsight::panel::standing::Standing;
use plumbsight::panel::worker::Worker;
use plumbsight::record::{Purpose, read_job, unpack_demo};
use plumbsight::session::hold::Against;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

fn main() {
    let begin = Instant::now();
    // `cargo bench` hands `--bench` over, and `cargo test` nothing.
    let words: Vec<String> = std::env::args().skip(1).filter(|w| w != "--bench").collect();
    if std::env::var_os("DISPLAY").is_none() && std::env::var_os("WAYLAND_DISPLAY").is_none() {
        println!("no display: nothing is shown and nothing measured");
        return;
    }
    match words.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["pictures", folder, names @ ..] => pictures(PathBuf::from(folder), names),
        ["start"] => start(begin),
        ["frames", n] => frames(n.parse().expect("a number of frames")),
        _ => frames(MEASURED),
    }
}

fn open(wrap: impl FnOnce(PanelApp) -> Box<dyn eframe::App> + 'static, job: Option<PathBuf>, settings: Settings) {
    let options = plumbsight::panel::window_options([1280.0, 860.0]);
    let made = move |created: &eframe::CreationContext<'_>| {
        let ctx = created.egui_ctx.clone();
        let worker = Worker::start(Arc::new(move || ctx.request_repaint()));
        let mut app = PanelApp::new(&created.egui_ctx, Model::with(settings), Some(worker));
        job.into_iter().for_each(|job| app.command(Command::Open(job)));
        Ok::<Box<dyn eframe::App>, Box<dyn std::error::Error + Send + Sync>>(wrap(app))
    };
    eframe::run_native("plumbsight panel bench", options, Box::new(made)).expect("a window");
}

/// The demonstration in a folder of its own, kept until the end.
fn demonstration() -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().expect("a folder");
    let job = dir.path().join("plumbsight-demo");
    unpack_demo(&job).expect("the demonstration");
    (dir, job)
}

// ---------------------------------------------------------------- frame times

struct Frames {
    app: PanelApp,
    pictures: Vec<Arc<Seen>>,
    wanted: usize,
    times: Vec<Duration>,
    last: Option<Instant>,
    inside: Vec<Duration>,
    number: usize,
    /// Processor time and memory once all runs.
    before: Option<(Duration, u64)>,
}

/// Frames that are measured, after a second of running in.
const MEASURED: usize = 300;
const RUNNING_IN: usize = 30;

impl eframe::App for Frames {
    fn clear_color(&self, visuals: &egui::Visuals) -> [f32; 4] {
        self.app.clear_color(visuals)
    }

    fn ui(&mut self, ui: &mut egui::Ui, _: &mut eframe::Frame) {
        let begin = Instant::now();
        self.app.drain();
        let measured = self.app.model.standing();
        if let Some(standing) = measured {
            self.number += 1;
            if self.number == RUNNING_IN {
                self.before = Some((processor_time(), memory_kb()));
                self.last = Some(begin);
            } else if self.number > RUNNING_IN
                && let Some(last) = self.last.replace(begin)
            {
                self.times.push(begin - last);
            }
            // A fresh picture in every frame, as a camera gives it, and a reading with it.
            let seen = self.pictures[self.number % self.pictures.len()].clone();
            self.app.model.place = Place::Placing;
            self.app.model.live = LiveState::On(Arc::new(live_view(seen, standing)));
        }
        self.app.show(ui);
        if self.number > RUNNING_IN {
            self.inside.push(begin.elapsed());
        }
        if self.times.len() == self.wanted {
            report("from frame to frame, all in", &mut self.times);
            report("of that: panel code, painting not counted", &mut self.inside);
            if let Some((time, memory)) = self.before {
                let spent = (processor_time() - time).as_secs_f64() / self.times.len() as f64;
                println!(
                    "processor time of all threads, drawing in software included: {:.1} ms a frame",
                    plumbsight::units::ms_from_s(spent)
                );
                println!("memory in use: {} MB before, {} MB after", memory / 1024, memory_kb() / 1024);
            }
            reference();
            self.times.clear();
            self.number = 0;
            ui.ctx().send_viewport_cmd(ViewportCommand::Close);
        }
        ui.ctx().request_repaint();
    }
}

/// A live view of this picture that says what the check said.
fn live_view(seen: Arc<Seen>, standing: Standing) -> LiveView {
    let sentence = standing.sentence(Lengths::Millimetres);
    LiveView {
        standing: Some(standing),
        stale: false,
        motion: "standing still",
        frames: 12,
        sentence,
        ..LiveView::nothing(vec![CameraView {
            source: "camera 0".into(),
            words: "30 pictures a second".into(),
            seen: Some(seen),
            live: true,
        }])
    }
}

/// User and system time of this process so far (Linux: ticks of 10 ms); none elsewhere.
fn processor_time() -> Duration {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name in brackets may hold anything; user time is the 12th field after it, system time the 13th.
    let after = stat.rsplit(')').next().unwrap_or_default();
    let ticks: u64 = after.split_whitespace().skip(11).take(2).filter_map(|v| v.parse::<u64>().ok()).sum();
    Duration::from_millis(10 * ticks)
}

/// Memory of this process that is in use (Linux), kB.
fn memory_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
    line.and_then(|l| l.split_whitespace().next()?.parse().ok()).unwrap_or(0)
}

// ---------------------------------------------------------------- start

struct Start {
    app: PanelApp,
    begin: Instant,
    first: bool,
    job: Option<PathBuf>,
    shown: bool,
}

impl eframe::App for Start {
    fn clear_color(&self, visuals: &egui::Visuals) -> [f32; 4] {
        self.app.clear_color(visuals)
    }

    fn ui(&mut self, ui: &mut egui::Ui, _: &mut eframe::Frame) {
        let ms = plumbsight::units::ms_from_s(self.begin.elapsed().as_secs_f64());
        // What the picture before showed is on the screen now.
        if self.first {
            self.first = false;
        } else if let Some(job) = self.job.take() {
            println!("first picture of the window: {ms:.0} ms after the program began");
            self.begin = Instant::now();
            self.app.command(Command::Open(job));
        } else if self.shown {
            println!("first picture of a job of 30 photographs: {ms:.0} ms after it was opened");
            ui.ctx().send_viewport_cmd(ViewportCommand::Close);
            self.shown = false;
        }
        self.app.drain();
        self.shown |= self.app.model.ready().is_some() && self.job.is_none();
        self.app.show(ui);
        ui.ctx().request_repaint();
    }
}

fn start(begin: Instant) {
    let (_dir, job) = demonstration();
    // Unpacking is no part of a start.
    let unpacking = begin.elapsed();
    let settings = Settings { by_itself: false, ..Settings::default() };
    open(
        move |app| Box::new(Start { app, begin: begin + unpacking, first: true, job: Some(job), shown: false }),
        None,
        settings,
    );
}

fn report(what: &str, times: &mut [Duration]) {
    times.sort();
    let ms = |d: Duration| plumbsight::units::ms_from_s(d.as_secs_f64());
    let at = |p: f64| ms(times[((times.len() - 1) as f64 * p) as usize]);
    println!(
        "{what}: median {:.1} ms, 95 % {:.1} ms, 99 % {:.1} ms ({:.0} a second)",
        at(0.5),
        at(0.95),
        at(0.99),
        1000.0 / at(0.5)
    );
}

/// How fast this machine turns one grey picture into a coloured one, as a yardstick for the figures above.
fn reference() {
    let gray = vec![127u8; 1920 * 1080];
    let best = (0..20)
        .map(|_| {
            let t = Instant::now();
            std::hint::black_box(ColorImage::from_gray([1920, 1080], std::hint::black_box(&gray)));
            t.elapsed()
        })
        .min()
        .unwrap_or_default();
    println!(
        "reference: 1920 x 1080 grey values to colours {:.1} ms",
        plumbsight::units::ms_from_s(best.as_secs_f64())
    );
}

fn frames(wanted: usize) {
    let (_dir, job) = demonstration();
    let read = read_job(&job, Purpose::Verdict).expect("the job");
    let pictures = (0..4).map(|k| Arc::new(plumbsight::panel::seen::see(&read, k).expect("a photograph"))).collect();
    open(
        move |app| {
            Box::new(Frames {
                app,
                pictures,
                wanted,
                times: Vec::new(),
                last: None,
                inside: Vec::new(),
                number: 0,
                before: None,
            })
        },
        Some(job),
        Settings::default(),
    );
}

// ---------------------------------------------------------------- pictures

type Set = Box<dyn Fn(&mut PanelApp)>;

struct Shot {
    name: &'static str,
    size: [f32; 2],
    set: Set,
}

struct Pictures {
    app: PanelApp,
    shots: Vec<Shot>,
    at: usize,
    waited: usize,
    folder: PathBuf,
    saved: Arc<Mutex<usize>>,
}

/// Frames between a change and its picture: sizes and scroll areas settle.
const SETTLE: usize = 12;

impl eframe::App for Pictures {
    fn clear_color(&self, visuals: &egui::Visuals) -> [f32; 4] {
        self.app.clear_color(visuals)
    }

    fn ui(&mut self, ui: &mut egui::Ui, _: &mut eframe::Frame) {
        self.app.drain();
        // A live shot waits for the first few pictures.
        let live = !matches!(self.app.model.live, LiveState::Preparing(_));
        let idle = live
            && self.app.model.work.is_none()
            && !matches!(self.app.model.picture, plumbsight::panel::model::PictureState::Reading(_));
        let there = match self.app.model.job {
            JobState::Reading(_) => false,
            JobState::Ready(_) => self.app.model.result().is_some(),
            JobState::None | JobState::Refused(..) => true,
        };
        let ready = there && idle;
        self.app.show(ui);
        let ctx = ui.ctx().clone();
        ctx.request_repaint_after(Duration::from_millis(15));
        if *self.saved.lock().expect("lock") < self.at || !ready {
            return;
        }
        let Some(shot) = self.shots.get(self.at) else {
            ctx.send_viewport_cmd(ViewportCommand::Close);
            return;
        };
        if self.waited == 0 {
            self.app.model.far = false;
            self.app.model.help = false;
            self.app.model.settings_open = false;
            (shot.set)(&mut self.app);
            ctx.send_viewport_cmd(ViewportCommand::InnerSize(
                Vec2::from(shot.size) / self.app.model.settings.text_scale,
            ));
            self.waited = 1;
        } else if self.waited > 0 && self.waited < SETTLE {
            self.waited += 1;
        } else if self.waited == SETTLE {
            let (path, saved) = (self.folder.join(format!("{:02}-{}.png", self.at, shot.name)), self.saved.clone());
            ctx.send_viewport_cmd(ViewportCommand::Screenshot(egui::ScreenshotCallback::new(
                move |image: Arc<ColorImage>| {
                    save(&path, &image);
                    *saved.lock().expect("lock") += 1;
                },
            )));
            self.at += 1;
            self.waited = 0;
        }
    }
}

fn save(path: &Path, image: &ColorImage) {
    let rgb: Vec<u8> = image.pixels.iter().flat_map(|p| [p.r(), p.g(), p.b()]).collect();
    let png = plumbsight::capture::encode_png(image.size[0], image.size[1], &rgb).expect("a picture");
    std::fs::write(path, png).expect("a file");
    println!("{}", path.display());
}

fn pictures(folder: PathBuf, names: &[&str]) {
    std::fs::create_dir_all(&folder).expect("the folder");
    let (_dir, job) = demonstration();
    let light = Settings { look: Look::Light, ..Settings::default() };
    let dark = Settings { look: Look::Dark, ..light };
    let mut shots: Vec<Shot> = Vec::new();
    let mut shot = |name, size, set: Set| {
        if names.is_empty() || names.contains(&name) {
            shots.push(Shot { name, size, set });
        }
    };
    let usual = [1280.0, 860.0];
    let small = [1024.0, 700.0];
    let full = [1920.0, 1080.0];
    let go = |place: Place, settings: Settings| -> Set {
        Box::new(move |app: &mut PanelApp| {
            app.command(Command::Set(settings));
            app.command(Command::ShowPlan(true));
            app.command(Command::Go(place));
        })
    };
    for (place, name) in Place::ALL.into_iter().zip(["bay", "photographs", "placing", "hold", "record"]) {
        shot(name, usual, go(place, light));
    }
    for (place, name) in
        Place::ALL.into_iter().zip(["bay-dark", "photographs-dark", "placing-dark", "hold-dark", "record-dark"])
    {
        shot(name, usual, go(place, dark));
    }
    let large = Settings { text_scale: 1.5, ..light };
    for (place, name) in
        Place::ALL.into_iter().zip(["bay-large", "photographs-large", "placing-large", "hold-large", "record-large"])
    {
        shot(name, usual, go(place, large));
    }
    for (place, name) in
        Place::ALL.into_iter().zip(["bay-small", "photographs-small", "placing-small", "hold-small", "record-small"])
    {
        shot(name, small, go(place, light));
    }
    for (place, name) in
        Place::ALL.into_iter().zip(["bay-full", "photographs-full", "placing-full", "hold-full", "record-full"])
    {
        shot(name, full, go(place, light));
    }
    shot("placing-inch", usual, go(Place::Placing, Settings { lengths: Lengths::Inches, ..light }));
    for (name, settings, size) in [("far", light, usual), ("far-dark-small", dark, small)] {
        shot(
            name,
            size,
            Box::new(move |app| {
                app.command(Command::Set(settings));
                app.command(Command::Go(Place::Placing));
                app.command(Command::Far(true));
            }),
        );
    }
    shot(
        "picture",
        usual,
        Box::new(move |app| {
            app.command(Command::Set(light));
            app.command(Command::Go(Place::Photographs));
            app.command(Command::ShowPhotograph("photos/004.jpg".into()));
        }),
    );
    shot(
        "help",
        small,
        Box::new(move |app| {
            app.command(Command::Set(light));
            app.command(Command::Help(true));
        }),
    );
    shot(
        "settings",
        small,
        Box::new(move |app| {
            app.command(Command::Set(light));
            app.command(Command::ShowSettings(true));
        }),
    );
    shot("out", usual, Box::new(move |app| invent(app, light, false)));
    shot("long-names", small, Box::new(move |app| invent(app, light, true)));
    shot(
        "far-out",
        small,
        Box::new(move |app| {
            invent(app, light, false);
            app.command(Command::Far(true));
        }),
    );
    shot(
        "old",
        usual,
        Box::new(move |app| {
            app.command(Command::Set(Settings { by_itself: false, ..light }));
            app.command(Command::Go(Place::Placing));
            app.receive(Event::Changed);
        }),
    );
    shot(
        "cameras",
        small,
        Box::new(move |app| {
            app.command(Command::Set(light));
            app.command(Command::Go(Place::Placing));
            let source = "camera 0; http://192.168.1.20:8080/video".to_owned();
            app.command(Command::Camera(CameraChoice { source, ..CameraChoice::default() }));
        }),
    );
    for (name, look, size) in [("live", Look::Light, usual), ("live-small-dark", Look::Dark, small)] {
        shot(
            name,
            size,
            Box::new(move |app| {
                app.command(Command::Set(Settings { look, ..Settings::default() }));
                app.command(Command::Go(Place::Placing));
                let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/live-a").display().to_string();
                app.command(Command::Camera(CameraChoice { source, replay: true, ..CameraChoice::default() }));
                app.command(Command::Live(true));
            }),
        );
    }
    shot(
        "hold-watch",
        usual,
        Box::new(move |app| {
            app.command(Command::Set(light));
            app.command(Command::Go(Place::Hold));
            app.command(Command::Hold(true));
        }),
    );
    // What speaks against a verdict, on every place and from afar, where there is least room.
    let narrow = [1024.0, 640.0];
    let inch = Settings { lengths: Lengths::Inches, ..dark };
    for (name, far, place, settings) in [
        ("alarm-placing", false, Place::Placing, light),
        ("alarm-hold", false, Place::Hold, dark),
        ("alarm-record", false, Place::Record, light),
        ("alarm-far", true, Place::Placing, dark),
    ] {
        shot(
            name,
            narrow,
            Box::new(move |app| {
                let newest = Some("2031-05-06 14:15:30: \"stand\" moved at 0:09: 3.4 mm to the car's left, turned 0.12° clockwise seen from above.".into());
                against(app, Against { alarms: 1, newest, ..Against::default() }, settings);
                app.command(Command::Go(place));
                app.command(Command::Far(far));
            }),
        );
    }
    for (name, far, place, settings) in [
        ("doubt-placing", false, Place::Placing, inch),
        ("doubt-record", false, Place::Record, inch),
        ("doubt-far", true, Place::Placing, light),
    ] {
        shot(
            name,
            narrow,
            Box::new(move |app| {
                let doubt =
                    Some("A line of the log of the hold watch cannot be read: an alarm may stand in it.".into());
                against(app, Against { doubt, ..Against::default() }, settings);
                app.command(Command::Go(place));
                app.command(Command::Far(far));
            }),
        );
    }
    for (name, far, place, settings) in [
        ("elsewhere-placing", false, Place::Placing, inch),
        ("elsewhere-photographs", false, Place::Photographs, light),
        ("elsewhere-record", false, Place::Record, light),
        ("elsewhere-far", true, Place::Placing, inch),
    ] {
        shot(
            name,
            narrow,
            Box::new(move |app| {
                let elsewhere = Some("2031-05-06 14:15:30: A live reading found the stand elsewhere than the photographs: lateral +22.5 mm ±1.3 mm instead of +0.1 mm ±1.3 mm.".into());
                against(app, Against { elsewhere, ..Against::default() }, settings);
                app.command(Command::Go(place));
                app.command(Command::Far(far));
            }),
        );
    }
    for (place, name) in Place::ALL.into_iter().zip([
        "bay-narrow",
        "photographs-narrow",
        "placing-narrow",
        "hold-narrow",
        "record-narrow",
    ]) {
        shot(
            name,
            narrow,
            Box::new(move |app| {
                against(app, Against::default(), inch);
                app.command(Command::ShowPlan(true));
                app.command(Command::Go(place));
            }),
        );
    }
    shot(
        "far-inch",
        narrow,
        Box::new(move |app| {
            app.command(Command::Set(inch));
            app.command(Command::Go(Place::Placing));
            app.command(Command::Far(true));
        }),
    );
    shot("start", small, Box::new(move |app| app.command(Command::Close)));
    shot(
        "no-job",
        narrow,
        Box::new(move |app| {
            app.command(Command::Set(dark));
            app.command(Command::Open("plumbsight-dem".into()));
        }),
    );
    let new = job.with_file_name("new-job");
    shot(
        "new-job",
        narrow,
        Box::new(move |app| {
            app.command(Command::Set(light));
            app.command(Command::NewJob(new.clone()));
        }),
    );
    open(
        move |app| Box::new(Pictures { app, shots, at: 0, waited: 0, folder, saved: Arc::new(Mutex::new(0)) }),
        Some(job),
        light,
    );
}

/// The demonstration measured, with this said against it, in words that are invented.
fn against(app: &mut PanelApp, against: Against, settings: Settings) {
    app.command(Command::Set(Settings { by_itself: false, ..settings }));
    let (Some(job), Some(result)) = (app.model.ready().cloned(), app.model.result().cloned()) else { return };
    let Some(list) = app.model.list.clone() else { return };
    app.receive(Event::Changed);
    app.receive(Event::Read(job.folder.clone(), Ok(Opened { against, ..Opened::new(job.clone(), list) })));
    let path = job.folder.join("result.json");
    app.receive(Event::Checked(job, result, Ok(path)));
}

/// The demonstration's result, changed into one that is out of tolerance, and with long names if asked: invented, for the eye only.
fn invent(app: &mut PanelApp, settings: Settings, long: bool) {
    use plumbsight::record::result::Verdict;
    app.command(Command::Set(settings));
    let (Some(job), Some(result)) = (app.model.ready().cloned(), app.model.result().cloned()) else { return };
    let mut result = (*result).clone();
    let station = &mut result.stations[0];
    station.verdict = Verdict::Out;
    station.deviations.lateral_mm.deviation = 23.4;
    station.deviations.lateral_mm.verdict = Some(Verdict::Out);
    station.deviations.lateral_mm.words = "23 mm too far to the car's left".into();
    station.deviations.yaw_deg.deviation = 0.46;
    station.deviations.yaw_deg.verdict = Some(Verdict::NotProven);
    station.deviations.yaw_deg.words = "turned 0.46° counter-clockwise seen from above".into();
    station.deviations.yaw_deg.remedy = Some(
        "U is 0.09°, the tolerance leaves 0.04°: take more photographs that show the stand together with a rear plate."
            .into(),
    );
    station.moves = [
        ("turn", "Turn the stand 0.46° clockwise seen from above (8 mm at the end of a 1 m arm)."),
        ("slide sideways", "Slide the stand 23 mm towards the car's right."),
    ]
    .map(|(kind, words)| plumbsight::record::result::MovePart {
        kind: kind.into(),
        amount_mm: None,
        amount_deg: None,
        u: 0.5,
        words: words.into(),
    })
    .to_vec();
    result.verdict = Verdict::Out;
    if long {
        let name = "front long range sensor, target position two of four, left of the centreline as the procedure numbers them";
        result.stations[0].name = name.into();
        result.placement.title = format!("{name}, {name}");
        for body in &mut result.bodies {
            body.name = format!("{} of the second printed kit in the large bay at the back", body.name);
        }
    }
    app.receive(Event::Checked(job, Arc::new(result), Ok("result.json".into())));
    app.command(Command::Go(Place::Placing));
}
