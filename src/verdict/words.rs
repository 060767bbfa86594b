//! Every sentence of the decision step, in one place, so that signs are said the same way everywhere.

use crate::placement::Component;
use crate::survey::Source;
use crate::uncertainty::Estimate;
use crate::uncertainty::digits::{LastDigit, as_written};
use crate::units::{deg_from_rad, mm_from_m};
use crate::verdict::{BudgetSource, Move, MoveKind, Share};

/// With a capital letter.
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

/// With a capital letter and one full stop.
pub fn sentence(text: &str) -> String {
    format!("{}.", capital(text.trim_end_matches('.')))
}

/// On which side of its datum the target belongs: decides whether "forward" means away from the car.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Ahead of the datum (required distance >= 0).
    Ahead,
    /// Behind it.
    Behind,
}

impl End {
    /// From the required distance.
    pub fn of(required_distance_m: f64) -> Self {
        if required_distance_m < 0.0 { End::Behind } else { End::Ahead }
    }

    /// True where moving along `signed` X leads away from the car.
    fn away(self, signed: f64) -> bool {
        (signed > 0.0) == (self == End::Ahead)
    }
}

/// "14 mm", "3.2 mm", "0.40°": size only, for a component of this kind.
pub fn size(component: Component, value: f64) -> String {
    if component.is_angle() { angle(value) } else { length(value) }
}

/// Length without sign: whole millimetres from 10 mm on, tenths below.
pub fn length(metres: f64) -> String {
    let mm = mm_from_m(metres).abs();
    if mm >= 9.95 { format!("{mm:.0} mm") } else { format!("{mm:.1} mm") }
}

/// Angle without sign, hundredths of a degree.
pub fn angle(radians: f64) -> String {
    format!("{:.2}°", deg_from_rad(radians).abs())
}

/// A tolerance or another size as a person wrote it: "0.75 mm", "0.2°".
pub fn asked(component: Component, value: f64) -> String {
    in_unit(component, value, as_written)
}

/// An uncertainty with two digits, rounded up: "0.79 mm", "0.013°".
pub fn uncertainty(component: Component, value: f64) -> String {
    in_unit(component, value, |v| LastDigit::of(v).up(v))
}

fn in_unit(component: Component, value: f64, text: impl Fn(f64) -> String) -> String {
    match component.is_angle() {
        true => format!("{}°", text(deg_from_rad(value).abs())),
        false => format!("{} mm", text(mm_from_m(value).abs())),
    }
}

/// What a deviation's sign means: "14 mm too far to the car's left".
pub fn deviation(component: Component, value: f64, end: End) -> String {
    let amount = size(component, value);
    if amount.starts_with("0.0 ") || amount.starts_with("0.00") {
        return "as required".into();
    }
    let plus = value > 0.0;
    match component {
        Component::Distance if end.away(value) => format!("{amount} too far from the car"),
        Component::Distance => format!("{amount} too near to the car"),
        Component::Lateral => format!("{amount} too far to the car's {}", if plus { "left" } else { "right" }),
        Component::Height => format!("{amount} too {}", if plus { "high" } else { "low" }),
        Component::Yaw => format!("turned {amount} {} seen from above", turning(plus)),
        Component::Pitch if end.away(value) => format!("top leans {amount} away from the car"),
        Component::Pitch => format!("top leans {amount} towards the car"),
        Component::Roll => format!("top leans {amount} to the car's {}", if plus { "right" } else { "left" }),
    }
}

fn turning(counter_clockwise: bool) -> &'static str {
    if counter_clockwise { "counter-clockwise" } else { "clockwise" }
}

/// The sentence of a move; `amount` is signed as in [`crate::verdict::Move`].
pub fn move_sentence(kind: MoveKind, amount: f64, end: End) -> String {
    let plus = amount > 0.0;
    let towards = if end.away(amount) { "away from" } else { "towards" };
    match kind {
        MoveKind::LevelPitch => format!("Tip the top of the stand {} {towards} the car{}.", angle(amount), arm(amount)),
        MoveKind::LevelRoll => {
            let side = if plus { "right" } else { "left" };
            format!("Tip the top of the stand {} towards the car's {side}{}.", angle(amount), arm(amount))
        }
        MoveKind::Turn => {
            format!("Turn the stand {} {} seen from above{}.", angle(amount), turning(plus), arm(amount))
        }
        MoveKind::SlideSideways => {
            format!("Slide the stand {} towards the car's {}.", step(amount), if plus { "left" } else { "right" })
        }
        MoveKind::SlideAlong => format!("Slide the stand {} {towards} the car.", step(amount)),
        MoveKind::RaiseLower => format!("{} the target {}.", if plus { "Raise" } else { "Lower" }, step(amount)),
    }
}

