//! The panel through its accessible tree: every place by its labels, keys, what is said where nothing is there, no widget without a name.
//!
//! The tree is the one that screen readers are given. egui_kittest fails a test whose widgets lack a name, or whose text has characters without a glyph.

mod common;
mod made;
mod screen;

use common::repository;
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use plumbsight::panel::app::PanelApp;
use plumbsight::panel::figures::Lengths;
use plumbsight::panel::live::{LiveState, LiveView};
use plumbsight::panel::model::{Command, Event, JobState, Look, Model, Opened, Origin, PictureState, Place, Settings};
use plumbsight::panel::watching::HoldView;
use plumbsight::panel::worker::Worker;
use plumbsight::record::result::{ResultFile, Verdict};
use plumbsight::record::{Job, Purpose, read_job};
use plumbsight::session;
use plumbsight::session::hold::Against;
use std::sync::{Arc, OnceLock};

use eframe::egui;
use egui::Key;

/// The demonstration with its result, measured once for all tests.
fn demo() -> &'static (Arc<Job>, Arc<ResultFile>) {
    static DEMO: OnceLock<(Arc<Job>, Arc<ResultFile>)> = OnceLock::new();
    DEMO.get_or_init(|| {
        let job = read_job(&repository("fixtures/bay-a"), Purpose::Verdict).unwrap();
        let result = session::check(&job, &|_| {});
        (Arc::new(job), Arc::new(result))
    })
}

fn opened(job: &Arc<Job>) -> Opened {
    Opened::new(job.clone(), plumbsight::record::read_readiness(&job.folder).unwrap())
}

/// The window with nothing in it.
fn window(size: [f32; 2]) -> Harness<'static, Option<PanelApp>> {
    Harness::builder().with_size(size).build_ui_state(
        |ui, app: &mut Option<PanelApp>| {
            let settings = Settings { look: Look::Light, ..Settings::default() };
            let app = app.get_or_insert_with(|| PanelApp::new(ui.ctx(), Model::with(settings), None));
            app.show(ui);
        },
        None,
    )
}

trait App {
    fn app(&mut self) -> &mut PanelApp;
    fn says(&self, words: &str) -> bool;
}

impl App for Harness<'static, Option<PanelApp>> {
    fn app(&mut self) -> &mut PanelApp {
        self.state_mut().as_mut().expect("one frame was drawn")
    }

    fn says(&self, words: &str) -> bool {
        self.root().children_recursive().any(|node| {
            let node = node.accesskit_node();
            [node.label(), node.value()].into_iter().flatten().any(|text| text.contains(words))
        })
    }
}

/// The window with the demonstration measured.
fn measured(size: [f32; 2]) -> Harness<'static, Option<PanelApp>> {
    let mut window = window(size);
    window.run();
    let (job, result) = demo();
    let app = window.app();
    app.command(Command::Open(job.folder.clone()));
    app.receive(Event::Read(job.folder.clone(), Ok(opened(job))));
    app.receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
    window.run();
    window
}

const USUAL: [f32; 2] = [1280.0, 860.0];
const SMALL: [f32; 2] = [1024.0, 700.0];

#[test]
fn the_start_teaches_and_opens_what_is_typed() {
    let mut window = window(USUAL);
    window.run();
    assert!(window.says("A job is one folder"));
    // The cursor is in the field already.
    assert!(window.get_by_label("Job folder").accesskit_node().is_focused());
    window.key_press(Key::L);
    window.event(egui::Event::Text("some/where".into()));
    window.run();
    assert!(matches!(window.app().model.settings.look, Look::Light));
    // The letters of a path are no shortcuts.
    assert!(
        matches!(window.app().model.job, JobState::None) && window.app().model.settings.lengths == Lengths::Millimetres
    );
    window.get_by_label("Open the job").click();
    window.run_steps(3);
    assert!(matches!(&window.app().model.job, JobState::Reading(folder) if folder.ends_with("some/where")));
}

#[test]
fn every_place_is_reached_by_key_and_by_click_and_names_all_its_widgets() {
    for size in [USUAL, SMALL] {
        let mut window = measured(size);
        for (place, key) in Place::ALL.into_iter().zip([Key::Num1, Key::Num2, Key::Num3, Key::Num4, Key::Num5]) {
            window.key_press(key);
            window.run();
            assert_eq!(window.app().model.place, place);
            window.check_accessibility();
        }
        for place in Place::ALL.into_iter().rev() {
            window.get_by(|node| node.label().is_some_and(|l| l.starts_with(&format!("{}: ", place.name())))).click();
            window.run();
            assert_eq!(window.app().model.place, place);
        }
    }
}

#[test]
fn numbers_stand_with_u_and_tolerance_in_millimetres_and_inches() {
    let mut window = measured(USUAL);
    window.key_press(Key::Num3);
    window.run();
    let distance = &demo().1.stations[0].deviations.distance_mm;
    let of = |unit: Lengths| {
        // The very words of the report.
        let edge = match unit {
            Lengths::Millimetres => plumbsight::report::Lengths::Millimetres.of("mm"),
            Lengths::Inches => plumbsight::report::Lengths::Inches.of("mm"),
        };
        let line = plumbsight::report::SixLine::of(distance, edge);
        format!(
            "distance: deviation {}, U {}, tolerance {}, {}",
            line.deviation,
            line.expanded,
            line.tolerance.unwrap(),
            distance.verdict.unwrap().words()
        )
    };
    assert!(window.says(&of(Lengths::Millimetres)));
    window.key_press(Key::U);
    window.run();
    assert!(window.says(&of(Lengths::Inches)) && !window.says(&of(Lengths::Millimetres)));
    // What is kept does not change with what is shown.
    assert_eq!(window.app().model.result().unwrap().stations[0].deviations.distance_mm, *distance);
}

#[test]
fn a_verdict_is_a_word_and_comes_with_the_caution() {
    let mut window = measured(USUAL);
    for key in [Key::Num3, Key::Num5] {
        window.key_press(key);
        window.run();
        assert!(window.says(demo().1.verdict.words()));
        assert!(window.says("does not calibrate, release or approve anything"));
    }
}

#[test]
fn the_far_view_says_the_state_and_one_sentence() {
    let mut window = measured(SMALL);
    window.key_press(Key::F);
    window.run();
    let standing = window.app().model.standing().unwrap();
    let words = format!("{}. {}", standing.verdict.words().to_uppercase(), standing.sentence(Lengths::Millimetres));
    assert!(window.says(&words), "{words}");
    window.key_press(Key::Escape);
    window.run();
    assert!(!window.app().model.far && !window.says(&words));
}

#[test]
fn places_without_data_say_what_is_missing() {
    let mut window = window(SMALL);
    window.run();
    let (job, _) = demo();
    window.app().command(Command::Set(Settings { by_itself: false, ..Settings::default() }));
    window.app().command(Command::Open(job.folder.clone()));
    window.app().receive(Event::Read(job.folder.clone(), Ok(opened(job))));
    for (key, words) in [
        (Key::Num1, "The job's files lack nothing"),
        (Key::Num2, "No plan yet"),
        (Key::Num3, "First measure: the six numbers come from all photographs together."),
        (Key::Num4, "Nothing is watched"),
        (Key::Num5, "No result yet"),
    ] {
        window.key_press(key);
        window.run();
        assert!(window.says(words), "{words}");
        window.check_accessibility();
    }
    assert!(window.query_by_label_contains("Measure and check").is_some(), "and how to get it");
}

#[test]
fn what_cannot_be_measured_is_said_in_full_and_shows_no_number() {
    let (job, result) = demo();
    let mut none = (**result).clone();
    none.verdict = Verdict::NotMeasured;
    none.not_measured = Some("The stand was moved between photographs 12 and 13.".into());
    let mut window = measured(USUAL);
    window.app().receive(Event::Checked(job.clone(), Arc::new(none), Ok("result.json".into())));
    window.key_press(Key::Num3);
    window.run();
    assert!(window.says("The stand was moved between photographs 12 and 13."));
    assert!(!window.says("distance: deviation"));
}

#[test]
fn an_old_result_is_called_old_wherever_it_is_shown() {
    let mut window = measured(USUAL);
    window.app().receive(Event::Changed);
    for key in [Key::Num2, Key::Num3, Key::Num5] {
        window.key_press(key);
        window.run();
        assert!(window.says("Photographs or files changed after this check. Measure again."));
    }
    window.key_press(Key::F);
    window.run();
    assert!(window.says("OLD RESULT") && !window.says("IN TOLERANCE"), "from afar nobody sees that a verdict is old");
}

