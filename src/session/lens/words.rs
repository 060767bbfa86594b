//! What a lens's fit says, in sentences.

use crate::calibrate::advice::Advice;
use crate::calibrate::choose::{Term, TermKind};
use crate::calibrate::model::{BEND, SIDE};
use crate::calibrate::quality::{RayQuality, Region, ViewEffect};
use crate::calibrate::{CalibrateError, Calibration};
use crate::record::Notice;
use crate::session::lens::{LensRequest, PATTERN_PX, PATTERN_SIGMA};
use crate::units::{deg_from_rad, mm_from_m};
use nalgebra::Vector2;

pub(super) const TAKE_MORE: &str = "Take 10 to 20 photographs: the board tilted by 30 to 45 degrees to every side, some with the camera turned by a quarter, together covering the \
                                    whole picture out to its corners.";

/// Why there is no lens, and what to do.
pub(super) fn why_no_lens(error: &CalibrateError) -> String {
    match error {
        CalibrateError::TooFewViews { usable, needed } => format!(
            "Only {usable} photographs show enough of the board and fit together; at least {needed} are needed, and 10 to 20 are good. {TAKE_MORE}"
        ),
        CalibrateError::OneDirection => format!(
            "All photographs show the board from one and the same direction, and then the focal length cannot be told from the distance. {TAKE_MORE}"
        ),
        CalibrateError::SquareOn => format!(
            "All photographs show the board square on (tilted by less than 15 degrees), and then the focal length cannot be told from the distance. {TAKE_MORE}"
        ),
        CalibrateError::NoLens => format!(
            "No lens explains these photographs together. Is it the board that its file describes, is it flat, and was the camera's focus and zoom left alone? {TAKE_MORE}"
        ),
        CalibrateError::Undetermined(name) => format!("The photographs do not determine {name}. {TAKE_MORE}"),
    }
}

/// A place in the picture: "upper left", "middle".
pub fn place_words(share: &Vector2<f64>) -> String {
    let pick = |v: f64, low: &'static str, high: &'static str| match v {
        v if v < 0.4 => low,
        v if v > 0.6 => high,
        _ => "",
    };
    match (pick(share.y, "upper", "lower"), pick(share.x, "left", "right")) {
        ("", "") => "middle".into(),
        ("", side) => format!("{side} side"),
        (end, "") => format!("{end} middle"),
        (end, side) => format!("{end} {side}"),
    }
}

/// One more photograph, as something a person can do.
pub fn advice_words(a: &Advice) -> String {
    let tilt = if a.tilt < 0.1 {
        "square on".to_owned()
    } else {
        let eighths = (a.towards / std::f64::consts::FRAC_PI_4).round() as i64;
        let side = ["right", "lower right", "lower", "lower left", "left", "upper left", "upper", "upper right"]
            [eighths.rem_euclid(8) as usize];
        format!("tilted by {:.0} degrees with its {side} edge away from the camera", deg_from_rad(a.tilt))
    };
    format!(
        "board in the {} of the picture, its diagonal {:.0} % of the picture's, {tilt}{}",
        place_words(&a.place),
        100.0 * a.size,
        if a.quarter_turn { ", camera turned by a quarter" } else { "" }
    )
}

/// A tested term with what came out.
pub fn term_words(c: &Calibration, term: &Term) -> String {
    let name = match term.kind {
        TermKind::ThirdRadial => "k3",
        TermKind::Tangential => "p1 p2",
        TermKind::Skew => "skewed axes",
        TermKind::Stretch => "stretched print",
        TermKind::Side => "side against pitch",
        TermKind::Bend => "bent board",
    };
    let p = c.solution.model.parameters();
    let value = match (term.kept, term.kind) {
        (false, _) => "left out".to_owned(),
        (true, TermKind::Bend) => format!("kept, {:.2} mm", mm_from_m(bend_m(c))),
        (true, kind) => {
            let values: Vec<String> = kind.parameters().iter().map(|k| format!("{:.2e}", p[*k])).collect();
            format!("kept, {}", values.join(" "))
        }
    };
    format!("{name}: {value} (Wald {:.1}, chi-square limit {:.1})", term.statistic, term.critical)
}

/// The largest height of the board's surface over its plane at the half diagonal, metres, a tilt of the whole aside.
pub(super) fn bend_m(c: &Calibration) -> f64 {
    let b = c.solution.model.bend;
    // Largest size of the quadratic form over the unit circle.
    let (mean, half) = ((b[0] + b[2]) / 2.0, ((b[0] - b[2]) / 2.0).hypot(b[1] / 2.0));
    (mean + half).abs().max((mean - half).abs())
}

