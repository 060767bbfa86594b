//! A repeatability study from the results of repeated checks.

use crate::record::result::{StationPart, Verdict};
use crate::record::{Notice, Problem, ResultFile, differs, read_result};
use crate::uncertainty::repeat::Repeat;
use std::path::{Path, PathBuf};

/// Where a job's result lies.
const RESULT_FILE: &str = "result.json";

/// The results of one series, each with the name of its file.
pub type Series = Vec<(String, ResultFile)>;

/// One of the six of one station over all checks.
pub struct ComponentStudy {
    /// `distance`, ...
    pub name: &'static str,
    /// `mm` or `deg`; all numbers are in it.
    pub unit: &'static str,
    /// The analysis of the deviations.
    pub repeat: Repeat,
    /// Standard uncertainties as stated, one for each check.
    pub stated_u: Vec<f64>,
}

impl ComponentStudy {
    /// Root mean square of the stated standard uncertainties.
    pub fn mean_u(&self) -> f64 {
        (self.stated_u.iter().map(|u| u * u).sum::<f64>() / self.stated_u.len().max(1) as f64).sqrt()
    }

    /// What is wrong, in a sentence; `None` where nothing is.
    pub fn fault(&self) -> Option<String> {
        let (name, unit) = (self.name, self.unit);
        if self.repeat.scatters_more_than(&self.stated_u) {
            return Some(format!(
                "{name} scatters by {:.3} {unit} within a series, more than its stated standard uncertainty of {:.3} {unit} lets expect: something \
                 changes from check to check that the job does not declare",
                self.repeat.s_within(),
                self.mean_u()
            ));
        }
        // A difference within what is stated contradicts nothing: the series may really differ, or share what U holds already.
        let between = self.repeat.s_between().filter(|s| *s > self.mean_u() && self.repeat.series_differ())?;
        Some(format!(
            "{name} differs from series to series by {between:.3} {unit} (standard deviation), more than its stated standard uncertainty of {:.3} {unit}: \
             find what differs between the series",
            self.mean_u()
        ))
    }
}

/// One station over all checks.
pub struct StationStudy {
    /// Its name.
    pub name: String,
    /// Those of the six that can be analysed.
    pub components: Vec<ComponentStudy>,
}

/// The study.
pub struct RepeatStudy {
    /// What was asked of the stand.
    pub placement: String,
    /// Checks in each series.
    pub checks: Vec<usize>,
    /// By station.
    pub stations: Vec<StationStudy>,
    /// What was left out.
    pub notices: Vec<Notice>,
}

/// Reads the results that the paths name, by series: files and job folders together are one series; a folder of job folders is one of its own.
///
/// # Errors
/// A path names no result, or a file is none.
pub fn read_series(paths: &[PathBuf]) -> Result<Vec<Series>, Problem> {
    let mut out: Vec<Series> = vec![Vec::new()];
    let one = |path: &Path| Ok::<_, Problem>((path.display().to_string(), read_result(path)?));
    for path in paths {
        if path.is_file() || !path.is_dir() {
            out[0].push(one(path)?);
        } else if path.join(RESULT_FILE).is_file() {
            out[0].push(one(&path.join(RESULT_FILE))?);
        } else {
            let cannot = |e: std::io::Error| {
                Problem::of_file(path.display().to_string(), format!("it cannot be read ({e})"), "Check the folder.")
            };
            let mut jobs: Vec<PathBuf> = Vec::new();
            for entry in std::fs::read_dir(path).map_err(cannot)? {
                jobs.push(entry.map_err(cannot)?.path().join(RESULT_FILE));
            }
            jobs.retain(|job| job.is_file());
            jobs.sort();
            if jobs.is_empty() {
                return Err(Problem::of_file(
                    path.display().to_string(),
                    "there is no result.json in it, nor in the folders in it",
                    "Run `plumbsight check JOB` for each job first; it writes result.json into the job folder.",
                ));
            }
            out.push(jobs.iter().map(|job| one(job)).collect::<Result<_, _>>()?);
        }
    }
    out.retain(|series| !series.is_empty());
    Ok(out)
}