#[test]
fn a_result_that_could_not_be_written_is_not_called_written() {
    let (job, result) = demo();
    let mut window = measured(USUAL);
    let problem =
        plumbsight::record::Problem::of_file("result.json", "it cannot be written (the disk is full)", "Make room.");
    window.app().receive(Event::Checked(job.clone(), result.clone(), Err(problem)));
    window.key_press(Key::Num5);
    window.run();
    assert!(
        window.says("The result could not be written")
            && window.says("the disk is full")
            && window.says("Record: not written")
    );
}

#[test]
fn help_lists_every_key_and_escape_closes_it() {
    let mut window = measured(USUAL);
    window.key_press(Key::F1);
    window.run();
    for words in
        ["Measure and check", "Far view on and off", "Close what is open, leave the far view, stop a running check"]
    {
        assert!(window.says(words), "{words}");
    }
    window.key_press(Key::Escape);
    window.run();
    assert!(!window.app().model.help);
    window.key_press(Key::Questionmark);
    window.run();
    assert!(window.app().model.help);
}

#[test]
fn tab_reaches_every_button_and_enter_presses_it() {
    let mut window = measured(USUAL);
    window.key_press(Key::Num3);
    window.run();
    let mut reached = std::collections::BTreeSet::new();
    for _ in 0..40 {
        window.key_press(Key::Tab);
        window.run();
        let focused = window.root().children_recursive().find(|n| n.accesskit_node().is_focused());
        reached.extend(focused.and_then(|n| n.accesskit_node().label()));
    }
    for name in ["Help ?", "Settings", "Other job", "Far view F", "Measure and check M"] {
        let start = name.split(' ').next().unwrap();
        assert!(reached.iter().any(|l| l.starts_with(start)), "{name} is not reached: {reached:?}");
    }
    window.get_by_label_contains("Settings").focus();
    window.run();
    window.key_press(Key::Enter);
    window.run();
    assert!(window.app().model.settings_open);
    window.check_accessibility();
}

#[test]
fn a_photograph_shows_its_tags_and_whose_they_are() {
    let mut window = measured(USUAL);
    let (job, _) = demo();
    window.key_press(Key::Num2);
    window.key_press(Key::N);
    window.run_steps(3);
    assert!(matches!(&window.app().model.picture, PictureState::Reading(_)));
    let seen = plumbsight::panel::seen::see(job, 0).unwrap();
    let (tags, bodies) = (seen.tags.len(), seen.bodies().join(", "));
    assert!(tags > 2 && bodies.contains("floor sheet"));
    window.app().receive(Event::Seen(Arc::new(seen)));
    window.app().command(Command::ShowPlan(false));
    window.run();
    assert!(window.says(&format!("{tags} tags; {bodies}")));
}

#[test]
fn a_running_check_can_be_seen_and_stopped() {
    let mut window = measured(USUAL);
    window.app().command(Command::Check);
    window.app().receive(Event::Progress(session::Progress::Photographs { done: 12, of: 30 }));
    window.run_steps(2);
    assert!(window.says("reading photographs and finding tags: 12 of 30"));
    window.get_by_label_contains("Stop").click();
    window.run_steps(2);
    assert!(window.says("stopping"));
    window.app().receive(Event::Stopped);
    window.run();
    assert!(window.app().model.work.is_none() && window.app().model.result().is_some());
}

#[test]
fn large_type_and_dark_leave_every_place_usable() {
    let mut window = measured(SMALL);
    for look in [Look::Light, Look::Dark] {
        let settings = Settings { look, text_scale: 1.5, ..Settings::default() };
        window.app().command(Command::Set(settings));
        for key in [Key::Num1, Key::Num2, Key::Num3, Key::Num4, Key::Num5] {
            window.key_press(key);
            window.run();
            window.check_accessibility();
        }
    }
}

/// The real worker on a real job: read, checked, written, and checked again when a photograph comes.
#[test]
fn the_worker_measures_writes_and_takes_in_what_arrives() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    plumbsight::record::unpack_demo(&folder).unwrap();
    let held_back = folder.join("photos/030.jpg");
    let photo = std::fs::read(&held_back).unwrap();
    std::fs::remove_file(&held_back).unwrap();

    let worker = Worker::start(Arc::new(|| {}));
    let mut model = Model::default();
    step(&worker, &mut model, Some(Command::Open(folder.clone())), &|m| m.result().is_some());
    assert_eq!(model.result().unwrap().photographs.len(), 29);
    let Origin::Checked(Ok(path)) = &model.outcome.as_ref().unwrap().origin else { panic!("written") };
    let written: ResultFile = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert_eq!(&written, &**model.result().unwrap());

    std::fs::write(&held_back, photo).unwrap();
    step(&worker, &mut model, None, &|m| m.result().is_some_and(|r| r.photographs.len() == 30) && m.work.is_none());
    assert!(!model.outdated() && model.result().unwrap().verdict == demo().1.verdict);

    // Stopping a check leaves the result that was there.
    step(&worker, &mut model, Some(Command::Check), &|m| m.work.is_some());
    step(&worker, &mut model, Some(Command::Stop), &|m| m.work.is_none());
    assert_eq!(model.result().unwrap().photographs.len(), 30);
    step(&worker, &mut model, Some(Command::Photograph(1)), &|m| matches!(m.picture, PictureState::Seen(_)));
}

#[test]
fn an_item_of_the_readiness_list_is_answered_by_click() {
    let mut window = measured(USUAL);
    window.key_press(Key::Num1);
    window.run();
    let part = window.app().model.answers().into_iter().find(|p| p.state == "open" && !p.measured).unwrap();
    window.get_by_label(&part.text).click();
    window.run();
    // Without a worker nothing is kept, and what is not kept is not shown as done.
    assert!(window.app().model.answers().iter().any(|p| p.id == part.id && p.state == "open"));
    // The reason's field has the cursor: its letters are no shortcuts.
    window.query_all_by_label_contains(": does not apply").next().unwrap().click();
    window.run();
    for key in [Key::L, Key::F, Key::H] {
        window.key_press(key);
    }
    window.event(egui::Event::Text("lift unused".into()));
    window.run();
    assert!(window.says("lift unused"));
    let shortcuts_slept = |window: &mut Harness<'static, Option<PanelApp>>| {
        let model = &window.app().model;
        !model.far && matches!(model.settings.look, Look::Light) && matches!(model.live, LiveState::Off)
    };
    assert!(shortcuts_slept(&mut window));
    window.check_accessibility();
    // The Enter key keeps it, and the field goes.
    window.key_press(Key::Enter);
    window.run();
    assert!(!window.says("Does not apply, because"));
    // The same where the button was pressed with the keyboard.
    window.query_all_by_label_contains(": does not apply").last().unwrap().focus();
    window.run();
    window.key_press(Key::Enter);
    window.run();
    assert!(window.says("Does not apply, because"));
    for key in [Key::L, Key::F, Key::H] {
        window.key_press(key);
    }
    window.event(egui::Event::Text("no load asked".into()));
    window.run();
    assert!(window.says("no load asked") && shortcuts_slept(&mut window));
}

/// The traced sequence, read for placing or for the hold watch.
fn saved_sequence(job: &Arc<Job>, hold: bool) -> plumbsight::panel::live::LiveWish {
    plumbsight::panel::live::LiveWish {
        lenses: Vec::new(),
        job: job.clone(),
        station: 0,
        sources: vec![repository("fixtures/live-a").display().to_string()],
        replay: true,
        mounts: Vec::new(),
        hold,
    }
}

