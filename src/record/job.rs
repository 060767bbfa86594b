//! A whole job folder, read and checked: everything a measurement needs except the pixels.

use crate::body::Kit;
use crate::camera::Lens;
use crate::capture::exif::start_focal_px;
use crate::capture::replay::in_number_order;
use crate::capture::{CameraIdentity, read_image};
use crate::limits::MOST_PHOTOGRAPHS;
use crate::placement::{Placement, Reference, StandModel};
use crate::raster::ToneCurve;
use crate::readiness::Readiness;
use crate::record::document::Document;
use crate::record::files::{JobFile, LensUse, PhotographSet};
use crate::record::hold_log::HOLD_LOG;
use crate::record::keep::RESULT_FILE;
use crate::record::learn::{self, JobLearn};
use crate::record::lens_profile::{LensProfile, read_lens_profile};
use crate::record::outcome::OUTCOME_FILE;
use crate::record::pointer::{self, JobTouch};
use crate::record::problem::Problem;
use crate::record::readiness::{self, READINESS_FILE};
use crate::record::roll::{self, JobRoll};
use crate::record::{bodies, car, paths, placement, places};
use crate::vehicle::{FloorModel, VehicleModel};
use std::path::{Path, PathBuf};

/// The usual name of a job's own file.
pub const JOB_FILE: &str = "job.toml";

/// What stands for a lens profile in a job without one.
const UNKNOWN_LENS: &str = "unknown";

/// What the survey may do to the lenses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LensChoice {
    /// Corrected within the profile's own covariance; exact where the profile states none.
    WithinProfile,
    /// Taken as exact.
    Held,
    /// Found from these photographs alone.
    Free,
}

/// One photograph of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JobPhoto {
    /// Its name relative to the job folder, with `/` between the parts.
    pub name: String,
    /// Where it is.
    pub path: PathBuf,
    /// Index into [`Job::lenses`].
    pub lens: usize,
    /// Index of the station it shows; 0 where nothing is moved between stations.
    pub station: usize,
    /// Index of the roll position; 0 where the car was not rolled.
    pub position: usize,
}

/// Something the reader should know that does not stop the work.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// The file or thing it is about.
    pub about: String,
    /// One or more full sentences.
    pub text: String,
}

/// A job folder, read and checked.
#[derive(Clone, Debug)]
pub struct Job {
    /// The folder.
    pub folder: PathBuf,
    /// Free text.
    pub title: Option<String>,
    /// Known geometry.
    pub kit: Kit,
    /// Where the target sits on each stand.
    pub stands: Vec<StandModel>,
    /// How the sheets touch the floor.
    pub floor: FloorModel,
    /// The car as declared.
    pub vehicle: VehicleModel,
    /// Its identification number, in capitals.
    pub vin: Option<String>,
    /// Why its check digit was not looked at, in the job's words.
    pub vin_unchecked: Option<String>,
    /// The readiness list with its answers; `None` where the folder holds no `readiness.toml`.
    pub readiness: Option<Readiness>,
    /// What is asked.
    pub placement: Placement,
    /// The lens profiles that photographs name.
    pub lenses: Vec<LensProfile>,
    /// What the survey may do to them.
    pub lens_choice: LensChoice,
    /// There is no lens profile: the lens is a guess that the survey improves, and no verdict can be better than not proven.
    pub rough_lens: bool,
    /// The photographs, in the order of their names within each set.
    pub photos: Vec<JobPhoto>,
    /// Bodies (indices into the kit) that stand elsewhere at each station.
    pub moved_between_stations: Vec<usize>,
    /// The roll positions, where there are two or more.
    pub rolled: Option<JobRoll>,
    /// The body that is to be learned.
    pub learn: Option<JobLearn>,
    /// The pointer and what it touches, where photographs show that.
    pub touch: Option<JobTouch>,
    /// The job's own file, mostly `job.toml`.
    pub file: PathBuf,
    /// The file of the bodies, relative to the folder: what tells one kit from another.
    pub bodies_file: String,
    /// The other files that were read, relative to the folder: with these and the photographs the job is complete.
    pub inputs: Vec<String>,
    /// What was noticed while reading.
    pub notices: Vec<Notice>,
}

