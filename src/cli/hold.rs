//! `plumbsight hold`: whether everything stays where it is while the routine runs.

use crate::capture::address::shown;
use crate::cli::cameras::{SourceArguments, no_camera, ready, run};
use crate::cli::report::{MARGIN, line_after};
use crate::cli::say;
use crate::record::{HoldLine, HoldLog, photo_marks};
use crate::session::Failure;
use crate::session::hold::{
    AFTER_ALARM, HoldOptions, Lookout, NewsKind, Tally, clock_tenths, line_of_news, line_of_start,
};
use crate::session::replay::Go;
use crate::units::{deg_from_rad, mm_from_m};
use std::time::Instant;

pub(super) const HELP: &str = "\
After the verdict, while the routine runs: a camera on a tripod watches stand,
plates and floor sheets. When all rests the watch begins: a stand that is no
longer where it was judged is an alarm at once; what moves by more than its
detectable size is named, with time, size and direction, on the screen and in
hold.jsonl in the job folder. Hidden tags are \"not seen\", never \"moved\". Keep
people and metal out of the sensor's view while it is being calibrated.

Exit code 0: everything held. 1: something moved. 2: the watch never began, was
too short to find a motion, or did not see everything to the end.

Examples:
  plumbsight hold my-job --from \"camera 0\"
  plumbsight hold my-job --from frames --replay 10";

/// Watches that nothing moves.
pub(super) fn hold(arguments: &SourceArguments) -> Result<u8, Failure> {
    let ready = ready(arguments)?;
    let frames_per_s = arguments.replay.unwrap_or(HoldOptions::default().frames_per_s);
    let options = HoldOptions { frames_per_s, cameras: arguments.from.len(), ..HoldOptions::default() };
    let mut lookouts = Vec::new();
    for k in 0..arguments.from.len() {
        lookouts.push(Lookout::new(ready.base.clone(), k, &ready.setups[k], options).map_err(|e| no_camera(&e))?);
    }
    let mut log = HoldLog::open(&ready.job.folder)?;
    let started = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).ok().map(|d| d.as_secs());
    let sources: Vec<String> = arguments.from.iter().map(|from| shown(from)).collect();
    log.add(&HoldLine {
        photographs: photo_marks(&ready.job),
        ..line_of_start(&options, &sources, started.filter(|_| arguments.replay.is_none()))
    })?;
    say("Keep people and metal out of the sensor's view. Waiting until everything rests.\n");
    let mut failed = None;
    // What is said at the end must hold for every camera, to the end, and without a gap.
    let mut watched = vec![Tally::default(); arguments.from.len()];
    let mut trouble: Vec<Option<String>> = vec![None; arguments.from.len()];
    let mut seen: Vec<Option<Instant>> = vec![None; arguments.from.len()];
    run(arguments, &ready, &mut |camera, frame| {
        let report = lookouts[camera].see(frame.time, &frame.gray);
        watched[camera].take(&report);
        seen[camera] = Some(Instant::now());
        for news in &report.news {
            let mut out = String::new();
            line_after(&mut out, &format!("{:>10}  ", clock_tenths(news.time)), MARGIN, &news.sentence);
            say(&out);
            if news.kind == NewsKind::Begins {
                for body in &report.bodies {
                    say(&format!(
                        "            {}: a shift of {:.1} mm or a turn of {:.2}° is found in any direction\n",
                        body.name,
                        mm_from_m(body.detectable_m),
                        deg_from_rad(body.detectable_rad)
                    ));
                }
            }
            if let Err(problem) = log.add(&line_of_news(news)) {
                failed = Some(problem);
                return Go::Stop;
            }
        }
        if report.trouble != trouble[camera] {
            if let Some(text) = &report.trouble {
                say(&format!("{:>10}  {text}\n", clock_tenths(report.time)));
            }
            trouble[camera] = report.trouble;
        }
        Go::On
    })?;
    if let Some(problem) = failed {
        return Err(problem.into());
    }
    for (k, tally) in watched.iter_mut().enumerate() {
        let silence = seen[k].filter(|_| arguments.replay.is_none()).map(|t| t.elapsed());
        let last = tally.close(k, silence, &lookouts[k]);
        log.add(&last)?;
        let mut out = String::new();
        line_after(&mut out, "", "  ", &format!("{}: {}", shown(&arguments.from[k]), last.sentence));
        say(&out);
    }
    if watched.iter().any(|t| t.alarms() > 0) {
        let mut out = String::new();
        line_after(&mut out, "", "  ", AFTER_ALARM);
        say(&out);
    }
    say(&format!("Log written to {}\n", log.path().display()));
    Ok(match watched.iter().any(|t| t.alarms() > 0) {
        true => 1,
        false if watched.iter().all(Tally::whole) => 0,
        false => 2,
    })
}