/// Two profiles in the job: each camera has the one that was chosen for it, and its own mount, in the window and in the thread.
#[test]
fn each_camera_has_a_lens_and_a_mount_of_its_own() {
    use plumbsight::panel::live::LiveRun;
    use plumbsight::panel::model::{CameraChoice, Task};
    use session::live::Mount;
    use std::time::{Duration, Instant};
    // The first profile is of a camera that took no photograph: half the size.
    let mut job = (*demo().0).clone();
    let mut other = job.lenses[0].clone();
    other.file = "lenses/phone.toml".into();
    let lens = &mut other.lens;
    (lens.width, lens.height) = (lens.width / 2, lens.height / 2);
    for v in [&mut lens.fx, &mut lens.fy, &mut lens.cx, &mut lens.cy] {
        *v *= 0.5;
    }
    job.lenses.insert(0, other);
    job.photos.iter_mut().for_each(|photo| photo.lens = 1);
    let job = Arc::new(job);
    let mut window = window(SMALL);
    window.run();
    window.app().command(Command::Set(Settings { by_itself: false, look: Look::Light, ..Settings::default() }));
    window.app().command(Command::Open(job.folder.clone()));
    window.app().receive(Event::Read(job.folder.clone(), Ok(opened(&job))));
    let source = "camera 0; camera 1".to_owned();
    window.app().command(Command::Camera(CameraChoice { source, ..CameraChoice::default() }));
    window.key_press(Key::Num3);
    window.run();
    window.check_accessibility();
    // None is guessed.
    assert!(window.says("lens of camera 0") && window.says("First choose the lens of each camera."));
    assert!(window.app().model.apply(Command::Live(true)).is_empty());
    for (camera, lens) in [("lens of camera 0", "phone.toml"), ("lens of camera 1", "lens.toml")] {
        window.get_by_role_and_label(egui::accesskit::Role::ComboBox, camera).click();
        window.run();
        window.get_by_label(lens).click();
        window.run();
    }
    assert!(!window.says("First choose the lens of each camera."));
    // And a mount: both stand on tripods until somebody says otherwise.
    window.get_by_role_and_label(egui::accesskit::Role::ComboBox, "camera 1 is").click();
    window.run();
    window.get_by_label("riding on the stand").click();
    window.run();
    window.check_accessibility();
    // A camera keeps its own, also where it becomes the first.
    let source = "camera 1".to_owned();
    let alone = CameraChoice { source, ..window.app().model.camera.clone() };
    assert_eq!(alone.all_lenses(2), Some(vec![1]));
    assert_eq!(alone.all_mounts(), [Mount::OnStand]);
    let tasks = window.app().model.apply(Command::Live(true));
    assert!(
        matches!(tasks.as_slice(), [Task::Live(wish)] if wish.lenses == [0, 1] && wish.mounts == [Mount::Apart, Mount::OnStand]),
        "{tasks:?}"
    );
    // In the thread: what the right profile reads, the wrong one refuses with the reason, and this camera, which stands on a tripod, cannot be learned as one on the stand.
    for (lens, mount, reads) in [(1, Mount::Apart, true), (0, Mount::Apart, false), (1, Mount::OnStand, false)] {
        let run = LiveRun::start(
            plumbsight::panel::live::LiveWish {
                lenses: vec![lens],
                mounts: vec![mount],
                ..saved_sequence(&job, false)
            },
            Arc::new(|| {}),
        );
        let begin = Instant::now();
        let view = loop {
            match run.slot.take() {
                Some(LiveState::On(view)) if view.standing.is_some() || view.trouble.is_some() => break view,
                Some(LiveState::Over(why)) => panic!("{why}"),
                _ => {}
            }
            assert!(begin.elapsed() < Duration::from_secs(120), "nothing came of it");
            std::thread::sleep(Duration::from_millis(5));
        };
        assert_eq!(view.standing.is_some(), reads, "{:?}", view.trouble);
        let why = if mount == Mount::OnStand { "Learning where the camera sits" } else { "960 x 540" };
        assert!(reads || view.trouble.as_ref().is_some_and(|t| t.contains(why)), "{:?}", view.trouble);
    }
}

/// A view as the live thread gives it, from the traced sequence (`fixtures/live-a/README.md`), played through the real thread.
#[test]
fn a_live_reading_of_a_saved_sequence_is_shown_and_grows_old() {
    use plumbsight::panel::live::LiveRun;
    use std::time::{Duration, Instant};
    let (job, _) = demo();
    let wish = saved_sequence(job, false);
    let mut window = measured(USUAL);
    window.key_press(Key::Num3);
    window.app().command(Command::Live(true));
    window.run_steps(3);
    assert!(window.says("Preparing"));
    let run = LiveRun::start(wish, Arc::new(|| {}));
    let begin = Instant::now();
    let (mut preparing, mut views, mut fresh) = (0, 0, 0);
    loop {
        match run.slot.take() {
            Some(LiveState::Preparing(_)) => preparing += 1,
            Some(LiveState::On(view)) => {
                views += 1;
                if let Some(standing) = view.standing.as_ref().filter(|_| !view.stale) {
                    fresh += 1;
                    assert!(standing.six.iter().all(|f| f.expanded > 0.0), "never a number without its U");
                    window.app().receive(Event::Live(LiveState::On(view.clone())));
                }
            }
            Some(LiveState::Over(why)) => {
                assert!(why.contains("played"), "{why}");
                break;
            }
            _ => {}
        }
        assert!(begin.elapsed() < Duration::from_secs(120), "nothing came of it");
        std::thread::sleep(Duration::from_millis(5));
    }
    assert!(preparing > 0 && views > 3 && fresh > 3, "{preparing} {views} {fresh}");
    window.run();
    let shown = window.app().model.shown().unwrap();
    assert!(shown.live && !shown.old);
    assert!(window.says(&shown.sentence) && window.says("In the picture"));
    window.check_accessibility();
    // A camera that sees nothing any more: numbers stay, called old; from afar they are gone.
    let LiveState::On(view) = window.app().model.live.clone() else { panic!("a view") };
    let blind = plumbsight::panel::live::LiveView {
        stale: true,
        age: Duration::from_secs(3),
        trouble: Some("The stand is not in the picture.".into()),
        ..(*view).clone()
    };
    window.app().receive(Event::Live(LiveState::On(Arc::new(blind))));
    window.run();
    assert!(window.says("Old: 3.0 s, shown greyed") && window.says("The stand is not in the picture."));
    window.key_press(Key::F);
    window.run();
    assert!(window.says("NOT SEEN") && !window.says("IN TOLERANCE"));
}

/// The hold watch through the real thread: pictures of a stand that is being pushed never come to rest, and that is said; then a watch that broke.
#[test]
fn the_hold_watch_says_what_it_waits_for_and_what_moved() {
    use plumbsight::panel::live::LiveRun;
    use plumbsight::panel::watching::BodyLine;
    use plumbsight::session::hold::Standing;
    use std::time::{Duration, Instant};
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    plumbsight::record::unpack_demo(&folder).unwrap();
    let job = Arc::new(read_job(&folder, Purpose::Verdict).unwrap());
    let wish = saved_sequence(&job, true);
    let mut window = measured(USUAL);
    window.key_press(Key::Num4);
    window.key_press(Key::H);
    window.run_steps(3);
    assert!(window.app().model.holding && window.says("Preparing"));
    let run = LiveRun::start(wish, Arc::new(|| {}));
    let begin = Instant::now();
    let mut last: Option<Arc<LiveView>> = None;
    loop {
        match run.slot.take() {
            // The one after the last picture says only that nothing is seen any more.
            Some(LiveState::On(view)) if view.cameras.iter().all(|c| c.live) => last = Some(view),
            Some(LiveState::Over(_)) => break,
            _ => {}
        }
        assert!(begin.elapsed() < Duration::from_secs(120), "nothing came of it");
        std::thread::sleep(Duration::from_millis(5));
    }
    let view = last.unwrap();
    let hold = view.hold.clone().unwrap();
    let log = hold.log.clone().unwrap();
    let lines = std::fs::read_to_string(log).unwrap();
    assert!(lines.lines().next().unwrap().contains("photographs") && lines.lines().last().unwrap().contains("closed"));
    window.app().receive(Event::Live(LiveState::On(view.clone())));
    window.run();
    assert!(window.says("settling") && window.says("Hands off"));
    window.check_accessibility();
    let line = BodyLine {
        name: "stand".into(),
        standing: Standing::Moved,
        shift_mm: [(2.1, 0.3), (0.0, 0.2), (0.1, 0.2)],
        detectable_mm: 0.8,
    };
    let unmoved = hold.clone();
    let broken = HoldView {
        watching_for: Some(Duration::from_secs(62)),
        broken: true,
        bodies: vec![line],
        news: vec![(true, "61.0 s: The stand moved.".into())],
        ..hold
    };
    window.app().receive(Event::Live(LiveState::On(Arc::new(LiveView { hold: Some(broken), ..(*view).clone() }))));
    window.run();
    assert!(window.says("Something moved: do not rely on the verdict.") && window.says("Hold: moved"));
    assert!(window.says("stand: moved") && window.says("+2.10 mm ±0.30 mm") && window.says("The stand moved."));
    window.key_press(Key::F);
    window.run();
    assert!(window.says("MOVED. stand. Measure again."));
    // A watch that sees nothing never says that nothing moved.
    let blind = HoldView { blind: true, broken: false, watching_for: Some(Duration::from_secs(62)), ..unmoved };
    window.app().receive(Event::Live(LiveState::On(Arc::new(LiveView { hold: Some(blind), ..(*view).clone() }))));
    window.run();
    assert!(window.says("NOT SEEN") && !window.says("NOTHING MOVED"));
    window.key_press(Key::F);
    window.run();
    assert!(window.says("Hold: not seen") && !window.says("nothing moved"));
    // Ended, what it came to stays.
    window.app().command(Command::Hold(false));
    window.run();
    assert!(window.says("Nothing is watched") && window.says("The last watch: "));
}