impl Job {
    /// Where its result goes.
    pub fn result_path(&self) -> PathBuf {
        result_beside(&self.file)
    }

    /// What is wrong where the placement is still the one that `plumbsight new` wrote: its figures are examples and nobody's procedure.
    pub fn still_template(&self) -> Option<Problem> {
        let written = [("source", &self.placement.source), ("revision", &self.placement.revision)];
        let unfilled: Vec<&str> =
            written.iter().filter(|(_, t)| t.starts_with("replace:")).map(|(key, _)| *key).collect();
        (!unfilled.is_empty()).then(|| {
            Problem::of_file(
                self.folder.join("placement.toml").display().to_string(),
                format!("`{}` still says what `plumbsight new` wrote: the placement counts as its example", unfilled.join("` and `")),
                "Enter source, revision, figures and tolerances from the published procedure; every figure in the example is invented.",
            )
        })
    }
}

/// Where the result of a job goes, by its folder or its own file: beside `job.toml` it is `result.json`, beside `job-b.toml` it is `result-job-b.json`, so that two jobs in one folder
/// do not overwrite each other's.
pub fn result_path(job: &Path) -> PathBuf {
    if job.is_file() { result_beside(job) } else { job.join(RESULT_FILE) }
}

fn result_beside(file: &Path) -> PathBuf {
    match file.file_stem() {
        Some(stem) if file.file_name().is_some_and(|name| name != JOB_FILE) => {
            file.with_file_name(format!("result-{}.json", stem.to_string_lossy()))
        }
        _ => file.with_file_name(RESULT_FILE),
    }
}

/// What a job is read for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// A verdict: the car and the placement are needed.
    Verdict,
    /// The survey alone: a job without car and placement will do.
    Survey,
    /// A body to be learned: neither car nor placement is needed, and a `[learn]` table is.
    Learn,
}

