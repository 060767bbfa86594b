//! Shapes and colours of the states, as everywhere in this program: a shape, a word, a colour.

use crate::paper::{Canvas, Ink, Look, Outline};
use crate::record::result::Verdict;

/// The colour of a state, and the ink that is read on it.
pub fn inks(verdict: Verdict) -> (Ink, Ink) {
    match verdict {
        Verdict::In => (Ink::BLUE, Ink::WHITE),
        Verdict::Out => (Ink::VERMILION, Ink::BLACK),
        Verdict::NotProven => (Ink::grey(190), Ink::BLACK),
        Verdict::NotMeasured => (Ink::WHITE, Ink::BLACK),
    }
}

/// The shape of a state about a point.
pub fn shape(canvas: &mut Canvas, at: [f64; 2], radius: f64, verdict: Verdict, ink: Ink) {
    let look = if verdict == Verdict::NotMeasured { Look::line(ink, 0.15 * radius) } else { Look::filled(ink) };
    canvas.paint(&outline(at, radius, verdict), look);
}

fn outline([x, y]: [f64; 2], r: f64, verdict: Verdict) -> Outline {
    match verdict {
        Verdict::In | Verdict::NotMeasured => Outline::circle([x, y], r),
        Verdict::Out => Outline::polygon(&[[x, y - r], [x + r, y + 0.8 * r], [x - r, y + 0.8 * r]]),
        Verdict::NotProven => Outline::polygon(&[[x, y - r], [x + r, y], [x, y + r], [x - r, y]]),
    }
}

/// The mark of a place in a drawing: the shape in its colour with a dark edge, so that grey is seen on grey.
pub fn mark(canvas: &mut Canvas, at: [f64; 2], radius: f64, verdict: Verdict, edge: f64) {
    let (fill, _) = inks(verdict);
    canvas.paint(&outline(at, radius, verdict), Look::both(fill, Ink::BLACK, edge));
}

/// What a verdict means, for someone who reads no further.
pub fn meaning(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::In => {
            "The target stood where the procedure asks, and the measurement is sure enough to say so: every deviation, enlarged by its uncertainty (95 %), stays within its tolerance."
        }
        Verdict::Out => {
            "The target did NOT stand where the procedure asks: at least one deviation is beyond its tolerance by more than the measurement's uncertainty (95 %)."
        }
        Verdict::NotProven => {
            "It is not proven that the target stood where the procedure asks: the measurement's uncertainty (95 %) is too large to say yes or no."
        }
        Verdict::NotMeasured => "There is no measurement to judge. Nothing is said of where the target stood.",
    }
}

/// Round lengths for scale bars: 1, 2 or 5 times a power of ten, no longer than `most`.
pub fn round_below(most: f64) -> f64 {
    if !(most.is_finite() && most > 0.0) {
        return 1.0;
    }
    let decade = 10f64.powf(most.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|s| s * decade).find(|s| *s <= most).unwrap_or(decade)
}