/// What came of the routine is typed in, and what lacks is said beside the button that does not work yet.
#[test]
fn the_form_of_a_record_says_what_lacks_and_names_the_watchs_alarms() {
    use plumbsight::panel::keeping::{Form, FoundRecords, RecordCommand, RecordEvent};
    for size in [USUAL, SMALL] {
        let mut window = measured(size);
        window.key_press(Key::Num5);
        window.run();
        assert!(window.says("Record: no record kept"), "a result that is written is no record");
        assert!(window.says("Name the folder of all records."));
        let form = Form { into: "records".into(), by: "A. Person".into(), ..Form::default() };
        window.app().command(Command::Record(RecordCommand::Fill(Box::new(form))));
        window.run();
        assert!(window.says("It will not be signed."));
        // The button is on the first screen at the usual size.
        let button = window.get_by_label_contains("Keep a record K").rect();
        assert!(size == SMALL || button.bottom() < size[1] - 40.0, "{button:?}");
        window.get_by_label("failed").click();
        window.run();
        assert!(window.says("Say which scan tool it was.") && !window.says("It will not be signed."));
        window.get_by_label("Scan tool").focus();
        window.run();
        window.get_by_label("Scan tool").type_text("the shop's own");
        window.run();
        assert_eq!(window.app().model.keeping.form.outcome.scan_tool, "the shop's own");
        assert!(window.says("It will not be signed."));
        window.key_press(Key::Tab);
        window.run();
        window.check_accessibility();
        // Once it is kept, its report is a click away.
        assert!(window.query_by_label("Report").is_none());
        window.app().command(Command::Record(RecordCommand::Keep));
        window.app().receive(Event::Record(RecordEvent::Recorded(Ok(record_in("records/one")))));
        window.run();
        window.get_by_label("Report").click_accesskit();
        window.run_steps(2);
        let asked = window.app().model.keeping.rechecked.as_ref().map(|(record, _)| record.clone());
        assert_eq!(asked, Some("records/one".into()));
        assert!(window.says("At work on it."));
    }
    let mut window = measured(USUAL);
    let (job, _) = demo();
    window.app().command(Command::Open(job.folder.clone()));
    window.app().receive(Event::Read(
        job.folder.clone(),
        Ok(Opened { against: Against { alarms: 2, ..Against::default() }, ..opened(job) }),
    ));
    window.key_press(Key::Num5);
    window.run_steps(3);
    assert!(window.says("names 2 moves: the verdict no longer holds") && window.says("Record: moved during hold"));
    let found = FoundRecords { unread: 1, notices: vec!["x: cannot be looked into".into()], ..FoundRecords::default() };
    window.app().receive(Event::Record(RecordEvent::Found(Ok(found))));
    window.run_steps(3);
    assert!(window.says("0 of 0 records") && window.says("1 folder holds a record.json that cannot be read"));
    assert!(window.says("x: cannot be looked into"));
}

/// A list of made records in the window, through the real worker: what a record says has the word and the mark that it may carry, and what does not fit stands beside it.
#[test]
fn a_record_that_may_not_stand_is_listed_so() {
    use plumbsight::panel::keeping::{Doing, Form, RecordCommand};
    use plumbsight::record::keep::CorrectsPart;
    use plumbsight::record::keep::manifest::{MANIFEST, sha256_hex};
    let (_, result) = demo();
    let dir = tempfile::tempdir().unwrap();
    let mut record = made::record(0, result);
    record.verdict = Verdict::In;
    let old = made::write(dir.path(), "old", &record, result);
    record.revision = 2;
    record.vin = Some("1M8GDM9AXKP042788".into());
    record.corrects = Some(CorrectsPart {
        record: "old".into(),
        manifest_sha256: sha256_hex(&std::fs::read(old.join(MANIFEST)).unwrap()),
        reason: "another stand".into(),
        earlier: Vec::new(),
    });
    made::write(dir.path(), "new", &record, result);
    let mut bad = made::record(7, result);
    bad.verdict = Verdict::In;
    let bad = made::write(dir.path(), "bad", &bad, result);
    std::fs::remove_file(bad.join("result.json")).unwrap();
    let mut moved = made::record(8, result);
    (moved.verdict, moved.hold_alarms) = (Verdict::In, Some(1));
    made::write(dir.path(), "moved", &moved, result);

    let worker = Worker::start(Arc::new(|| {}));
    let mut window = measured(USUAL);
    window.key_press(Key::Num5);
    let form = Form { into: dir.path().display().to_string(), ..Form::default() };
    window.app().command(Command::Record(RecordCommand::Fill(Box::new(form))));
    let model = &mut window.app().model;
    let find = Some(Command::Record(RecordCommand::Find));
    step(&worker, model, find, &|m| !matches!(m.keeping.found, Doing::Running));
    let Doing::Done(found) = &model.keeping.found else { panic!("{:?}", model.keeping.found) };
    let of = |name: &str| found.records.iter().find(|r| r.folder.ends_with(name)).unwrap();
    let said = |name: &str| of(name).said();
    assert_eq!(said("new"), (Verdict::In, "in tolerance".into()));
    assert_eq!(said("bad"), (Verdict::NotMeasured, "said to be in tolerance".into()));
    assert_eq!(said("moved"), (Verdict::NotProven, "in tolerance when measured".into()));
    assert!(of("new").noticed.iter().any(|text| text.contains("ANOTHER CAR")), "{:?}", of("new"));
    assert!(found.notices.is_empty() && found.records.len() == 3, "{found:?}");
    window.run();
    for words in ["said to be in tolerance", "in tolerance when measured; the hold watch raised", "ANOTHER CAR: VIN"] {
        assert!(window.says(words), "{words}");
    }
    window.check_accessibility();
}