/// Reads a job from its folder or from its `job.toml`.
pub fn read_job(path: &Path, purpose: Purpose) -> Result<Job, Problem> {
    let (folder, file) = if path.is_file() {
        (paths::folder_of(path).to_owned(), path.to_owned())
    } else {
        (path.to_owned(), path.join(JOB_FILE))
    };
    if !folder.is_dir() {
        if let (Some(alike), Some(meant)) = (paths::alike(path), path.file_name()) {
            let what = format!("there is no such file, but \"{alike}\" is there");
            return Err(Problem::of_file(
                path.display().to_string(),
                what,
                format!("Rename it to {}.", meant.display()),
            ));
        }
        return Err(Problem::of_file(
            path.display().to_string(),
            "there is no such job folder",
            "Name the folder that holds job.toml; `plumbsight new DIR` writes one to start from.",
        ));
    }
    let document = Document::read(&file, &file.display().to_string(), "job")?;
    let raw: JobFile = document.typed()?;
    let part = |key: &str, written: &str, kind: &str| -> Result<Document, Problem> {
        let path = part_path(&document, &folder, key, written)?;
        Document::read(&path, &path.display().to_string(), kind)
    };
    let bodies_document = part("bodies", &raw.bodies, "bodies")?;
    let mut bodies = bodies::resolve(&bodies_document)?;
    places::attach(&bodies_document, &folder, &mut bodies)?;
    let learn = learn::resolve(&document, &raw, &bodies_document, &bodies.kit, purpose)?;
    let points = pointer::points(&document, &raw, bodies.pointer.as_ref(), &mut bodies.kit, bodies_document.name())?;
    let positions = roll::positions(&document, &raw)?;
    let vehicle = match (&raw.vehicle, purpose) {
        (Some(written), _) => {
            car::resolve(&document, written, &bodies.kit, bodies_document.name(), positions.len() > 1)?
        }
        (None, Purpose::Survey | Purpose::Learn) => {
            VehicleModel { name: None, id: None, wheels: Vec::new(), wheelbase: None, checks: Default::default() }
        }
        (None, Purpose::Verdict) => {
            return Err(document.problem(
                "",
                "no car is declared, so there is no thrust line to measure against",
                "Add a [vehicle] table with a [[vehicle.wheels]] table for each rear wheel; `plumbsight survey` works without.",
            ));
        }
    };
    let placement = match (&raw.placement, purpose) {
        (Some(file), _) => {
            let placement_document = part("placement", file, "placement")?;
            placement::resolve(&placement_document, &bodies.kit, &vehicle, bodies_document.name())?
        }
        (None, Purpose::Survey | Purpose::Learn) => Placement {
            title: String::new(),
            source: String::new(),
            revision: String::new(),
            reference: Reference::Floor,
            stations: Vec::new(),
        },
        (None, Purpose::Verdict) => {
            return Err(document.problem(
                "",
                "no placement is named, so there is nothing to judge",
                "Add placement = \"placement.toml\", written from the published procedure; `plumbsight survey` works without.",
            ));
        }
    };
    let rough_lens = raw.lens.as_deref() == Some(UNKNOWN_LENS) && raw.lenses.is_empty();
    let mut lenses = if rough_lens { vec![(String::new(), no_profile())] } else { lenses(&document, &raw, &folder)? };
    let moved = moved_between_stations(&document, &raw, &placement)?;
    let rolled = roll::resolve(&document, &raw, &positions, &vehicle, &placement, &bodies.kit, bodies_document.name())?;
    let (photos, set_of, seen) = photographs(&document, &raw, &folder, &lenses, &placement, &moved, &positions)?;
    let touch = pointer::holds(&document, &raw, bodies.pointer, points, &photos, &set_of)?;
    pointer::check_datums(&document, touch.as_ref(), rolled.as_ref(), &placement)?;
    let mut notices: Vec<Notice> = bodies.notices.into_iter().chain(seen).collect();
    if rough_lens {
        notices.push(guess_lens(&mut lenses[0].1, &photos));
    }
    let (readiness, readiness_list) = readiness::read_kept(&folder)?.unzip();
    let inputs = inputs(&folder, &raw, &bodies_document, readiness_list.flatten())?;
    Ok(Job {
        readiness,
        folder,
        title: raw.title,
        kit: bodies.kit,
        stands: bodies.stands,
        floor: FloorModel { level_reading: car::level_reading(&document, raw.level.as_ref())?, ..bodies.floor },
        vehicle,
        vin: raw.vehicle.as_ref().map(|v| car::vin(&document, v)).transpose()?.flatten(),
        vin_unchecked: raw.vehicle.as_ref().and_then(|v| v.vin_unchecked.clone()),
        placement,
        lenses: lenses.into_iter().map(|(_, profile)| profile).collect(),
        lens_choice: match raw.adjustment.lens {
            _ if rough_lens => LensChoice::Free,
            LensUse::Profile => LensChoice::WithinProfile,
            LensUse::Held => LensChoice::Held,
            LensUse::Free => LensChoice::Free,
        },
        rough_lens,
        photos,
        moved_between_stations: moved,
        rolled,
        learn,
        touch,
        file,
        bodies_file: raw.bodies,
        inputs,
        notices,
    })
}

/// The files that the job consists of besides its own file and its photographs, relative to its folder, each once.
fn inputs(
    folder: &Path,
    raw: &JobFile,
    bodies: &Document,
    readiness_list: Option<String>,
) -> Result<Vec<String>, Problem> {
    let mut out = vec![raw.bodies.clone()];
    out.extend(raw.placement.clone());
    out.extend(raw.lens.clone().filter(|l| l != UNKNOWN_LENS));
    out.extend(raw.lenses.values().cloned());
    out.extend(places::names(bodies)?);
    out.extend(readiness_list);
    let beside = [READINESS_FILE, OUTCOME_FILE, HOLD_LOG];
    for name in beside.iter().filter(|n| folder.join(n).exists()) {
        if !paths::lies_inside(folder, &folder.join(name)) {
            return Err(Problem::of_file(
                folder.join(name).display().to_string(),
                "it is a link that leads out of the job folder",
                "A job is one folder that is complete in itself: put the file itself there.",
            ));
        }
        out.push(name.to_string());
    }
    out.sort();
    out.dedup();
    Ok(out)
}

