//! What a job's files say about car, bay and placement, and what is missing: plain lines, before anything is measured. (What a person answers is
//! `crate::readiness`.)

use crate::body::BodyKind;
use crate::panel::figures::Lengths;
use crate::placement::{Component, Datum, Reference};
use crate::record::{Job, LensChoice};
use crate::uncertainty::Estimate;
use crate::units::{deg_from_rad, mm_from_m};

/// How a line stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Strength {
    /// It keeps a verdict from being given, or from being good.
    Missing,
    /// It costs uncertainty or is not known; the measurement goes on.
    Weak,
    /// As it should be.
    There,
}

impl Strength {
    /// The word beside the mark.
    pub fn word(self) -> &'static str {
        match self {
            Strength::There => "there",
            Strength::Weak => "weak",
            Strength::Missing => "missing",
        }
    }
}

/// One line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// How it stands.
    pub state: Strength,
    /// What it is about: one or two words.
    pub about: &'static str,
    /// What the job says.
    pub text: String,
    /// What to do, where something is to be done.
    pub remedy: Option<String>,
}

fn item(state: Strength, about: &'static str, text: impl Into<String>, remedy: Option<&str>) -> Line {
    Line { state, about, text: text.into(), remedy: remedy.map(str::to_owned) }
}

/// All lines of a job, in the order of the work.
pub fn basis(job: &Job) -> Vec<Line> {
    use Strength::{Missing, There, Weak};
    let mut out = Vec::new();
    if let Some(problem) = job.still_template() {
        let text = format!("{}.", crate::verdict::words::capital(&problem.what));
        out.push(item(Missing, "placement", text, Some(&problem.remedy)));
    } else {
        let p = &job.placement;
        let title = if p.title.is_empty() { "no title" } else { &p.title };
        out.push(item(There, "placement", format!("{title}; source: {}; revision: {}", p.source, p.revision), None));
    }
    out.push(car(job));
    out.push(wheels(job));
    out.push(run_out(job));
    if needs_wheelbase(job) {
        let front = job.vehicle.wheels.iter().any(|w| !w.corner.is_rear());
        let (state, text, remedy) = match job.vehicle.wheelbase {
            _ if front => (There, "measured: both axles carry plates".to_owned(), None),
            Some(w) => (
                There,
                format!("{:.1} mm, standard uncertainty {:.1} mm", mm_from_m(w.value_m), mm_from_m(w.u_m)),
                None,
            ),
            None => (
                Missing,
                "a distance counts from the front axle, and the wheelbase is not known".to_owned(),
                Some("Put plates on the front wheels or state wheelbase_mm in job.toml."),
            ),
        };
        out.push(item(state, "wheelbase", text, remedy));
    }
    out.push(floor(job));
    out.push(vertical(job));
    out.push(prints(job));
    out.push(stands(job));
    out.push(lens(job));
    out.push(match job.photos.len() {
        0 | 1 => item(
            Missing,
            "photographs",
            "fewer than two",
            Some("Take 15 to 30 from all around, each showing at least two bodies."),
        ),
        n @ 2..=9 => item(Weak, "photographs", format!("{n} so far"), Some("15 to 30 from all around are usual.")),
        n => item(There, "photographs", format!("{n} in the job"), None),
    });
    out
}

fn car(job: &Job) -> Line {
    let named: Vec<&str> = [job.vehicle.name.as_deref(), job.vehicle.id.as_deref()].into_iter().flatten().collect();
    match named.as_slice() {
        [] => item(
            Strength::Weak,
            "car",
            "no name and no id",
            Some("Give name or id under [vehicle], so that the record says which car it was."),
        ),
        parts => item(Strength::There, "car", parts.join(", "), None),
    }
}

fn wheels(job: &Job) -> Line {
    let names: Vec<String> =
        job.vehicle.wheels.iter().map(|w| format!("{} ({})", w.corner.name(), job.kit.bodies[w.plate].name)).collect();
    item(Strength::There, "plates", names.join(", "), None)
}

/// What the plates' run-out alone makes of the thrust line, against the yaw tolerance.
fn run_out(job: &Job) -> Line {
    if let Some(roll) = &job.rolled {
        let text = format!("taken out by rolling: {} roll positions", roll.car.positions.len());
        return item(Strength::There, "run-out", text, None);
    }
    // Each rear plate's limit r has u = r/√2 about the vertical (JCGM 101, 6.4.6); the thrust line is the mean of the two.
    let squares: f64 = job.vehicle.wheels.iter().filter(|w| w.corner.is_rear()).map(|w| w.run_out_rad.powi(2)).sum();
    let expanded = deg_from_rad(Estimate::new(0.0, (squares / 8.0).sqrt()).expanded);
    let yaw = Component::Yaw.index();
    let tolerance = job.placement.stations.iter().filter_map(|s| s.tolerance[yaw]).fold(f64::INFINITY, f64::min);
    let tolerance = tolerance.is_finite().then(|| deg_from_rad(tolerance));
    let edge = Lengths::default().edge(true);
    let text =
        format!("not rolled: the stated run-out alone makes U(yaw) of the thrust line {}", edge.expanded(expanded));
    let remedy = "Roll the car (two or more roll positions), or measure the clamps and state the smaller run_out_deg.";
    match tolerance {
        Some(t) if expanded >= t => item(
            Strength::Missing,
            "run-out",
            format!("{text}; the tolerance is {}, so that yaw can never be proven", edge.within(t)),
            Some(remedy),
        ),
        Some(t) if expanded >= 0.5 * t => {
            item(Strength::Weak, "run-out", format!("{text}; the tolerance is {}", edge.within(t)), Some(remedy))
        }
        _ => item(Strength::There, "run-out", text, None),
    }
}