/// A rounded length to move by: "3 mm", "0.4 mm".
fn step(metres: f64) -> String {
    let mm = mm_from_m(metres).abs();
    if (mm - mm.round()).abs() < 0.01 { format!("{mm:.0} mm") } else { format!("{mm:.1} mm") }
}

/// The same angle for hands: what it makes at the end of a 1 m arm.
fn arm(radians: f64) -> String {
    let mm = mm_from_m(radians.tan()).abs();
    let mm = if mm >= 1.95 { format!("{mm:.0}") } else { format!("{mm:.1}") };
    format!(" ({mm} mm at the end of a 1 m arm)")
}

/// What a source is, for people.
pub fn source_name(source: BudgetSource) -> String {
    match source {
        BudgetSource::Survey(Source::Corners) => "corners found in the photographs".into(),
        BudgetSource::Survey(Source::Lens) => "lens profile".into(),
        BudgetSource::Survey(Source::SheetScale) => "printed size of the tags".into(),
        BudgetSource::Survey(Source::TagPlaces) => "places of the tags on their bodies".into(),
        BudgetSource::Survey(Source::Hubs) => "centring and stand-off of the plates".into(),
        BudgetSource::Survey(Source::Rolling) => "how steadily the car rolled".into(),
        BudgetSource::Survey(Source::Touch) => "touching with the pointer".into(),
        BudgetSource::SurveyRest => "survey, not split".into(),
        BudgetSource::RunOut(c) => format!("run-out of the {} plate", c.name()),
        BudgetSource::PlateCentre(c) => format!("centring of the {} plate", c.name()),
        BudgetSource::StandOff(c) => format!("stand-off of the {} plate", c.name()),
        BudgetSource::SheetThickness => "height of the prints above the floor".into(),
        BudgetSource::FloorUneven => "unevenness of the floor".into(),
        BudgetSource::FloorLevel => "levelness of the floor".into(),
        BudgetSource::PlumbLine => "plumb line".into(),
        BudgetSource::Wheelbase => "stated wheelbase".into(),
        BudgetSource::DatumPoint => "datum point".into(),
        BudgetSource::TargetPlace => "place of the target on its stand".into(),
    }
}

/// What makes a source's share smaller.
pub fn remedy(source: BudgetSource) -> &'static str {
    match source {
        BudgetSource::Survey(Source::Corners) | BudgetSource::SurveyRest => {
            "take more photographs that show the stand together with the rear plates and the floor sheets between them, sharp and from both sides"
        }
        BudgetSource::Survey(Source::Lens) => {
            "make the lens profile again from more photographs of the board, or take more photographs here from different sides"
        }
        BudgetSource::Survey(Source::SheetScale) => {
            "measure the printed sides with a calliper or over the scale bar and enter them with the smaller uncertainty"
        }
        BudgetSource::Survey(Source::Hubs) => {
            "measure the distance from each plate's print to the wheel's centre more closely, and centre the plates better"
        }
        BudgetSource::Survey(Source::Rolling) => {
            "photograph the car in one or two more roll positions, or put a tag sheet on its body and name it in on_car"
        }
        BudgetSource::Survey(Source::Touch) => {
            "touch the point in more holds, pivot the pointer in more tilts, and use a sharper tip"
        }
        BudgetSource::Survey(Source::TagPlaces) => "measure where the tags sit on their bodies more closely",
        BudgetSource::RunOut(_) => {
            "roll the car and photograph it in several positions, or measure the clamp's run-out more closely (turn the wheel, or put the clamp on a spindle) and enter the wheel's axis with what remains as run_out_deg"
        }
        BudgetSource::PlateCentre(_) => {
            "centre the plates on the wheels better, or measure where the wheel's centre lies in the plate and enter it as hub_mm"
        }
        BudgetSource::StandOff(_) => "measure the distance from the plate's print to the wheel's centre more closely",
        BudgetSource::SheetThickness => "measure how high the prints lie above the floor",
        BudgetSource::FloorUneven => "lay more floor sheets, flat and spread around car and stand",
        BudgetSource::FloorLevel => "hang a plumb line with its sheet in the bay",
        BudgetSource::PlumbLine => "check how squarely the sheet hangs on its plumb line",
        BudgetSource::Wheelbase => "put plates on the front wheels, or state the wheelbase more closely",
        BudgetSource::DatumPoint => "mark the datum with a tag of its own, or state it more closely",
        BudgetSource::TargetPlace => "measure where the target's origin sits on its stand more closely",
    }
}