/// A lens of which nothing is known, until the photographs are.
fn no_profile() -> LensProfile {
    LensProfile {
        file: "(no lens profile)".into(),
        camera: "not known".into(),
        made: None,
        lens: Lens::pinhole(1, 1, 1.0),
        cov: None,
        tone: ToneCurve::Srgb,
        focus: None,
        identity: CameraIdentity::default(),
        made_from: None,
    }
}

/// Puts a first guess into a profile: the size of the first photograph that can be read, the focal length its camera writes for 35 mm film, or else three quarters of the
/// longer side (common practice, no source). The camera is then that photograph's: others of another camera or zoom are refused. Says what was assumed.
fn guess_lens(profile: &mut LensProfile, photos: &[JobPhoto]) -> Notice {
    let first = photos.iter().find_map(|p| Some((p, read_image(&p.path).ok()?)));
    let Some((photo, picture)) = first else {
        return Notice {
            about: profile.file.clone(),
            text: "No photograph can be read to start the lens from.".into(),
        };
    };
    let (width, height) = (picture.gray.width(), picture.gray.height());
    let identity = picture.exif.facts().map(|f| f.identity.clone()).unwrap_or_default();
    let written = start_focal_px(&identity, width, height);
    profile.lens = Lens::pinhole(width, height, written.unwrap_or(0.75 * width.max(height) as f64));
    profile.camera = identity.model.clone().unwrap_or_else(|| profile.camera.clone());
    profile.identity = identity;
    let from = match written {
        Some(_) => format!("the focal length for 35 mm film that {} states", photo.name),
        None => "a guess, because the photographs state no focal length for 35 mm film".to_owned(),
    };
    Notice {
        about: profile.file.clone(),
        text: format!(
            "There is no lens profile: the lens is found from these photographs alone, starting from {from}. That is good for a rough look, and no verdict is better than not proven. Make a \
             profile with `plumbsight lens`."
        ),
    }
}

/// The path of a file that the job names, checked to lie in the job folder.
pub(super) fn part_path(document: &Document, folder: &Path, key: &str, written: &str) -> Result<PathBuf, Problem> {
    let remedy = "A job is one folder that is complete in itself: copy the file into it and give its name relative to the folder.";
    if let Some(why) = paths::leaves_folder(written) {
        return Err(document.problem(key, format!("the file name {written:?} {why}"), remedy));
    }
    let path = folder.join(written);
    if !path.exists() {
        if let Some(alike) = paths::alike(&path) {
            let what = format!("`{key}` names \"{written}\", and there is only \"{alike}\"");
            return Err(document.problem(key, what, "Rename the file, or write its name here as it is."));
        }
        return Err(document.problem(
            key,
            format!("`{key}` names \"{written}\", and there is no such file in {}", folder.display()),
            "Correct the name or put the file there.",
        ));
    }
    if !paths::lies_inside(folder, &path) {
        return Err(document.problem(key, format!("\"{written}\" is a link that leads out of the job folder"), remedy));
    }
    Ok(path)
}

/// The lens profiles with the names that photographs use for them.
fn lenses(document: &Document, raw: &JobFile, folder: &Path) -> Result<Vec<(String, LensProfile)>, Problem> {
    let named: Vec<(String, String, String)> = match (&raw.lens, raw.lenses.is_empty()) {
        (Some(file), true) => vec![(String::new(), "lens".into(), file.clone())],
        (None, false) => raw.lenses.iter().map(|(n, f)| (n.clone(), format!("lenses.{n}"), f.clone())).collect(),
        (Some(_), false) => {
            return Err(document.problem(
                "lenses",
                "both `lens` and `lenses` are given",
                "Keep `lens` for one camera, `lenses` for several.",
            ));
        }
        (None, true) => {
            return Err(document.problem(
                "",
                "no lens profile is named",
                "Add lens = \"lens.toml\", the profile of the camera that took the photographs (`plumbsight lens` makes one), or lens = \"unknown\" for a rough survey.",
            ));
        }
    };
    let mut out = Vec::new();
    for (name, key, file) in named {
        let path = part_path(document, folder, &key, &file)?;
        let mut profile = read_lens_profile(&path, &path.display().to_string())?;
        // From here on the profile goes by its name in the job: a result must not depend on where the folder lies.
        profile.file = file;
        out.push((name, profile));
    }
    Ok(out)
}

