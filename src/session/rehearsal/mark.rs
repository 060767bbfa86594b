//! An answer against the truth: points, and why.

use crate::placement::Component;
use crate::record::rehearsal::{Answer, Decision, FaultKind, Rehearsal};
use crate::session::rehearsal::Truth;
use crate::session::rehearsal::truth::TOLERANCES;
use crate::units::{deg_from_rad, mm_from_m};

/// A deviation that is named within this share of its tolerance is right.
const RIGHT_SHARE: f64 = 1.0 / 3.0;

/// One thing that was marked.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// What.
    pub what: String,
    /// Points given.
    pub points: f64,
    /// Points there were.
    pub of: f64,
    /// Why.
    pub why: String,
}

/// A marked answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Marked {
    /// Thing by thing.
    pub points: Vec<Point>,
    /// What was true, in words.
    pub truth: Vec<String>,
    /// What the rehearsal teaches.
    pub teaches: String,
}

impl Marked {
    /// The score, 0 to 100.
    pub fn score(&self) -> f64 {
        let (given, of) = self.points.iter().fold((0.0, 0.0), |(g, o), p| (g + p.points, o + p.of));
        if of > 0.0 { 100.0 * given / of } else { 0.0 }
    }
}

/// Marks an answer.
pub fn mark(rehearsal: &Rehearsal, truth: &Truth, answer: &Answer) -> Marked {
    mark_beside(rehearsal, truth, answer, None)
}

/// Marks an answer; `not_proven` where the program's own verdict on these photographs was that: which of the six it did not prove. Who then wants more proof is right: nobody is taught to
/// overrule the program because the truth happens to be better than what could be shown.
pub fn mark_beside(rehearsal: &Rehearsal, truth: &Truth, answer: &Answer, not_proven: Option<[bool; 6]>) -> Marked {
    let obeyed = not_proven.filter(|_| {
        answer.decision == Decision::ProveMore && matches!(truth.decision, Decision::Calibrate | Decision::Move)
    });
    let mut points = vec![decision(truth, answer, obeyed.is_some()), fault(truth, answer)];
    points.extend(culprit(truth, answer));
    points.extend(after(truth, answer));
    points.extend(deviations(truth, answer, obeyed));
    let mut told: Vec<String> = vec![truth.happened.words.clone(), format!("Right to do: {}.", truth.decision.words())];
    told.push(format!("The stand at first: {}.", six(&truth.stand.to_array().map(Some))));
    Marked { points, truth: told, teaches: rehearsal.teaches.trim().replace('\n', " ") }
}

fn point(what: &str, of: f64, right: bool, why: String) -> Point {
    Point { what: what.into(), points: if right { of } else { 0.0 }, of, why }
}

fn decision(truth: &Truth, answer: &Answer, obeyed: bool) -> Point {
    let right = obeyed || answer.decision == truth.decision;
    let why = match right {
        true if obeyed => format!(
            "\"prove more\" was right: with these photographs nothing was proven, and the program said so. Once it is proven: \"{}\".",
            truth.decision.words()
        ),
        true => format!("\"{}\" was right.", answer.decision.words()),
        false => format!(
            "\"{}\" was answered, \"{}\" would have been right.",
            answer.decision.words(),
            truth.decision.words()
        ),
    };
    point("what to do", 40.0, right, why)
}

fn fault(truth: &Truth, answer: &Answer) -> Point {
    let right = answer.fault == truth.happened.kind;
    let why = match (right, truth.happened.kind) {
        (true, FaultKind::None) => "Nothing was wrong, and nothing was suspected.".into(),
        (true, _) => "The fault was found.".into(),
        (false, FaultKind::None) => "A fault was suspected where there was none.".into(),
        (false, _) => "The fault was not found.".into(),
    };
    point("what was wrong", 20.0, right, why)
}

/// With what: asked only where it is not obvious from the kind.
fn culprit(truth: &Truth, answer: &Answer) -> Option<Point> {
    let asked = matches!(truth.happened.kind, FaultKind::SheetSize | FaultKind::NotReady);
    let wanted = truth.happened.culprit.as_deref().filter(|_| asked)?;
    // "tag 104", "104": both say it.
    let said = answer.culprit.as_deref().unwrap_or("nothing");
    let right = said.split(|c: char| c.is_whitespace() || c == '"').any(|word| word == wanted);
    Some(point("with what", 20.0, right, format!("\"{said}\" was answered; it was {wanted}.")))
}

/// From where on: one photograph or frame to either side is close enough.
fn after(truth: &Truth, answer: &Answer) -> Option<Point> {
    let first = truth.happened.from? + 1;
    let said = answer.after.as_deref().unwrap_or("nothing");
    let digits: String = said.chars().filter(char::is_ascii_digit).collect();
    let right = digits.parse::<usize>().is_ok_and(|n| n.abs_diff(first) <= 1);
    Some(point("from where on", 20.0, right, format!("\"{said}\" was answered; {first:03} was the first after it.")))
}

/// What cannot be said where the thrust line is unknown: it gives yaw its direction, and sideways its line. To leave them out is right then.
const OF_THE_THRUST_LINE: [Component; 2] = [Component::Lateral, Component::Yaw];

/// Where the stand is: asked where it stayed where it was, as far as something can be said of it.
fn deviations(truth: &Truth, answer: &Answer, obeyed: Option<[bool; 6]>) -> Option<Point> {
    if !matches!(truth.happened.kind, FaultKind::None) {
        return None;
    }
    let true_six = truth.stand.to_array();
    let near = |k: usize, v: f64| (v - true_six[k]).abs() <= RIGHT_SHARE * TOLERANCES[k];
    let open = |k: usize| truth.decision == Decision::ProveMore && OF_THE_THRUST_LINE.iter().any(|c| c.index() == k);
    // What the program did not prove may be left out.
    let right = (0..6)
        .filter(|&k| answer.deviations[k].map_or(open(k) || obeyed.is_some_and(|o| o[k]), |v| near(k, v)))
        .count();
    let of = 40.0;
    let left_out = match truth.decision {
        Decision::ProveMore => {
            " Lateral and yaw hang on the thrust line, which is not known: to leave them out was right."
        }
        _ => "",
    };
    Some(Point {
        what: "where the stand is".into(),
        points: of * right as f64 / 6.0,
        of,
        why: format!(
            "{right} of 6 right within a third of the tolerance; answered: {}.{left_out}",
            six(&answer.deviations)
        ),
    })
}

fn six(values: &[Option<f64>; 6]) -> String {
    let one = |(c, v): (&Component, &Option<f64>)| match (v, c.is_angle()) {
        (None, _) => format!("{} -", c.name()),
        (Some(v), false) => format!("{} {:+.1} mm", c.name(), mm_from_m(*v)),
        (Some(v), true) => format!("{} {:+.2}°", c.name(), deg_from_rad(*v)),
    };
    Component::ALL.iter().zip(values).map(one).collect::<Vec<_>>().join(", ")
}
