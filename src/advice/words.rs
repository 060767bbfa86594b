//! The advice in words.

use super::places::{Candidate, Ground};
use super::{AdviceInput, Better, Deciding, Hiding};
use crate::placement::Component;
use crate::units::{deg_from_rad, mm_from_m};
use crate::verdict::words::{capital, kind_name, remedy, undecided};
use crate::verdict::{BudgetSource, StationResult};
use nalgebra::Vector3;

/// Parts of a place smaller than this are not said, m.
const SMALL_M: f64 = 0.15;

/// Bodies named at most; the others are counted.
const NAMED: usize = 6;

/// Something that a person can find in the bay.
pub(super) struct Landmark {
    name: String,
    at: Vector3<f64>,
    /// True where "ahead of" would be taken the wrong way: the stand faces the car.
    faces_the_car: bool,
}

/// The stand, the wheels, the middle of the car's front.
pub(super) fn landmarks(about: &AdviceInput, station: &StationResult, ground: &Ground) -> Vec<Landmark> {
    let target = about.placement.stations[station.station].target;
    let name = match name(about, target) {
        name if name.contains("stand") => name,
        name => format!("the stand ({name})"),
    };
    let mut out = vec![Landmark { name, at: station.vehicle_from_target.translation(), faces_the_car: true }];
    for wheel in &about.assessment.vehicle.wheels {
        let name = format!("the {} wheel", wheel.corner.name());
        out.push(Landmark { name, at: wheel.hub.coords, faces_the_car: false });
    }
    let front = Vector3::new(ground.front_x_m(), 0.0, 0.0);
    out.push(Landmark { name: "the middle of the car's front".into(), at: front, faces_the_car: false });
    out
}

/// "Stand 1.5 m left of the stand ..."
pub(super) fn place(
    about: &AdviceInput,
    candidate: &Candidate,
    landmarks: &[Landmark],
    needed: &[usize],
    also: &[usize],
) -> String {
    let eye = candidate.eye;
    let apart = |l: &Landmark| (l.at - eye).xy().norm();
    let Some(nearest) = landmarks.iter().min_by(|a, b| apart(a).total_cmp(&apart(b))) else { return String::new() };
    let by = eye - nearest.at;
    let along = match (by.x > 0.0, nearest.faces_the_car) {
        (true, true) => format!("{:.1} m beyond", by.x),
        (false, true) => format!("{:.1} m on the car's side of", -by.x),
        (true, false) => format!("{:.1} m ahead of", by.x),
        (false, false) => format!("{:.1} m behind", -by.x),
    };
    let aside = format!("{:.1} m to the car's {} of", by.y.abs(), if by.y > 0.0 { "left" } else { "right" });
    let stand = match (by.y.abs() >= SMALL_M, by.x.abs() >= SMALL_M) {
        (false, false) => format!("at {}", nearest.name),
        (true, false) => format!("{aside} {}", nearest.name),
        (false, true) => format!("{along} {}", nearest.name),
        (true, true) => format!("{aside} {} and {along} it", nearest.name),
    };
    let names = |of: &[usize]| {
        let mut named: Vec<String> = of.iter().take(NAMED).map(|b| name(about, *b)).collect();
        if of.len() > NAMED {
            named.push(format!("{} more", of.len() - NAMED));
        }
        match named.split_last() {
            None => String::new(),
            Some((last, [])) => last.clone(),
            Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
        }
    };
    // The body in the middle of the picture comes first in its list; a needed one is named before others.
    let towards =
        needed.first().or(also.first()).map_or(String::new(), |b| format!(", looking at {}", name(about, *b)));
    let held = if candidate.upright { ", turned upright" } else { "" };
    let show = match (needed, also) {
        (needed, []) => format!("Get {} into one picture.", names(needed)),
        ([], also) => format!("Get as many as you can into one picture of {}.", names(also)),
        (needed, also) => {
            format!("Get {} into one picture, with as many as you can of {}.", names(needed), names(also))
        }
    };
    format!("Stand {stand}, camera {}{held}{towards}. {show}", height(eye.z))
}

/// A body's name as it reads in a sentence.
fn name(about: &AdviceInput, body: usize) -> String {
    let name = &about.input.kit.bodies[body].name;
    if name.starts_with("stand") || name.starts_with("plate") { format!("the {name}") } else { name.clone() }
}

fn height(z: f64) -> String {
    let word = match z {
        z if z < 0.65 => "at knee height",
        z if z < 1.15 => "at hip height",
        z if z < 1.4 => "at chest height",
        z if z < 1.75 => "at eye height",
        _ => "held overhead",
    };
    format!("{word} ({z:.1} m)")
}

/// A U with two digits that count: 14 mm, 1.4 mm, 0.14 mm; 0.14°, 0.014°.
fn amount(component: Component, value: f64) -> String {
    let (v, unit) = if component.is_angle() { (deg_from_rad(value), "°") } else { (mm_from_m(value), " mm") };
    let digits = if v > 0.0 { (1.0 - v.log10().floor()).clamp(0.0, 4.0) as usize } else { 1 };
    format!("{v:.digits$}{unit}")
}