/// The bodies that are moved between stations: the targets, where photographs name the station they show.
fn moved_between_stations(document: &Document, raw: &JobFile, placement: &Placement) -> Result<Vec<usize>, Problem> {
    let mut targets: Vec<usize> = placement.stations.iter().map(|s| s.target).collect();
    targets.sort_unstable();
    let shared = targets.windows(2).any(|w| w[0] == w[1]);
    targets.dedup();
    let named = raw.photographs.iter().filter(|set| set.station.is_some()).count();
    if placement.stations.len() < 2 || named == 0 {
        if shared {
            return Err(document.problem(
                "photographs",
                "one stand serves several stations, and no photograph says which station it shows",
                "Give every [[photographs]] table a station = \"NAME\" of the placement.",
            ));
        }
        return Ok(Vec::new());
    }
    match raw.photographs.iter().position(|set| set.station.is_none()) {
        Some(k) => Err(document.problem(
            &format!("photographs[{k}]"),
            "these photographs name no station while others do",
            "Add station = \"NAME\": the station at which the stand stood when they were taken.",
        )),
        None => Ok(targets),
    }
}

/// Photographs, for each the set that it is from, and what was noticed. They are in the order of roll positions, stations and names, whatever order the job lists them in.
type Photographs = (Vec<JobPhoto>, Vec<usize>, Vec<Notice>);

fn photographs(
    document: &Document,
    raw: &JobFile,
    folder: &Path,
    lenses: &[(String, LensProfile)],
    placement: &Placement,
    moved: &[usize],
    positions: &[String],
) -> Result<Photographs, Problem> {
    let mut photos: Vec<JobPhoto> = Vec::new();
    // By photograph: the set that it is from.
    let mut set_of: Vec<usize> = Vec::new();
    let mut notices = Vec::new();
    for (k, set) in raw.photographs.iter().enumerate() {
        let path = format!("photographs[{k}]");
        let lens = lens_of(document, &path, set, lenses)?;
        let station = match &set.station {
            None => 0,
            Some(name) => placement.stations.iter().position(|s| &s.name == name).ok_or_else(|| {
                let names: Vec<String> = placement.stations.iter().map(|s| format!("\"{}\"", s.name)).collect();
                document.problem(
                    &format!("{path}.station"),
                    format!("the placement has no station \"{name}\""),
                    format!("Its stations are: {}.", names.join(", ")),
                )
            })?,
        };
        // Where nothing is moved, all photographs show one and the same arrangement.
        let station = if moved.is_empty() { 0 } else { station };
        let position = roll::position_of(set, positions);
        for (i, written) in set.files.iter().enumerate() {
            let key = format!("{path}.files[{i}]");
            if let Some(why) = paths::leaves_folder(written) {
                return Err(document.problem(
                    &key,
                    format!("the photograph name {written:?} {why}"),
                    "A job is one folder that is complete in itself: copy the photographs into it.",
                ));
            }
            let files = if paths::has_wildcard(written) {
                paths::matching(folder, written)
            } else {
                vec![PathBuf::from(written)]
            };
            if files.is_empty() {
                let line =
                    document.line(&key).map(|l| format!(" (line {l} of {})", document.name())).unwrap_or_default();
                notices.push(Notice {
                    about: written.clone(),
                    text: format!(
                        "No file matches \"{written}\"{line}.{} Put the photographs there or correct the pattern.",
                        paths::others(folder, written)
                    ),
                });
            }
            // Before they are compared with each other: a pattern can match a million files.
            if photos.len() + files.len() > MOST_PHOTOGRAPHS {
                return Err(document.problem(
                    &key,
                    format!(
                        "the job has {} photographs or more, and {MOST_PHOTOGRAPHS} are the most",
                        photos.len() + files.len()
                    ),
                    "15 to 30 that each show several bodies are enough: name those, or move the others elsewhere.",
                ));
            }
            for file in files {
                let at = add_photo(document, &key, folder, file, (lens, station, position), &mut photos, &mut notices)?;
                set_of.resize(photos.len(), k);
                if let Some(at) = at
                    && !pointer::same_mark(&raw.photographs[set_of[at]], set)
                {
                    return Err(document.problem(
                        &key,
                        format!("the photograph \"{}\" is in two sets that differ in what the pointer does", photos[at].name),
                        "Keep every photograph in one set: put those with the pointer into a folder of their own, for example photos-touch/*.",
                    ));
                }
            }
        }
    }
    if photos.is_empty() {
        let remedy = notices.first().map(|n| n.text.clone()).unwrap_or_else(|| {
            "Copy the photographs into the job folder and name them in [[photographs]], for example files = [\"photos/*.jpg\"].".into()
        });
        return Err(document.problem("photographs", "the job has no photographs", remedy));
    }
    let mut both: Vec<(JobPhoto, usize)> = photos.into_iter().zip(set_of).collect();
    both.sort_by(|(a, _), (b, _)| {
        let place = |p: &JobPhoto| (p.position, p.station);
        place(a).cmp(&place(b)).then_with(|| in_number_order(&a.name, &b.name))
    });
    let (photos, set_of) = both.into_iter().unzip();
    Ok((photos, set_of, notices))
}