/// Gives a command to the model and its tasks to the worker until something is so.
fn step(worker: &Worker, model: &mut Model, first: Option<Command>, until: &dyn Fn(&Model) -> bool) {
    use std::time::{Duration, Instant};
    let mut tasks = first.map(|c| model.apply(c)).unwrap_or_default();
    let begin = Instant::now();
    loop {
        tasks.drain(..).for_each(|task| worker.give(task));
        for event in worker.events() {
            tasks.extend(model.receive(event));
        }
        if until(model) && tasks.is_empty() {
            return;
        }
        assert!(begin.elapsed() < Duration::from_secs(300), "nothing came of it: {:?}", model.keeping);
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// A record that was kept.
fn record_in(folder: &str) -> plumbsight::panel::keeping::KeptRecord {
    plumbsight::panel::keeping::KeptRecord { folder: folder.into(), noticed: Vec::new() }
}

/// A record through the real worker: kept with what was typed in, found, confirmed, corrected; a flipped byte is named.
#[test]
fn the_worker_keeps_finds_corrects_and_rechecks_records() {
    use plumbsight::panel::keeping::{Doing, Form, RecordCommand, Routine};
    use plumbsight::record::keep::read_record;
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    plumbsight::record::unpack_demo(&folder).unwrap();
    let worker = Worker::start(Arc::new(|| {}));
    let mut model = Model::with(Settings { by_itself: false, ..Settings::default() });
    let record = |command| Command::Record(command);
    step(&worker, &mut model, Some(Command::Open(folder.clone())), &|m| m.ready().is_some());
    let mut form =
        Form { into: dir.path().join("records").display().to_string(), by: "A. Person".into(), ..Form::default() };
    form.outcome.scan_tool = "the shop's".into();
    form.outcome.routine = Some(Routine::Completed);
    model.apply(record(RecordCommand::Fill(Box::new(form))));
    step(&worker, &mut model, Some(record(RecordCommand::Keep)), &|m| !matches!(m.keeping.kept, Doing::Running));
    let Doing::Done(first) = model.keeping.kept.clone() else { panic!("{:?}", model.keeping.kept) };
    let first = first.folder;
    assert_eq!(read_record(&first).unwrap().outcome.unwrap().routine, "completed");

    step(&worker, &mut model, Some(record(RecordCommand::Find)), &|m| matches!(m.keeping.found, Doing::Done(_)));
    model.apply(record(RecordCommand::Query("person nothing-like-this".into())));
    assert_eq!(model.keeping.matching().1, 0);
    model.apply(record(RecordCommand::Query("a. PERSON".into())));
    assert_eq!(model.keeping.matching().0[0].folder, first);

    let mut form = model.keeping.form.clone();
    form.corrects = Some(first.clone());
    form.reason = "road test added".into();
    form.outcome.driven = Some(true);
    form.outcome.road_test = "20 km, nothing odd".into();
    model.apply(record(RecordCommand::Fill(Box::new(form))));
    step(&worker, &mut model, Some(record(RecordCommand::Keep)), &|m| !matches!(m.keeping.kept, Doing::Running));
    let Doing::Done(second) = model.keeping.kept.clone() else { panic!("{:?}", model.keeping.kept) };
    assert!(second.noticed.is_empty(), "{:?}", second.noticed);
    let second = second.folder;
    let corrected = read_record(&second).unwrap();
    assert_eq!((corrected.revision, corrected.outcome.unwrap().road_test_driven), (2, Some(true)));

    let rechecked = |m: &Model| matches!(&m.keeping.rechecked, Some((_, d)) if !matches!(d, Doing::Running));
    step(&worker, &mut model, Some(record(RecordCommand::Recheck(second.clone()))), &rechecked);
    let Some((_, Doing::Done(lines))) = &model.keeping.rechecked else { panic!("{:?}", model.keeping.rechecked) };
    assert_eq!(lines[0], (Verdict::In, "The record is confirmed.".into()));
    // Its report lies beside it, so that the record stays as it was.
    step(&worker, &mut model, Some(record(RecordCommand::Report(second.clone()))), &rechecked);
    let Some((_, Doing::Done(lines))) = &model.keeping.rechecked else { panic!("{:?}", model.keeping.rechecked) };
    let name = second.file_name().unwrap().to_string_lossy().into_owned();
    let pdf = second.with_file_name(format!("report-{name}.pdf"));
    assert_eq!(lines[0], (Verdict::In, format!("The report is in {}", pdf.display())));
    assert!(std::fs::read(&pdf).unwrap().starts_with(b"%PDF-"));
    // The first is corrected once more, by mistake: that is said at once.
    let mut form = model.keeping.form.clone();
    form.corrects = Some(first.clone());
    form.reason = "road test added".into();
    model.apply(record(RecordCommand::Fill(Box::new(form))));
    step(&worker, &mut model, Some(record(RecordCommand::Keep)), &|m| !matches!(m.keeping.kept, Doing::Running));
    let Doing::Done(third) = model.keeping.kept.clone() else { panic!("{:?}", model.keeping.kept) };
    assert!(third.noticed.len() == 1 && third.noticed[0].contains("was corrected before, by"), "{:?}", third.noticed);
    // A flipped byte is named, and said in the report.
    let spoilt = first.join("job/photos/004.jpg");
    let mut bytes = std::fs::read(&spoilt).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&spoilt, bytes).unwrap();
    step(&worker, &mut model, Some(record(RecordCommand::Recheck(first.clone()))), &rechecked);
    let Some((_, Doing::Done(lines))) = &model.keeping.rechecked else { panic!("{:?}", model.keeping.rechecked) };
    assert!(lines[0].0 == Verdict::Out && lines.iter().any(|(_, l)| l.contains("job/photos/004.jpg")), "{lines:?}");
    step(&worker, &mut model, Some(record(RecordCommand::Report(first.clone()))), &rechecked);
    let Some((_, Doing::Done(lines))) = &model.keeping.rechecked else { panic!("{:?}", model.keeping.rechecked) };
    // It was corrected before, and is damaged now.
    assert!(lines.len() == 3 && lines[1..].iter().all(|(verdict, _)| *verdict == Verdict::Out), "{lines:?}");
}

/// Two cameras at once: both pictures are shown, and one that is lost takes nothing from the other.
#[test]
fn two_cameras_are_read_together() {
    use plumbsight::panel::live::LiveRun;
    use std::time::{Duration, Instant};
    let (job, _) = demo();
    let mut wish = saved_sequence(job, false);
    let none = tempfile::tempdir().unwrap();
    wish.sources.push(wish.sources[0].clone());
    wish.sources.push(none.path().display().to_string());
    let run = LiveRun::start(wish, Arc::new(|| {}));
    let mut window = measured(USUAL);
    window.key_press(Key::Num3);
    window.app().command(Command::Live(true));
    let begin = Instant::now();
    let (mut both, mut fresh) = (0, 0);
    loop {
        match run.slot.take() {
            Some(LiveState::On(view)) => {
                if view.pictures().len() == 2 {
                    both += 1;
                    window.app().receive(Event::Live(LiveState::On(view.clone())));
                }
                fresh += usize::from(view.standing.is_some() && !view.stale);
            }
            Some(LiveState::Over(_)) => break,
            _ => {}
        }
        assert!(begin.elapsed() < Duration::from_secs(120), "nothing came of it");
        std::thread::sleep(Duration::from_millis(5));
    }
    assert!(both > 3 && fresh > 3, "{both} {fresh}");
    window.run();
    let pictures = window
        .root()
        .children_recursive()
        .filter(|n| n.accesskit_node().label().is_some_and(|l| l.starts_with("Picture ") && l.contains("stand")));
    assert_eq!(pictures.count(), 2);
    window.check_accessibility();
}

/// What the places look like: compared with the pictures in `fixtures/panel`, which the README shows.
///
/// A square of 12 pixels may differ by 12 of 255 on average: less than another digit makes, more than roundings of another processor.
/// `PLUMBSIGHT_NEW_PICTURES=1 cargo test --test panel pictures` paints them anew; then look at each.
#[test]
fn the_pictures_of_every_stage_are_as_they_were() {
    const ALIKE: f64 = 12.0;
    let anew = std::env::var_os("PLUMBSIGHT_NEW_PICTURES").is_some();
    let folder = repository("fixtures/panel");
    let mut other = Vec::new();
    for (name, size, look, set) in stages() {
        let picture = painted(size, look, &*set);
        let path = folder.join(format!("{name}.png"));
        let png = screen::png(&picture);
        if anew {
            std::fs::write(&path, png).unwrap();
            continue;
        }
        let kept = image::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display())).to_rgb8();
        let size = [kept.width() as usize, kept.height() as usize];
        assert_eq!(size, picture.size, "{name}");
        let kept = egui::ColorImage::from_rgb(size, kept.as_raw());
        let (off, at) = screen::difference(&kept, &picture);
        println!("{name}: the most a square of 12 pixels differs on average: {off:.2} of 255");
        if off > ALIKE {
            let now = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.png"));
            std::fs::write(&now, png).unwrap();
            other.push(format!("{name}: {off:.1} of 255 at {at:?}; it is now {}", now.display()));
        }
    }
    assert!(other.is_empty(), "{other:#?}");
    // The comparison sees another digit, another mark and a word that is cut.
    let (name, size, look, set) = stages().into_iter().find(|s| s.0 == "placing").unwrap();
    let before = painted(size, look, &*set);
    assert_eq!(screen::difference(&before, &painted(size, look, &*set)).0, 0.0, "{name} twice");
    type Changed = Box<dyn Fn(&mut LiveView)>;
    let changes: [Changed; 3] = [
        Box::new(|view| view.standing.as_mut().unwrap().six[0].deviation += 0.1),
        Box::new(|view| view.standing.as_mut().unwrap().six[5].verdict = Some(Verdict::NotProven)),
        Box::new(|view| view.sentence.truncate(view.sentence.len() - 2)),
    ];
    for change in changes {
        let after = painted(size, look, &|app: &mut PanelApp| {
            set(app);
            let LiveState::On(view) = &app.model.live else { panic!("it is live") };
            let mut view = (**view).clone();
            change(&mut view);
            app.model.live = LiveState::On(Arc::new(view));
        });
        let (off, at) = screen::difference(&before, &after);
        assert!(off > 1.5 * ALIKE, "{off} at {at:?}");
    }
}