/// Shares of the same kind (both plates' run-out, say) taken together: variance by kind, largest first, each with one source that stands for it.
pub fn by_kind(shares: &[Share]) -> Vec<(BudgetSource, f64, usize)> {
    let mut kinds: Vec<(BudgetSource, f64, usize)> = Vec::new();
    for share in shares {
        let same = |a: &BudgetSource| match (a, &share.source) {
            (BudgetSource::Survey(x), BudgetSource::Survey(y)) => x == y,
            (x, y) => std::mem::discriminant(x) == std::mem::discriminant(y),
        };
        match kinds.iter_mut().find(|(source, _, _)| same(source)) {
            Some(known) => {
                known.1 += share.u * share.u;
                known.2 += 1;
            }
            None => kinds.push((share.source, share.u * share.u, 1)),
        }
    }
    kinds.sort_by(|a, b| b.1.total_cmp(&a.1));
    kinds
}

/// A kind of source with its article: one of it, or several taken together.
pub fn kind_name(source: BudgetSource, count: usize) -> String {
    match (source, count > 1) {
        (BudgetSource::RunOut(_), true) => "the run-out of the plates".into(),
        (BudgetSource::PlateCentre(_), true) => "the centring of the plates".into(),
        (BudgetSource::StandOff(_), true) => "the stand-off of the plates".into(),
        (BudgetSource::Survey(Source::Rolling | Source::Touch), _) => source_name(source),
        (BudgetSource::SurveyRest, _) => "the survey".into(),
        _ => format!("the {}", source_name(source)),
    }
}

/// Why a component is not decided: its U against its tolerance and its deviation.
pub fn undecided(component: Component, value: &Estimate, tolerance: f64) -> String {
    let name = component.name();
    let outside = if component.is_angle() { deg_from_rad } else { mm_from_m };
    let last = LastDigit::of(outside(value.expanded));
    if value.expanded >= tolerance {
        format!(
            "This set-up cannot decide this tolerance: U of {name} is {}, the tolerance only {}.",
            uncertainty(component, value.expanded),
            asked(component, tolerance)
        )
    } else {
        format!(
            "The {name} error of {} is nearer to its tolerance of {} than U = {}.",
            in_unit(component, value.value, |v| last.plain(v)),
            asked(component, tolerance),
            uncertainty(component, value.expanded)
        )
    }
}

