//! The panel's state, without window, thread or clock.

use super::*;
use crate::panel::keeping::{Doing, Form, RecordCommand, RecordEvent, RecordTask};
use crate::panel::live::LiveView;
use crate::panel::seen::Seen;
use crate::panel::standing::Standing;
use crate::panel::watching::HoldView;
use crate::record::result::{ResultFile, Verdict};
use crate::record::{Change, Purpose, read_job};
use crate::session::hold::Against;

/// The demonstration job, read from the fixtures.
fn demo() -> Arc<Job> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a");
    Arc::new(read_job(&folder, Purpose::Verdict).unwrap())
}

/// The job alone, with the shipped readiness list.
fn just(job: &Arc<Job>) -> Opened {
    Opened::new(job.clone(), crate::record::read_readiness(&job.folder).unwrap())
}

/// A result without any measurement.
fn nothing(job: &Job) -> Arc<ResultFile> {
    let look = crate::session::Look { photos: Vec::new(), refused: Vec::new(), notices: Vec::new() };
    Arc::new(crate::session::check_seen(job, look, Default::default(), &|_| {}))
}

fn opened() -> (Model, Arc<Job>) {
    let job = demo();
    let mut model = Model::default();
    let tasks = model.apply(Command::Open(job.folder.clone()));
    assert!(matches!(tasks.as_slice(), [Task::Stop, Task::EndLive, Task::Read(folder)] if *folder == job.folder));
    let tasks = model.receive(Event::Read(job.folder.clone(), Ok(just(&job))));
    assert!(matches!(tasks.as_slice(), [Task::Check(_)]), "an opened job is checked by itself: {}", tasks.len());
    (model, job)
}

#[test]
fn a_job_is_read_checked_and_shown() {
    let (mut model, job) = opened();
    assert!(model.work.is_some() && model.result().is_none());
    assert!(model.missing() == 0 && model.basis.len() > 8);
    model.receive(Event::Progress(Progress::Photographs { done: 3, of: 30 }));
    // Photographs finish in any order.
    model.receive(Event::Progress(Progress::Photographs { done: 2, of: 30 }));
    assert_eq!(model.work.unwrap().progress, Some(Progress::Photographs { done: 3, of: 30 }));
    let tasks = model.receive(Event::Checked(job.clone(), nothing(&job), Ok("result.json".into())));
    assert!(tasks.is_empty() && model.work.is_none());
    assert_eq!(model.result().unwrap().verdict, Verdict::NotMeasured);
    assert!(model.standing().is_none(), "nothing measured is never shown as a number");
    assert!(!model.outdated());
}

#[test]
fn a_change_in_the_folder_makes_the_result_old_and_checks_again() {
    let (mut model, job) = opened();
    model.receive(Event::Checked(job.clone(), nothing(&job), Ok("result.json".into())));
    let tasks = model.receive(Event::Changed);
    assert!(matches!(tasks.as_slice(), [Task::Read(_)]));
    assert!(model.outdated() && model.ready().is_some(), "the job as it was stays on the screen meanwhile");
    let tasks = model.receive(Event::Read(job.folder.clone(), Ok(just(&job))));
    assert!(matches!(tasks.as_slice(), [Task::Check(_)]));
    model.receive(Event::Checked(job.clone(), nothing(&job), Ok("result.json".into())));
    assert!(!model.outdated());
}

#[test]
fn a_change_while_a_check_runs_gives_that_up_and_checks_once_more() {
    let (mut model, job) = opened();
    model.receive(Event::Changed);
    let tasks = model.receive(Event::Read(job.folder.clone(), Ok(just(&job))));
    assert!(matches!(tasks.as_slice(), [Task::Stop]));
    let tasks = model.receive(Event::Stopped);
    assert!(matches!(tasks.as_slice(), [Task::Check(_)]));
    assert!(model.work.is_some_and(|w| !w.stopping));
}

#[test]
fn stopping_keeps_what_was_there() {
    let (mut model, job) = opened();
    model.receive(Event::Checked(job.clone(), nothing(&job), Ok("result.json".into())));
    assert!(matches!(model.apply(Command::Check).as_slice(), [Task::Check(_)]));
    assert!(matches!(model.apply(Command::Stop).as_slice(), [Task::Stop]));
    assert!(model.apply(Command::Stop).is_empty(), "once is enough");
    assert!(model.receive(Event::Stopped).is_empty());
    assert!(model.result().is_some() && model.work.is_none());
}