type Set = Box<dyn Fn(&mut PanelApp)>;

/// The window with this in it, painted.
fn painted(size: [f32; 2], look: Look, set: &dyn Fn(&mut PanelApp)) -> egui::ColorImage {
    let mut screen = screen::Screen::new(size);
    let settings = Settings { look, by_itself: false, ..Settings::default() };
    let mut app = PanelApp::new(screen.context(), Model::with(settings), None);
    set(&mut app);
    screen.picture(|ui| app.show(ui))
}

/// The demonstration with the result that is kept beside the pictures, so that they do not change with the measurement; its folder is only a name.
fn pictured(app: &mut PanelApp) {
    static RESULT: OnceLock<Arc<ResultFile>> = OnceLock::new();
    let result = RESULT.get_or_init(|| {
        Arc::new(plumbsight::record::read_result(&repository("fixtures/panel/result.json")).expect("the kept result"))
    });
    static JOB: OnceLock<Arc<Job>> = OnceLock::new();
    let job = JOB.get_or_init(|| {
        let mut job = read_job(&repository("fixtures/bay-a"), Purpose::Verdict).unwrap();
        job.folder = "demonstration".into();
        Arc::new(job)
    });
    let list = plumbsight::record::read_readiness(&repository("fixtures/bay-a")).unwrap();
    let read = Opened::new(job.clone(), list);
    app.command(Command::Open(job.folder.clone()));
    app.receive(Event::Read(job.folder.clone(), Ok(read)));
    app.receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
}

/// A live reading of a stand that is out of tolerance: figures invented for the picture, over a frame of `fixtures/live-a`.
fn invented_live(app: &PanelApp, hold: Option<HoldView>) -> LiveState {
    static SEEN: OnceLock<Arc<plumbsight::panel::seen::Seen>> = OnceLock::new();
    let seen = SEEN.get_or_init(|| {
        let gray = plumbsight::capture::read_image(&repository("fixtures/live-a/001.jpg")).unwrap().gray;
        let kit = &demo().0.kit;
        let tags = plumbsight::panel::seen::owned(&plumbsight::tags::detect(&gray, &Default::default()), kit);
        Arc::new(plumbsight::panel::seen::Seen { name: "frame 212".into(), gray, tags })
    });
    let mut standing = app.model.standing().unwrap();
    standing.verdict = Verdict::Out;
    let invented = [(-4.2, 1.9), (12.4, 1.3), (1.1, 1.2), (-0.58, 0.06), (0.04, 0.05), (-0.02, 0.05)];
    for (figure, (deviation, expanded)) in standing.six.iter_mut().zip(invented) {
        (figure.deviation, figure.expanded) = (deviation, expanded);
        let state = |t: f64| match (deviation.abs() + expanded <= t, deviation.abs() - expanded > t) {
            (true, _) => Verdict::In,
            (_, true) => Verdict::Out,
            _ => Verdict::NotProven,
        };
        figure.verdict = figure.tolerance.map(state);
        figure.words = match figure.name {
            "lateral" => "12 mm too far to the car's left".into(),
            "yaw" => "turned 0.58° clockwise seen from above".into(),
            _ => "within its tolerance".into(),
        };
    }
    standing.moves = vec![
        "Turn the stand 0.60° counter-clockwise seen from above (10 mm at the end of a 1 m arm).".into(),
        "Slide the stand 12 mm towards the car's right.".into(),
    ];
    standing.remedies.clear();
    let body =
        |name: &str, stand, used| plumbsight::panel::live::LiveBody { name: name.into(), stand, used, rejected: 0 };
    LiveState::On(Arc::new(LiveView {
        sentence: standing.moves[0].clone(),
        standing: Some(standing),
        stale: false,
        motion: "moving",
        frames: 9,
        bodies: vec![body("stand", true, 4), body("floor sheet 103", false, 4), body("floor sheet 104", false, 4)],
        hold,
        ..LiveView::nothing(vec![plumbsight::panel::live::CameraView {
            source: "camera 0".into(),
            words: "An invented webcam, 1920 x 1080: 30 pictures a second".into(),
            seen: Some(seen.clone()),
            live: true,
        }])
    }))
}

/// A hold watch after a settling car: figures invented for the picture.
fn invented_hold() -> HoldView {
    use plumbsight::panel::watching::{BodyLine, Curve};
    use plumbsight::session::hold::Standing;
    let body = |name: &str, shift_mm, detectable_mm| BodyLine {
        name: name.into(),
        standing: Standing::Holds,
        shift_mm,
        detectable_mm,
    };
    let curve = |name: &str, up: f64| Curve {
        name: name.into(),
        points: (0..120)
            .map(|k| {
                let t = 0.5 * f64::from(k);
                (t, [(0.02, 0.1), (0.0, 0.1), (up * (-t / 11.0).exp(), 0.12)])
            })
            .collect(),
    };
    HoldView {
        watching_for: Some(std::time::Duration::from_secs(372)),
        blind: false,
        broken: false,
        so_far: vec![(true, "Watched for 6:12 min.".into())],
        bodies: vec![
            body("stand", [(0.1, 0.3), (-0.1, 0.2), (0.0, 0.2)], 0.6),
            body("floor sheet 103", [(0.0, 0.2), (0.0, 0.2), (0.1, 0.3)], 0.5),
            body("plate rear left", [(0.1, 0.4), (0.0, 0.3), (-0.2, 0.4)], 0.9),
        ],
        curves: vec![curve("plate rear left", 3.1), curve("stand", 0.3)],
        news: vec![
            (false, "1:02: the watch begins: everything rests.".into()),
            (
                false,
                "4:10: \"floor sheet 103\" has not been seen since 4:08: nothing is said of it until it is.".into(),
            ),
            (false, "4:31: \"floor sheet 103\" is seen again, after 0:23 of being hidden.".into()),
        ],
        trouble: None,
        log: Ok("demonstration/hold.jsonl".into()),
    }
}