/// What would prove an undecided component, as far as it can be said without planning photographs: a move where one is made, else the largest
/// contribution with its remedy.
pub fn remedy_sentence(
    component: Component,
    value: &Estimate,
    tolerance: f64,
    shares: &[Share],
    moves: &[Move],
) -> String {
    let mut text = undecided(component, value, tolerance);
    if value.expanded < tolerance && moves.iter().any(|m| m.kind.brings() == component) {
        return text
            + " Make the moves that are listed and measure again: nearer to what is required it would be proven.";
    }
    if let Some((source, variance, count)) = by_kind(shares).first() {
        let what = kind_name(*source, *count);
        let percent = 100.0 * variance / (value.u * value.u);
        text += &format!(" Most of U comes from {what} ({percent:.0} % of the variance): {}.", remedy(*source));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{m_from_mm, rad_from_deg};
    use crate::vehicle::Corner;

    #[test]
    fn both_signs_and_both_ends_of_the_car() {
        let say = |c: Component, v: f64, end| {
            [v, -v].map(|v| deviation(c, if c.is_angle() { rad_from_deg(v) } else { m_from_mm(v) }, end))
        };
        let pairs = [
            (Component::Distance, 5.2, ["5.2 mm too far from the car", "5.2 mm too near to the car"]),
            (Component::Lateral, 14.4, ["14 mm too far to the car's left", "14 mm too far to the car's right"]),
            (Component::Height, 9.97, ["10 mm too high", "10 mm too low"]),
            (
                Component::Yaw,
                0.4,
                ["turned 0.40° counter-clockwise seen from above", "turned 0.40° clockwise seen from above"],
            ),
            (Component::Pitch, 1.25, ["top leans 1.25° away from the car", "top leans 1.25° towards the car"]),
            (Component::Roll, 0.2, ["top leans 0.20° to the car's right", "top leans 0.20° to the car's left"]),
        ];
        for (component, value, [plus, minus]) in pairs {
            assert_eq!(say(component, value, End::Ahead), [plus, minus]);
            let behind =
                if matches!(component, Component::Distance | Component::Pitch) { [minus, plus] } else { [plus, minus] };
            assert_eq!(say(component, value, End::Behind), behind);
        }
        for tiny in [0.0, 0.00004, -0.00004] {
            assert_eq!(deviation(Component::Lateral, tiny, End::Ahead), "as required");
            assert_eq!(deviation(Component::Roll, tiny, End::Ahead), "as required");
        }
    }

    #[test]
    fn sentences_of_moves() {
        let deg = rad_from_deg;
        let mm = m_from_mm;
        let cases = [
            (
                MoveKind::LevelPitch,
                deg(0.3),
                "Tip the top of the stand 0.30° away from the car (5 mm at the end of a 1 m arm).",
            ),
            (
                MoveKind::LevelPitch,
                deg(-0.3),
                "Tip the top of the stand 0.30° towards the car (5 mm at the end of a 1 m arm).",
            ),
            (
                MoveKind::LevelRoll,
                deg(0.1),
                "Tip the top of the stand 0.10° towards the car's right (1.7 mm at the end of a 1 m arm).",
            ),
            (
                MoveKind::LevelRoll,
                deg(-0.1),
                "Tip the top of the stand 0.10° towards the car's left (1.7 mm at the end of a 1 m arm).",
            ),
            (
                MoveKind::Turn,
                deg(-0.4),
                "Turn the stand 0.40° clockwise seen from above (7 mm at the end of a 1 m arm).",
            ),
            (
                MoveKind::Turn,
                deg(0.4),
                "Turn the stand 0.40° counter-clockwise seen from above (7 mm at the end of a 1 m arm).",
            ),
            (MoveKind::SlideSideways, mm(-14.0), "Slide the stand 14 mm towards the car's right."),
            (MoveKind::SlideSideways, mm(14.0), "Slide the stand 14 mm towards the car's left."),
            (MoveKind::SlideAlong, mm(-5.0), "Slide the stand 5 mm towards the car."),
            (MoveKind::SlideAlong, mm(5.0), "Slide the stand 5 mm away from the car."),
            (MoveKind::RaiseLower, mm(0.4), "Raise the target 0.4 mm."),
            (MoveKind::RaiseLower, mm(-3.0), "Lower the target 3 mm."),
        ];
        for (kind, amount, sentence) in cases {
            assert_eq!(move_sentence(kind, amount, End::Ahead), sentence);
        }
        assert_eq!(
            move_sentence(MoveKind::SlideAlong, mm(-5.0), End::Behind),
            "Slide the stand 5 mm away from the car."
        );
    }

    #[test]
    fn a_remedy_names_the_largest_kind_of_source_together() {
        let share = |source, u| Share { source, u };
        let run_out = |corner| share(BudgetSource::RunOut(corner), 0.0006);
        // The corners are the largest single source, but both plates' run-out together is larger: 0.72e-6 of 1.36e-6.
        let shares = [
            share(BudgetSource::Survey(Source::Corners), 0.0008),
            run_out(Corner::RearLeft),
            run_out(Corner::RearRight),
        ];
        let u = 1.36e-6f64.sqrt();
        let say = |moves: &[Move]| remedy_sentence(Component::Lateral, &Estimate::new(0.004, u), 0.005, &shares, moves);
        // Where a move is listed it is the thing to do; where none is, nothing speaks of moving.
        let slide = Move { kind: MoveKind::SlideSideways, amount: -0.004, u, words: String::new() };
        assert_eq!(
            say(std::slice::from_ref(&slide)),
            "The lateral error of 4.0 mm is nearer to its tolerance of 5 mm than U = 2.3 mm. Make the moves that are listed and measure again: nearer to \
             what is required it would be proven."
        );
        let text = say(&[Move { kind: MoveKind::Turn, ..slide }]);
        assert_eq!(
            text,
            "The lateral error of 4.0 mm is nearer to its tolerance of 5 mm than U = 2.3 mm. Most of U comes from the run-out of the plates (53 % of the variance): roll the car and photograph it in several positions, or measure the clamp's run-out more closely (turn the wheel, or put the clamp on a spindle) and enter the wheel's axis with what remains as run_out_deg."
        );
        let text = remedy_sentence(Component::Height, &Estimate::new(0.0, 0.003), 0.005, &shares[..1], &[]);
        assert!(
            text.starts_with(
                "This set-up cannot decide this tolerance: U of height is 5.9 mm, the tolerance only 5 mm."
            ),
            "{text}"
        );
        assert!(text.contains("more photographs that show the stand together with the rear plates"), "{text}");
    }
}