#[test]
fn a_result_of_a_job_that_was_closed_is_nobodys() {
    let (mut model, job) = opened();
    model.apply(Command::Open("elsewhere".into()));
    model.receive(Event::Checked(job.clone(), nothing(&job), Ok("result.json".into())));
    assert!(model.result().is_none());
    // Nor does a folder count that was wanted before.
    model.receive(Event::Read(job.folder.clone(), Ok(just(&job))));
    assert!(matches!(&model.job, JobState::Reading(folder) if folder == Path::new("elsewhere")));
}

#[test]
fn an_earlier_result_is_shown_as_earlier() {
    let job = demo();
    let mut model = Model::default();
    model.apply(Command::Set(Settings { by_itself: false, ..Settings::default() }));
    model.apply(Command::Open(job.folder.clone()));
    let tasks =
        model.receive(Event::Read(job.folder.clone(), Ok(Opened { earlier: Some(nothing(&job)), ..just(&job) })));
    assert!(tasks.is_empty(), "nothing runs by itself where that is switched off");
    assert!(model.result().is_some() && model.outdated());
}

#[test]
fn a_file_that_is_wrong_is_named_and_mended_by_saving_it() {
    let mut model = Model::default();
    let folder = PathBuf::from("job");
    model.apply(Command::Open(folder.clone()));
    let problem = Problem::of_file("job/job.toml", "it is wrong", "Correct it.");
    assert!(model.receive(Event::Read(folder.clone(), Err(problem.clone()))).is_empty());
    assert!(matches!(&model.job, JobState::Refused(_, p) if *p == problem));
    assert!(matches!(model.receive(Event::Changed).as_slice(), [Task::Read(f)] if *f == folder));
    let job = demo();
    model.receive(Event::Read(folder, Ok(just(&job))));
    assert!(model.ready().is_some());
}

#[test]
fn photographs_are_walked_through_and_the_last_wish_counts() {
    let (mut model, job) = opened();
    assert!(matches!(model.apply(Command::Photograph(1)).as_slice(), [Task::Look(_, 0)]));
    assert!(matches!(model.apply(Command::Photograph(1)).as_slice(), [Task::Look(_, 1)]));
    model.apply(Command::Photograph(-5));
    assert_eq!(model.photograph, Some(0));
    model.apply(Command::Photograph(500));
    assert_eq!(model.photograph, Some(job.photos.len() - 1));
    let old = Seen { name: job.photos[0].name.clone(), gray: crate::raster::Gray::filled(2, 2, 0), tags: Vec::new() };
    model.receive(Event::Seen(Arc::new(old)));
    assert!(matches!(&model.picture, PictureState::Reading(name) if *name == job.photos[job.photos.len() - 1].name));
    model.apply(Command::ShowPhotograph(job.photos[7].name.clone()));
    assert!(model.photograph == Some(7) && !model.show_plan);
}

#[test]
fn a_new_job_folder_is_not_judged_against_the_example_placement() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("new");
    for path in crate::record::write_template(&folder).unwrap() {
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, crate::record::with_examples(&text)).unwrap();
    }
    std::fs::write(folder.join("photos/1.jpg"), "x").unwrap();
    let job = Arc::new(read_job(&folder, Purpose::Verdict).unwrap());
    let mut model = Model::default();
    model.apply(Command::Open(folder.clone()));
    assert!(model.receive(Event::Read(folder, Ok(just(&job)))).is_empty(), "no check");
    assert!(model.apply(Command::Check).is_empty());
    assert!(model.missing() >= 2, "the example placement and the single photograph are missing");
}

#[test]
fn settings_keep_sizes_within_bounds() {
    let mut model = Model::default();
    model.apply(Command::Set(Settings { text_scale: 9.0, ..Settings::default() }));
    assert_eq!(model.settings.text_scale, TEXT_SCALE.1);
}