/// What to measure better, and what U would become.
fn better(d: &Deciding, b: &Better) -> String {
    let say = |v: f64| amount(d.component, v);
    // The survey shares its own inputs out anew where one is known better: U then falls at least so far.
    let at_most = if matches!(b.source, BudgetSource::Survey(_)) { "at most " } else { "" };
    format!(
        "{:.0} % of the variance is {}: {}. Known twice as well, U would be {at_most}{}; known exactly, {at_most}{}.",
        100.0 * b.share,
        kind_name(b.source, b.count),
        remedy(b.source),
        say(b.if_half),
        say(b.if_exact)
    )
}

/// "the photograph", "the 3 photographs", as they stand in the list.
fn listed(n: usize) -> String {
    if n == 1 { "the photograph".to_owned() } else { format!("the {n} photographs") }
}

/// The one thing to do for one deviation, the one that would do most; `n`: photographs advised.
pub(super) fn deciding(station: &StationResult, d: &Deciding, n: usize) -> String {
    match (&d.hiding, d.needed) {
        (Some(h), _) => against_hiding(d, h, n),
        (None, Some(needed)) => open(station, d, needed, n),
        (None, None) => proven(d, n),
    }
}

/// Of a deviation that is decided: what would make its U smaller still.
fn proven(d: &Deciding, n: usize) -> String {
    let say = |v: f64| amount(d.component, v);
    let name = capital(d.component.name());
    let mut text = if d.photographs_help && n > 0 {
        let photographs = if n == 1 { "this photograph".to_owned() } else { format!("these {n} photographs") };
        format!("{name}: with {photographs} U falls from {} to about {}.", say(d.now), say(d.with_photographs))
    } else {
        format!("{name}: more photographs hardly help, U stays at about {}.", say(d.with_photographs))
    };
    if let Some(first) = d.better.first() {
        text += &format!(" {}", better(d, first));
    }
    text
}

/// Of a deviation that is not decided.
fn open(station: &StationResult, d: &Deciding, needed: f64, n: usize) -> String {
    let deviation = &station.deviations[d.component.index()];
    let tolerance = deviation.tolerance.unwrap_or(f64::INFINITY);
    let say = |v: f64| amount(d.component, v);
    let name = d.component.name();
    let hopeless = d.now >= tolerance;
    let mut text = undecided(d.component, &deviation.deviation, tolerance);
    // To decide is not always to pass.
    let as_out = if d.out { " as out of tolerance" } else { "" };
    let movable = station.moves.iter().any(|m| m.kind.brings() == d.component);
    let helps = d.photographs_help && n > 0;
    let take = format!(" Take {} named under \"What would help most\":", listed(n));
    // A stand that seems to be out has to be moved anyhow, and where its U is small enough that decides it.
    let move_it = movable && !hopeless;
    if helps && d.with_photographs <= needed && !(move_it && d.out) {
        text += &format!(
            "{take} U falls to about {}, enough to decide it{as_out} where it stands.",
            say(d.with_photographs)
        );
    } else if helps && d.at_best <= needed && !move_it {
        text += &format!(
            "{take} U falls to about {}, and more like them can reach the {} that would decide it{as_out}.",
            say(d.with_photographs),
            say(needed)
        );
    } else if move_it {
        text += &format!(
            " Make the moves that are listed and photograph everything again: where {name} is as required, a U of {} is small enough.",
            say(d.now)
        );
    } else if helps && hopeless && d.at_best < tolerance {
        text += &format!(
            "{take} U falls to about {}{}.",
            say(d.with_photographs),
            if d.with_photographs < tolerance {
                ""
            } else {
                ", and more like them can reach what the tolerance asks for"
            }
        );
    } else if let Some(first) = d.better.first() {
        text += &format!(" {}", better(d, first));
        let goal = if hopeless { tolerance } else { needed };
        if let Some(second) = d.better.get(1).filter(|_| first.if_exact > goal) {
            text += &format!(" That alone is not enough; then {}.", remedy(second.source));
        }
        text += &match helps {
            true => format!(" Photographs alone leave about {}.", say(d.at_best)),
            false => format!(" More photographs hardly help (about {}).", say(d.with_photographs)),
        };
    } else {
        text += &format!(
            " The corners found in the photographs make most of it, and more of the same kind leave about {}: take sharper ones, from nearer, with more \
             pixels.",
            say(d.at_best)
        );
    }
    text
}

/// Of a deviation that is checked too little; nothing where no photograph helps.
fn against_hiding(d: &Deciding, h: &Hiding, n: usize) -> String {
    let say = |v: f64| amount(d.component, v);
    if !h.mended() || n == 0 {
        return String::new();
    }
    let more = if h.with_photographs > h.limit { "; take more like them" } else { "" };
    let then = match h.below_watched() {
        true => "no more than half the tolerance".to_owned(),
        false => format!("about {}", say(h.with_photographs)),
    };
    format!(
        "Take {} named under \"What would help most\", after all others: what could hide then changes it by {then}{more}.",
        listed(n),
    )
}