fn lens_of(
    document: &Document,
    path: &str,
    set: &PhotographSet,
    lenses: &[(String, LensProfile)],
) -> Result<usize, Problem> {
    let names: Vec<String> = lenses.iter().map(|(n, _)| format!("\"{n}\"")).collect();
    match &set.lens {
        None if lenses.len() == 1 => Ok(0),
        None => Err(document.problem(
            path,
            "several lenses are declared and these photographs do not say which they were taken with",
            format!("Add lens = one of {}.", names.join(", ")),
        )),
        Some(name) => lenses.iter().position(|(n, _)| n == name && !n.is_empty()).ok_or_else(|| {
            document.problem(
                &format!("{path}.lens"),
                format!("there is no lens \"{name}\""),
                "Declare it in the table `lenses` of the job, or leave `lens` out where the job has one lens only.",
            )
        }),
    }
}

/// Adds a photograph; gives the index of one that was there already.
#[allow(clippy::too_many_arguments)] // one call, one place; a struct for it would only rename the arguments
fn add_photo(
    document: &Document,
    key: &str,
    folder: &Path,
    file: PathBuf,
    (lens, station, position): (usize, usize, usize),
    photos: &mut Vec<JobPhoto>,
    notices: &mut Vec<Notice>,
) -> Result<Option<usize>, Problem> {
    let name = file
        .components()
        .filter(|c| !matches!(c, std::path::Component::CurDir))
        .map(|c| c.as_os_str().to_string_lossy().into_owned())
        .collect::<Vec<_>>()
        .join("/");
    let path = folder.join(&file);
    if path.exists() && !paths::lies_inside(folder, &path) {
        notices.push(Notice {
            about: name,
            text:
                "Not used: it is a link that leads out of the job folder. Copy the photograph itself into the folder."
                    .into(),
        });
        return Ok(None);
    }
    match photos.iter().position(|p| p.name == name) {
        None => photos.push(JobPhoto { name, path, lens, station, position }),
        // The same file through two patterns is no harm as long as both mean the same.
        Some(k) if (photos[k].lens, photos[k].station, photos[k].position) == (lens, station, position) => {
            return Ok(Some(k));
        }
        Some(_) => {
            return Err(document.problem(
                key,
                format!("the photograph \"{name}\" is in two sets that differ in lens, station or roll position"),
                "Keep every photograph in one set.",
            ));
        }
    }
    Ok(None)
}