#[test]
fn answers_are_kept_and_come_into_the_result() {
    let (mut model, job) = opened();
    model.receive(Event::Checked(job.clone(), nothing(&job), Ok("result.json".into())));
    let open = model.answers().iter().filter(|p| p.state == "open").count();
    assert!(open > 5, "the shipped list, nothing answered");
    let id = model.answers()[0].id.clone();
    let change =
        Change { id: id.clone(), answer: crate::readiness::Answer::NotApplicable("no lift here".into()), note: None };
    assert!(
        matches!(model.apply(Command::Answer(change.clone())).as_slice(), [Task::Answer(folder, c)] if *folder == job.folder && *c == change)
    );
    let mut list = model.list.clone().unwrap();
    list.entries.push(crate::readiness::Entry { id: change.id, answer: change.answer, note: None });
    let tasks = model.receive(Event::Answered(job.folder.clone(), Ok(list)));
    assert_eq!(model.answers().iter().filter(|p| p.state == "open").count(), open - 1);
    let [Task::Keep(_, result)] = tasks.as_slice() else { panic!("the result is written again") };
    assert!(result.readiness.iter().any(|p| p.id == id && p.words == "no lift here"));
    // An answer that cannot be kept is not shown as given.
    let problem = Problem::of_file("readiness.toml", "it cannot be written", "Make room.");
    model.receive(Event::Answered(job.folder.clone(), Err(problem)));
    assert!(model.not_kept.is_some());
}

#[test]
fn a_live_reading_takes_the_place_of_the_check_and_never_outlives_its_job() {
    let (mut model, job) = opened();
    model.apply(Command::Camera(CameraChoice {
        source: "http://192.168.1.20/video; camera 1 ;".into(),
        ..CameraChoice::default()
    }));
    let tasks = model.apply(Command::Live(true));
    assert!(
        matches!(tasks.as_slice(), [Task::Live(wish)] if wish.sources == ["http://192.168.1.20/video", "camera 1"] && wish.station == 0)
    );
    model.receive(Event::Live(LiveState::Over("the camera is gone".into())));
    assert!(matches!(&model.live, LiveState::Over(why) if why == "the camera is gone"));
    model.apply(Command::Live(true));
    assert!(matches!(model.apply(Command::Live(false)).as_slice(), [Task::EndLive]));
    model.receive(Event::Live(LiveState::Preparing(None)));
    assert!(matches!(model.live, LiveState::Off), "a late word does not bring it back");
    model.apply(Command::Live(true));
    let tasks = model.apply(Command::Open(job.folder.clone()));
    assert!(tasks.iter().any(|t| matches!(t, Task::EndLive)) && matches!(model.live, LiveState::Off));
}

#[test]
fn while_the_camera_moves_only_out_is_shown_as_it_is() {
    let (mut model, _) = opened();
    model.apply(Command::Live(true));
    let mut shown = |camera_moves, verdict| {
        let standing = Standing { verdict, ..crate::panel::stake::tests::standing() };
        let view = LiveView { standing: Some(standing), stale: false, camera_moves, ..LiveView::nothing(Vec::new()) };
        model.receive(Event::Live(LiveState::On(Arc::new(view))));
        model.shown().expect("a live reading")
    };
    assert!(!shown(false, Verdict::In).old);
    assert!(shown(true, Verdict::In).old && shown(true, Verdict::NotProven).old);
    assert!(!shown(true, Verdict::Out).old);
}

#[test]
fn a_record_is_kept_once_somebody_is_named() {
    let (mut model, job) = opened();
    let keep = || Command::Record(RecordCommand::Keep);
    assert!(model.apply(keep()).is_empty(), "nobody is named");
    let form = Form { into: "records".into(), by: "A. Person".into(), ..Form::default() };
    model.apply(Command::Record(RecordCommand::Fill(Box::new(form.clone()))));
    let tasks = model.apply(keep());
    assert!(
        matches!(tasks.as_slice(), [Task::Record(RecordTask::Keep(folder, f))] if *folder == job.folder && **f == form)
    );
    assert!(model.apply(keep()).is_empty(), "one at a time");
    model.receive(Event::Record(RecordEvent::Recorded(Err("the disk is full".into()))));
    assert_eq!(model.keeping.kept, Doing::Failed("the disk is full".into()));
    assert_eq!(model.apply(keep()).len(), 1);
}