/// Name, size, look, and how the stage is reached.
type Stage = (&'static str, [f32; 2], Look, Set);

/// The stages of the work that have a picture.
fn stages() -> Vec<Stage> {
    let stage = |name, size, look, set: Set| -> Stage { (name, size, look, set) };
    use plumbsight::panel::keeping::{Form, RecordCommand, RecordEvent};
    let at = |place: Place| -> Set {
        Box::new(move |app: &mut PanelApp| {
            pictured(app);
            app.command(Command::Go(place));
        })
    };
    let live = |far: bool| -> Set {
        Box::new(move |app: &mut PanelApp| {
            pictured(app);
            app.command(Command::Go(Place::Placing));
            app.model.live = invented_live(app, None);
            app.command(Command::Far(far));
        })
    };
    vec![
        stage("start", SMALL, Look::Light, Box::new(|_| {})),
        stage("bay", USUAL, Look::Light, at(Place::Bay)),
        stage("photographs", USUAL, Look::Light, at(Place::Photographs)),
        stage("placing", USUAL, Look::Light, live(false)),
        stage("placing-dark", SMALL, Look::Dark, live(false)),
        stage("far", SMALL, Look::Light, live(true)),
        stage(
            "hold",
            USUAL,
            Look::Light,
            Box::new(|app| {
                pictured(app);
                app.command(Command::Go(Place::Hold));
                app.model.holding = true;
                app.model.live = invented_live(app, Some(invented_hold()));
            }),
        ),
        stage(
            "record",
            USUAL,
            Look::Light,
            Box::new(|app| {
                pictured(app);
                app.command(Command::Go(Place::Record));
                let form = Form { into: "records".into(), by: "A. Person".into(), ..Form::default() };
                app.command(Command::Record(RecordCommand::Fill(Box::new(form))));
                app.command(Command::Record(RecordCommand::Keep));
                app.receive(Event::Record(RecordEvent::Recorded(Ok(record_in("records/2031-05-06-demonstration")))));
            }),
        ),
    ]
}

/// A view of a live reading of the station as the photographs had it, moved sideways by so many mm.
fn read_live(model: &Model, aside: f64, clock: &str) -> Event {
    let mut standing = model.standing().unwrap();
    standing.six[1].deviation += aside;
    if aside.abs() > 15.0 {
        standing.verdict = Verdict::Out;
    }
    let sentence = "Slide the stand.".to_owned();
    let view = LiveView {
        standing: Some(standing),
        surveyed: (aside.abs() > 15.0).then(|| model.standing().unwrap().six[1].clone()),
        clock: clock.into(),
        stale: false,
        sentence,
        ..LiveView::nothing(Vec::new())
    };
    Event::Live(LiveState::On(Arc::new(view)))
}

fn over() -> Event {
    Event::Live(LiveState::Over("All pictures of the folder have been played.".into()))
}

/// What the photographs said is never shown again as if it still held, once a live reading has found the stand elsewhere; until there are other photographs.
#[test]
fn a_live_reading_that_contradicts_the_photographs_outdates_them() {
    for by_key in [true, false] {
        let mut window = measured(USUAL);
        let (job, result) = demo();
        let marks = |names: [&str; 2]| names.map(str::to_owned).to_vec();
        let old = Opened { marks: marks(["a", "b"]), ..opened(job) };
        window.app().command(Command::Open(job.folder.clone()));
        window.app().receive(Event::Read(job.folder.clone(), Ok(old.clone())));
        window.app().receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
        window.key_press(Key::Num3);
        window.run();
        assert!(window.says("Move nothing. Lock the stand."));
        // One that agrees, by less than both U, outdates nothing.
        window.app().command(Command::Live(true));
        let agrees = read_live(&window.app().model, 0.5, "10:29");
        window.app().receive(agrees);
        window.app().receive(over());
        window.run();
        assert!(window.says("Move nothing. Lock the stand.") && !window.app().model.outdated());

        window.app().command(Command::Live(true));
        let contradicts = read_live(&window.app().model, 22.5, "10:31");
        window.app().receive(contradicts);
        window.run();
        assert!(window.says("out of tolerance"));
        if by_key {
            window.key_press(Key::C);
        } else {
            window.app().receive(over());
        }
        window.run();
        let mut lateral = window.app().model.standing().unwrap().six[1].clone();
        lateral.deviation += 22.5;
        let found = lateral.deviation_text(Lengths::Millimetres);
        for place in [Key::Num3, Key::Num5] {
            window.key_press(place);
            window.run();
            assert!(
                window.says("A live reading at 10:31 found the stand elsewhere") && window.says(&found),
                "{place:?}"
            );
            assert!(window.says("old: in tolerance") && window.says("old: stand elsewhere"));
            window.check_accessibility();
        }
        window.key_press(Key::Num3);
        window.key_press(Key::U);
        window.run();
        assert!(window.says(&lateral.deviation_text(Lengths::Inches)));
        window.key_press(Key::F);
        window.run();
        assert!(window.says("OLD RESULT. The stand has moved since") && !window.says("IN TOLERANCE"));
        window.key_press(Key::F);
        // The same photographs measured once more prove nothing new, nor does a reading that agrees again.
        window.app().receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
        assert!(window.app().model.outdated());
        // Nor do new ones while old ones are left.
        let mixed = Opened { marks: marks(["b", "c"]), ..old.clone() };
        window.app().receive(Event::Changed);
        window.app().receive(Event::Read(job.folder.clone(), Ok(mixed)));
        window.app().receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
        assert!(window.app().model.outdated());
        let new = Opened { marks: marks(["c", "d"]), ..old };
        window.app().receive(Event::Changed);
        window.app().receive(Event::Read(job.folder.clone(), Ok(new)));
        window.app().receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
        window.run();
        assert!(!window.app().model.outdated() && window.says("Move nothing. Lock the stand."));
    }
}

/// An alarm stays on every place and from afar, after the watch as well, until there are other photographs.
#[test]
fn an_alarm_of_the_hold_watch_outlives_the_watch() {
    let mut window = measured(USUAL);
    let (job, result) = demo();
    let alarm = "9.1 s: \"stand\" moved at 0:09: 3.4 mm to the car's left.";
    let moved = HoldView { broken: true, news: vec![(true, alarm.into())], ..invented_hold() };
    window.app().command(Command::Hold(true));
    let Event::Live(LiveState::On(view)) = read_live(&window.app().model, 3.4, "10:40") else { panic!("a view") };
    window.app().receive(Event::Live(LiveState::On(Arc::new(LiveView { hold: Some(moved), ..(*view).clone() }))));
    // While it runs, what is read from bodies that may have moved is no verdict either.
    window.key_press(Key::Num3);
    window.run();
    assert!(window.says("Placing: moved during hold") && window.says("old: in tolerance") && window.says(alarm));
    for ended in [false, true] {
        if ended {
            window.app().receive(over());
        }
        for place in [Key::Num3, Key::Num4] {
            window.key_press(place);
            window.key_press(Key::F);
            window.run();
            assert!(window.says("MOVED") && !window.says("IN TOLERANCE"), "{place:?} {ended}");
            window.key_press(Key::F);
            window.run();
        }
    }
    assert!(window.says("Hold: moved during hold") && window.says(alarm) && window.says("take ALL of the old ones"));
    window.key_press(Key::Num5);
    window.run();
    assert!(
        window.says("old: in tolerance when measured")
            && window.says(alarm)
            && window.says("Record: moved during hold")
    );
    window.check_accessibility();
    // Measured once more from the same photographs; the log tells the same again after a new start of the program.
    window.app().receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
    let log = Against { alarms: 1, newest: Some(alarm.into()), ..Against::default() };
    let again = Opened { against: log, marks: vec!["a".into()], ..opened(job) };
    window.app().command(Command::Open(job.folder.clone()));
    window.app().receive(Event::Read(job.folder.clone(), Ok(again.clone())));
    window.app().receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
    window.key_press(Key::Num3);
    window.run();
    assert!(window.says("old: in tolerance") && window.says(alarm));
    window.app().receive(Event::Changed);
    let new = Opened { against: Against::default(), marks: vec!["b".into()], ..again };
    window.app().receive(Event::Read(job.folder.clone(), Ok(new)));
    window.app().receive(Event::Checked(job.clone(), result.clone(), Ok(job.folder.join("result.json"))));
    window.run();
    assert!(window.says("Move nothing. Lock the stand.") && !window.says("moved during hold"));
}

/// The demonstration in a folder of its own, opened and measured by a panel that was just started.
fn started(folder: &std::path::Path) -> (Worker, Model) {
    let worker = Worker::start(Arc::new(|| {}));
    let mut model = Model::default();
    let measured = |m: &Model| m.outcome.as_ref().is_some_and(|o| matches!(o.origin, Origin::Checked(_)));
    step(&worker, &mut model, Some(Command::Open(folder.to_owned())), &measured);
    (worker, model)
}

/// Places in which a verdict is shown, and the far view: the verdict stands in none of them as if it still held.
fn shows_no_clean_verdict(model: Model, short: &str, record: &str, far: &str) {
    assert!(model.outdated() && model.result().unwrap().verdict == Verdict::In);
    let mut window = window(USUAL);
    window.run();
    window.app().model = model;
    for place in [Key::Num3, Key::Num5] {
        window.key_press(place);
        window.run_steps(3);
        assert!(window.says(&format!("Placing: {short}")) && window.says(&format!("Record: {record}")), "{place:?}");
        assert!(window.says("old: in tolerance") && window.says("ake the photographs again."), "{place:?}");
        let clean =
            window.root().children_recursive().any(|n| n.accesskit_node().label().as_deref() == Some("in tolerance"));
        assert!(!clean, "{place:?}");
        window.check_accessibility();
    }
    window.key_press(Key::F);
    window.run_steps(3);
    assert!(window.says(far) && !window.says("IN TOLERANCE"), "{far}");
}

/// A log of the hold watch that cannot be read may hold an alarm.
#[test]
fn a_hold_log_that_cannot_be_read_leaves_no_clean_verdict() {
    let dir = tempfile::tempdir().unwrap();
    for unreadable in ["a line that is cut off", "no file at all"] {
        let folder = dir.path().join(unreadable);
        plumbsight::record::unpack_demo(&folder).unwrap();
        let log = folder.join("hold.jsonl");
        match unreadable {
            "no file at all" => std::fs::create_dir(&log).unwrap(),
            _ => std::fs::write(&log, "{\"event\":\"opened\"}\n{\"event\":\"mov").unwrap(),
        }
        let (_worker, mut model) = started(&folder);
        let unreadable = "hold log unreadable";
        shows_no_clean_verdict(
            model.clone(),
            unreadable,
            unreadable,
            "OLD RESULT. The log of the hold watch cannot be read",
        );
        // Nor is a live reading a verdict: what it counts from may have moved.
        model.apply(Command::Live(true));
        let agrees = read_live(&model, 0.2, "10:29");
        model.receive(agrees);
        assert!(model.shown().is_some_and(|shown| shown.live && shown.old));
        shows_no_clean_verdict(model, unreadable, unreadable, "OLD RESULT. The log of the hold watch cannot be read");
    }
}

/// What a live reading found against the photographs is known after the window was closed and opened again, to the command too, until none of them is left.
#[test]
fn what_a_live_reading_found_outlives_the_window() {
    use plumbsight::panel::model::Task;
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    plumbsight::record::unpack_demo(&folder).unwrap();
    let (worker, mut model) = started(&folder);
    assert!(!model.outdated());
    // The camera is left out: what it would say is given to the model, what that wants to the worker.
    model.apply(Command::Live(true));
    let mut notes = 0;
    for aside in [20.1, 20.2, 20.3, 22.5, 22.4] {
        let event = read_live(&model, aside, "10:31");
        for task in model.receive(event) {
            assert!(matches!(task, Task::Note(..)), "{task:?}");
            notes += 1;
            worker.give(task);
        }
    }
    assert_eq!(notes, 1, "the third in a row, at once");
    let last = model.apply(Command::Live(false));
    assert!(matches!(last.as_slice(), [Task::Note(..), Task::EndLive]), "and the last word: {last:?}");
    last.into_iter().for_each(|task| worker.give(task));
    let lines = || std::fs::read_to_string(folder.join("hold.jsonl")).unwrap_or_default();
    step(&worker, &mut model, None, &|_| lines().lines().count() == 2);
    drop((worker, model));

    let (_worker, model) = started(&folder);
    assert_eq!(model.alarms(), 0, "it is no alarm of a watch");
    shows_no_clean_verdict(
        model,
        "old: stand elsewhere",
        "old: stand elsewhere",
        "OLD RESULT. The stand has moved since",
    );
    let check = || {
        let out =
            std::process::Command::new(env!("CARGO_BIN_EXE_plumbsight")).arg("check").arg(&folder).output().unwrap();
        (out.status.code(), String::from_utf8(out.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" "))
    };
    let (code, text) = check();
    assert!(
        code == Some(2) && text.contains("A live reading found the stand elsewhere than the photographs: lateral"),
        "{text}"
    );
    assert!(!text.contains("HOLD WATCH RAISED") && text.contains("take ALL of the old ones out"), "{text}");

    // Other photographs, none of the old: a byte more at their ends makes other files of them.
    for entry in std::fs::read_dir(folder.join("photos")).unwrap().flatten() {
        let mut bytes = std::fs::read(entry.path()).unwrap();
        bytes.push(0);
        std::fs::write(entry.path(), bytes).unwrap();
    }
    let (_worker, model) = started(&folder);
    assert!(!model.outdated() && lines().contains("new photographs"), "{}", lines());
    assert_eq!(check().0, Some(0));
}

/// A new job is made from the start page; a wrong path leads back there, with what is wrong beside it, and shows nothing of the job before.
#[test]
fn a_new_job_is_made_and_a_wrong_path_is_no_job() {
    use plumbsight::panel::keeping::{Doing, Form, RecordCommand, RecordEvent};
    let dir = tempfile::tempdir().unwrap();
    let worker = Worker::start(Arc::new(|| {}));
    let mut window = measured(USUAL);
    // A record of the job before is being kept.
    let form = Form { into: "records".into(), by: "A. Person".into(), ..Form::default() };
    window.app().command(Command::Record(RecordCommand::Fill(Box::new(form))));
    window.app().command(Command::Record(RecordCommand::Keep));
    let mut one = record_in("records/one");
    one.noticed.push("It is not signed.".into());
    window.app().receive(Event::Record(RecordEvent::Recorded(Ok(one))));
    window.key_press(Key::Num5);
    window.run();
    assert!(window.says("Kept in records/one") && window.says("It is not signed."));
    assert!(window.says("Record: record kept"));

    let wrong = dir.path().join("plumbsight-dem");
    std::fs::create_dir(dir.path().join("empty")).unwrap();
    for (path, why) in [(wrong.clone(), "there is no such folder"), (dir.path().join("empty"), "it holds no job.toml")]
    {
        let model = &mut window.app().model;
        step(&worker, model, Some(Command::Open(path.clone())), &|m| m.no_job.is_some());
        let problem = model.no_job.clone().unwrap();
        window.app().receive(Event::NoJob(path.clone(), problem));
        window.run();
        assert!(matches!(window.app().model.job, JobState::None) && window.says(why), "{why}");
        for key in [Key::Num5, Key::Num1] {
            window.key_press(key);
            window.run();
            assert!(!window.says("record kept") && !window.says("Kept in") && !window.says("in tolerance"), "{why}");
        }
        window.check_accessibility();
    }
    // What was on its way for the job before is not said of another.
    window.app().receive(Event::Record(RecordEvent::Recorded(Ok(record_in("records/two")))));
    assert_eq!(window.app().model.keeping.kept, Doing::Idle);

    let folder = dir.path().join("a/new-job");
    let new = Command::NewJob(folder.clone());
    let model = &mut window.app().model;
    step(&worker, model, Some(new.clone()), &|m| matches!(m.job, JobState::Refused(..)));
    assert!(folder.join("job.toml").exists() && folder.join("photos").is_dir());
    window.run();
    assert!(
        window.says("waits for a") && window.says("What belongs into a job folder") && window.says("ENTER and MEASURE")
    );
    window.check_accessibility();
    // Nothing is ever overwritten, and that is said where the path was typed.
    std::fs::write(folder.join("job.toml"), "mine").unwrap();
    let model = &mut window.app().model;
    step(&worker, model, Some(new), &|m| m.no_job.is_some());
    assert_eq!(std::fs::read_to_string(folder.join("job.toml")).unwrap(), "mine");
    window.run();
    assert!(window.says("it is there already"));
}

/// Beside a good verdict stands what is still open; what is old is old in every drawing; what was left out is listed first.
#[test]
fn a_good_verdict_is_not_all_there_is() {
    let mut window = measured(SMALL);
    let (open, of) = window.app().model.open_items();
    assert!(open > 0 && of > open - 1);
    let words = format!("Readiness: {open} of {of} are still open.");
    window.key_press(Key::Num3);
    window.run();
    assert!(window.says(&words));
    window.key_press(Key::F);
    window.run();
    assert!(window.says("IN TOLERANCE") && window.says(&words));
    window.key_press(Key::F);
    window.run();
    window.get_by_label("Show them").click();
    window.run();
    assert_eq!(window.app().model.place, Place::Bay);

    window.key_press(Key::Num2);
    window.run();
    assert!(window.says("stand centre: in tolerance"));
    let (job, result) = demo();
    let mut some = (**result).clone();
    for k in [4, 17] {
        some.photographs[k].used = false;
    }
    window.app().receive(Event::Checked(job.clone(), Arc::new(some), Ok(job.folder.join("result.json"))));
    assert_eq!(window.app().model.photographs()[..4], [4, 17, 0, 1]);
    for expected in [4, 17, 0] {
        window.key_press(Key::N);
        window.run_steps(3);
        assert_eq!(window.app().model.photograph, Some(expected));
    }
    window.app().command(Command::ShowPlan(true));
    window.app().receive(Event::Changed);
    window.run();
    assert!(window.says("stand centre: old: in tolerance"));
}

/// Where there is no screen the command says so in plain words, and nothing of a library's files.
#[cfg(target_os = "linux")]
#[test]
fn without_a_screen_the_reason_is_plain() {
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_plumbsight"))
        .arg("panel")
        .env_remove("DISPLAY")
        .env_remove("WAYLAND_DISPLAY")
        .env_remove("WAYLAND_SOCKET")
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stderr).split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(out.status.code(), Some(3), "{text}");
    assert!(text.contains("it cannot be opened (") && text.contains("`plumbsight check JOB`"), "{text}");
    assert!(!text.contains(".rs") && !text.contains("registry"), "{text}");
}