/// Analyses the deviations of all stations.
///
/// # Errors
/// Fewer than two measured checks in every series, or checks of different placements.
pub fn study(series: &[Series]) -> Result<RepeatStudy, Problem> {
    let mut notices = Vec::new();
    let mut measured: Vec<Vec<&(String, ResultFile)>> = Vec::new();
    for one in series {
        let (kept, left): (Vec<_>, Vec<_>) = one.iter().partition(|(_, r)| r.verdict != Verdict::NotMeasured);
        notices.extend(left.into_iter().map(|(file, _)| Notice {
            about: file.clone(),
            text: "This check gave no measurement and is left out.".into(),
        }));
        measured.push(kept);
    }
    measured.retain(|one| !one.is_empty());
    let (Some((first_name, first)), true) = (measured.iter().flatten().next(), measured.iter().any(|s| s.len() > 1))
    else {
        return Err(Problem::of_file(
            "the results",
            "no series has two measured checks",
            "Check the same stand at least twice, with nothing moved in between; ten checks or more tell much more.",
        ));
    };
    let all: Vec<&(String, ResultFile)> = measured.iter().flatten().copied().collect();
    for (k, (name, result)) in all.iter().enumerate() {
        if let Some((before, _)) = all[..k].iter().find(|(_, other)| same_measurement(other, result)) {
            return Err(Problem::of_file(
                name.clone(),
                format!(
                    "it is the same measurement as {before}: counted twice it would make the scatter look smaller than it is"
                ),
                "Name each check once; a repeated check has photographs of its own.",
            ));
        }
        if let Some(what) = another_job(first, result) {
            return Err(Problem::of_file(
                name.clone(),
                format!("it is a check of something else than {first_name}: {what}"),
                "Study checks of one stand before one car together, with nothing moved in between.",
            ));
        }
    }
    let stations = first.stations.iter().map(|s| station_study(&s.name, &measured)).collect();
    Ok(RepeatStudy {
        placement: format!("{}, revision {}", first.placement.title, first.placement.revision),
        checks: measured.iter().map(Vec::len).collect(),
        stations,
        notices,
    })
}

/// Every deviation the same to the last digit: the same photographs, whatever the folder is called.
fn same_measurement(a: &ResultFile, b: &ResultFile) -> bool {
    let deviations = |r: &ResultFile| -> Vec<f64> {
        r.stations.iter().flat_map(|s| s.deviations.each().map(|(_, _, part)| part.deviation)).collect()
    };
    let (of_a, of_b) = (deviations(a), deviations(b));
    !of_a.is_empty() && of_a == of_b
}

/// What makes `other` a check of something else, in words.
fn another_job(first: &ResultFile, other: &ResultFile) -> Option<String> {
    let (p, q) = (&first.placement, &other.placement);
    let car = |r: &ResultFile| r.vehicle.as_ref().map(|v| (v.name.clone(), v.id.clone())).unwrap_or_default();
    let ((name, id), (other_name, other_id)) = (car(first), car(other));
    let same_stations = || {
        let asked = |s: &StationPart| s.deviations.each().map(|(_, _, d)| (d.required, d.tolerance));
        let of = |r: &ResultFile, name: &str| r.stations.iter().find(|s| s.name == name).map(asked);
        // A station that could not be measured in one of them is no other job.
        let both: Vec<bool> = first.stations.iter().filter_map(|s| Some(of(other, &s.name)? == asked(s))).collect();
        (both.is_empty() || both.contains(&false))
            .then(|| "its stations, or what is required of them, are not the same".to_owned())
    };
    differs("placement", Some(&q.title), Some(&p.title))
        .or_else(|| differs("placement's revision", Some(&q.revision), Some(&p.revision)))
        .or_else(|| differs("placement's source", Some(&q.source), Some(&p.source)))
        .or_else(|| differs("VIN", other.vin.as_deref(), first.vin.as_deref()))
        .or_else(|| differs("vehicle", other_name.as_deref(), name.as_deref()))
        .or_else(|| differs("vehicle id", other_id.as_deref(), id.as_deref()))
        .or_else(same_stations)
}

fn station_study(name: &str, measured: &[Vec<&(String, ResultFile)>]) -> StationStudy {
    let of_check = |(_, result): &&(String, ResultFile)| result.stations.iter().find(|s| s.name == name).cloned();
    let series: Vec<Vec<_>> = measured.iter().map(|one| one.iter().filter_map(of_check).collect()).collect();
    let components = (0..6).filter_map(|k| {
        let values: Vec<Vec<f64>> = series
            .iter()
            .map(|one: &Vec<StationPart>| one.iter().map(|s| s.deviations.each()[k].2.deviation).collect())
            .collect();
        let (name, unit, _) = series.iter().flatten().next()?.deviations.each()[k];
        let stated_u = series.iter().flatten().map(|s| s.deviations.each()[k].2.u).collect();
        Some(ComponentStudy { name, unit, repeat: Repeat::new(&values)?, stated_u })
    });
    StationStudy { name: name.to_owned(), components: components.collect() }
}