#[test]
fn what_is_typed_stays_while_photographs_arrive_and_goes_with_the_job() {
    let (mut model, job) = opened();
    let mut form = Form { into: "records".into(), ..Form::default() };
    form.outcome.scan_tool = "the shop's".into();
    model.apply(Command::Record(RecordCommand::Fill(Box::new(form))));
    model.receive(Event::Changed);
    model.receive(Event::Read(job.folder.clone(), Ok(just(&job))));
    assert_eq!(model.keeping.form.outcome.scan_tool, "the shop's");
    model.apply(Command::Open(job.folder.clone()));
    model.receive(Event::Read(job.folder.clone(), Ok(just(&job))));
    assert!(model.keeping.form.outcome.scan_tool.is_empty() && model.keeping.form.into == "records");
}

#[test]
fn alarms_of_the_log_are_counted_once() {
    let (mut model, job) = opened();
    model.apply(Command::Hold(true));
    let hold = HoldView {
        watching_for: None,
        blind: false,
        broken: true,
        bodies: Vec::new(),
        curves: Vec::new(),
        news: vec![(true, "moved".into()), (false, "not seen".into())],
        trouble: None,
        so_far: vec![(false, "Watched for 0:10 min.".into())],
        log: Ok("hold.jsonl".into()),
    };
    let view = LiveView { hold: Some(hold), ..LiveView::nothing(Vec::new()) };
    model.receive(Event::Live(LiveState::On(Arc::new(view))));
    assert_eq!(model.alarms(), 1);
    // The folder is read again while the watch runs: its log holds the same alarm.
    model.receive(Event::Changed);
    model.receive(Event::Read(
        job.folder.clone(),
        Ok(Opened { against: Against { alarms: 1, ..Against::default() }, ..just(&job) }),
    ));
    assert_eq!(model.alarms(), 1);
    // A line that cannot be read is no line less.
    let torn = Opened {
        against: Against { alarms: 1, doubt: Some("a torn line".into()), ..Against::default() },
        ..just(&job)
    };
    model.receive(Event::Changed);
    model.receive(Event::Read(job.folder.clone(), Ok(torn)));
    assert_eq!((model.alarms(), model.later.doubt()), (1, Some("a torn line")));
    // What it came to stays to be read, until there is another one.
    model.apply(Command::Hold(false));
    assert_eq!(model.watched, [(false, "Watched for 0:10 min.".to_owned())]);
    // A new watch forgets nothing.
    model.apply(Command::Hold(true));
    assert!(model.alarms() == 1 && model.watched.is_empty());
    model.apply(Command::Open(job.folder.clone()));
    assert_eq!((model.alarms(), model.later.doubt()), (0, None));
}

/// Saved pictures that are played again say nothing of where the stand is now.
#[test]
fn a_replay_outdates_nothing() {
    for replay in [false, true] {
        let (mut model, job) = opened();
        model.apply(Command::Camera(CameraChoice { replay, ..model.camera.clone() }));
        model.apply(Command::Live(true));
        let before = crate::panel::stake::tests::standing();
        for k in 0..4 {
            let mut now = before.clone();
            now.six[1].deviation += 30.0 + 0.1 * f64::from(k);
            let surveyed = Some(before.six[1].clone());
            let view = LiveView { standing: Some(now), surveyed, stale: false, ..LiveView::nothing(Vec::new()) };
            let notes = model.receive(Event::Live(LiveState::On(Arc::new(view))));
            assert_eq!(notes.len(), usize::from(!replay && k == 2), "{replay} {k}");
        }
        let ended = model.apply(Command::Live(false));
        assert_eq!(ended.iter().any(|task| matches!(task, Task::Note(..))), !replay);
        assert_eq!(model.later.is(), !replay, "{}", job.folder.display());
    }
}

#[test]
fn the_hold_watch_is_asked_for_by_itself() {
    let (mut model, _) = opened();
    assert!(matches!(model.apply(Command::Hold(true)).as_slice(), [Task::Live(wish)] if wish.hold));
    assert!(model.holding);
    assert!(matches!(model.apply(Command::Hold(false)).as_slice(), [Task::EndLive]));
    assert!(matches!(model.apply(Command::Live(true)).as_slice(), [Task::Live(wish)] if !wish.hold));
}