fn needs_wheelbase(job: &Job) -> bool {
    job.placement.stations.iter().any(|s| matches!(s.datum, Datum::FrontAxle))
}

fn floor(job: &Job) -> Line {
    let n = job.kit.bodies.iter().filter(|b| b.kind == BodyKind::FloorSheet).count();
    match n {
        0..=2 => item(
            Strength::Missing,
            "floor",
            format!("{n} floor sheets"),
            Some("Lay at least three, better six or more, around car and stand."),
        ),
        3..=5 => item(
            Strength::Weak,
            "floor",
            format!("{n} floor sheets"),
            Some("Six or more show an uneven floor and tie the photographs better."),
        ),
        _ => item(Strength::There, "floor", format!("{n} floor sheets"), None),
    }
}

fn vertical(job: &Job) -> Line {
    let plumb = job.kit.bodies.iter().any(|b| b.kind == BodyKind::PlumbLine);
    match (job.placement.reference, plumb, job.floor.level_reading) {
        (Reference::Floor, ..) => {
            item(Strength::There, "level", "height, pitch and roll count from the floor through the sheets", None)
        }
        (Reference::Vertical, true, _) => item(Strength::There, "level", "the vertical comes from a plumb line", None),
        (Reference::Vertical, false, Some(_)) => {
            item(Strength::There, "level", "the vertical comes from an inclinometer reading", None)
        }
        (Reference::Vertical, false, None) => item(
            Strength::Weak,
            "level",
            format!(
                "the vertical comes from the floor, declared level to {:.1} mm/m",
                mm_from_m(job.floor.u_level_rad)
            ),
            Some("A plumb line with its sheet, or an inclinometer reading under [level], is surer."),
        ),
    }
}

fn prints(job: &Job) -> Line {
    let guessed: Vec<&str> = job.kit.prints.iter().filter(|p| !p.measured).map(|p| p.name.as_str()).collect();
    if guessed.is_empty() {
        return item(Strength::There, "print size", "measured", None);
    }
    item(
        Strength::Weak,
        "print size",
        format!("not measured: {}", guessed.join(", ")),
        Some("Measure both scale bars of one sheet and enter bar_x_mm and bar_y_mm in bodies.toml."),
    )
}

fn stands(job: &Job) -> Line {
    let mut names: Vec<String> = Vec::new();
    for station in &job.placement.stations {
        let tags = job.kit.bodies[station.target].tags.len();
        names.push(format!("{}: \"{}\", {tags} tags", station.name, job.kit.bodies[station.target].name));
    }
    item(Strength::There, "stand", names.join("; "), None)
}

fn lens(job: &Job) -> Line {
    if job.rough_lens {
        return item(
            Strength::Missing,
            "lens",
            "no lens profile: nothing better than not proven can come out",
            Some("Photograph the lens board and run `plumbsight lens`."),
        );
    }
    let cameras: Vec<&str> = job.lenses.iter().map(|l| l.camera.as_str()).collect();
    match job.lens_choice {
        LensChoice::Held => item(
            Strength::Weak,
            "lens",
            format!("{}; taken as exact", cameras.join(", ")),
            Some("Leave `lens` out of [adjustment], so that the profile's own uncertainty counts."),
        ),
        LensChoice::Free => {
            item(Strength::Weak, "lens", format!("{}; found from these photographs alone", cameras.join(", ")), None)
        }
        LensChoice::WithinProfile => item(Strength::There, "lens", cameras.join(", "), None),
    }
}

/// What the placement asks of each station, one line each: component, required, tolerance.
pub fn asked(job: &Job, lengths: Lengths) -> Vec<(String, Vec<[String; 3]>)> {
    let one = |component: Component, required: f64, tolerance: Option<f64>| {
        let at_edge = if component.is_angle() { deg_from_rad } else { mm_from_m };
        let edge = lengths.edge(component.is_angle());
        let tolerance = tolerance.map_or_else(|| "not asked".into(), |t| edge.within(at_edge(t)));
        [component.name().to_owned(), edge.asked(at_edge(required)), tolerance]
    };
    job.placement
        .stations
        .iter()
        .map(|s| {
            let lines = Component::ALL.map(|c| one(c, s.required[c.index()], s.tolerance[c.index()]));
            (s.name.clone(), lines.to_vec())
        })
        .collect()
}

/// What distances count from, in words.
pub fn datum_words(job: &Job, station: usize) -> String {
    match job.placement.stations.get(station).map(|s| s.datum) {
        Some(Datum::RearAxle) => "from the middle of the rear axle".into(),
        Some(Datum::FrontAxle) => "from the middle of the front axle".into(),
        Some(Datum::Point { .. }) => "from a point of the car".into(),
        Some(Datum::Body { body, .. }) => format!("from \"{}\"", job.kit.bodies[body].name),
        None => String::new(),
    }
}