/// What should be known about the fit.
pub(super) fn notices(
    c: &Calibration,
    effects: &[ViewEffect],
    regions: &[Region],
    rays: &[RayQuality],
    names: &[String],
    request: &LensRequest,
) -> Vec<Notice> {
    let mut out = Vec::new();
    let mut say = |about: &str, text: String| out.push(Notice { about: about.to_owned(), text });
    for k in &c.contradicting {
        say(
            &names[*k],
            "Not used: it contradicts the other photographs. Another zoom or focus, a board that is bent or moved differently, or a picture that shook.".into(),
        );
    }
    for (k, effect) in c.index.iter().zip(effects) {
        let all = request.board.n_points();
        if 2 * effect.n_points < all {
            say(
                &names[*k],
                format!("Only {} of the board's {all} points are in it; it counts for what it shows.", effect.n_points),
            );
        }
        if effect.hurts {
            say(
                &names[*k],
                format!(
                    "It pulls the lens its own way: without it, rays move by up to {:.2} px, more than chance explains. Look at it for blur, glare or a bent board, or leave it out.",
                    effect.removal_px
                ),
            );
        }
    }
    if !c.dropped.is_empty() {
        let mut of: Vec<&str> = c.dropped.iter().map(|d| names[d.view].as_str()).collect();
        of.dedup();
        let what = match (c.dropped.len(), of.as_slice()) {
            (1, [one]) => format!("One tag or corner in {one} contradicts the rest and was left out."),
            (n, of) => {
                format!("{n} tags or corners in {} of the photographs contradict the rest and were left out.", of.len())
            }
        };
        say("points", what);
    }
    for term in c.terms.iter().filter(|t| t.kept) {
        let p = c.solution.model.parameters();
        let value = p[term.kind.parameters()[0]];
        match term.kind {
            // What a detector and a printer leave is of no interest; a slip of the rule is.
            TermKind::Side if p[SIDE].abs() > 0.002 => say(
                &request.board_file,
                format!(
                    "side_mm and pitch_mm do not go together: the tags are {:.2} % {} than declared at this pitch. Measure both again; the lens was fitted with the ratio that the photographs show.",
                    100.0 * value.abs(),
                    if value > 0.0 { "larger" } else { "smaller" }
                ),
            ),
            TermKind::Stretch if value.abs() > 0.0005 => say(
                "board",
                format!(
                    "The print is {:.2} % longer in one direction than in the other ({}). The lens takes it into account; tags from the same printer need both directions measured.",
                    100.0 * value.abs(),
                    if value > 0.0 { "across" } else { "along the columns" }
                ),
            ),
            TermKind::Bend if bend_m(c) > 1e-4 => say(
                "board",
                format!(
                    "The board is bent: its surface leaves a plane by {:.1} mm at its corners (parameters {:.2} {:.2} {:.2} mm). The lens takes it into account; a flat board is better.",
                    mm_from_m(bend_m(c)),
                    mm_from_m(p[BEND]),
                    mm_from_m(p[BEND + 1]),
                    mm_from_m(p[BEND + 2])
                ),
            ),
            TermKind::Skew => say(
                "photographs",
                format!(
                    "Their axes are not square to each other ({value:.2} px over a focal length). No sensor does that: a moving camera with a rolling shutter, or a picture that was stretched or \
                     straightened. The profile cannot hold it."
                ),
            ),
            _ => {}
        }
    }
    if c.disagreement > 1.5 {
        say(
            "photographs",
            format!(
                "They contradict each other {:.1} times more than their corners scatter, and every uncertainty was enlarged by that. A board that bends in the hand does it, or a focus that hunts.",
                c.disagreement
            ),
        );
    }
    if let Some(r) = regions
        .iter()
        .filter(|r| r.significance > PATTERN_SIGMA && r.mean.norm() > PATTERN_PX)
        .max_by(|a, b| a.mean.norm().total_cmp(&b.mean.norm()))
    {
        let lens = &c.solution.model.lens;
        let share = Vector2::new(r.centre.x / lens.width as f64, r.centre.y / lens.height as f64);
        say(
            "residuals",
            format!(
                "In the {} of the picture the residuals point one way in all photographs ({:.2} px): a curved board or a lens that these terms do not describe.",
                place_words(&share),
                r.mean.norm()
            ),
        );
    }
    if let Some(empty) = uncovered(c, regions) {
        let worst = rays.iter().map(|r| r.sd_px).fold(0.0, f64::max);
        say(
            "picture",
            format!(
                "No photograph shows the board in the {empty} of the picture; rays there follow from the rest (up to {worst:.2} px, standard uncertainty)."
            ),
        );
    }
    out
}

/// The corner regions that hold no point, in words.
fn uncovered(c: &Calibration, regions: &[Region]) -> Option<String> {
    let lens = &c.solution.model.lens;
    let (nx, ny) = crate::calibrate::quality::REGIONS;
    let corners = [0, nx - 1, nx * (ny - 1), nx * ny - 1];
    let empty: Vec<String> = corners
        .iter()
        .filter_map(|k| regions.get(*k))
        .filter(|r| r.n == 0)
        .map(|r| place_words(&Vector2::new(r.centre.x / lens.width as f64, r.centre.y / lens.height as f64)))
        .collect();
    match empty.as_slice() {
        [] => None,
        [one] => Some(format!("{one} corner")),
        [rest @ .., last] => Some(format!("{} and {last} corners", rest.join(", "))),
    }
}
