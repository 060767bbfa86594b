//! Photographs that do not belong: of another day, another car, another bay with the same sheets. One of them can keep all others from being tied together.

use super::explain::{ACCIDENTS, Mistake, Solved, unexplained};
use super::turned::{Fits, halves};
use crate::survey::{SurveyInput, SurveyOptions, adjust};

/// A photograph of which its own best place leaves more than this for each tag does not fit. Common practice, no source: several times what a wrong corner costs.
const DOES_NOT_FIT: f64 = 72.0;

/// At most one photograph in so many can be a stray one; else it is not known which are. Common practice, no source.
const FEWEST_OTHERS: usize = 3;

/// Where there is no solution with all photographs: the one without those that do not fit the others, with these named.
pub(super) fn stray_photos(input: &SurveyInput) -> Option<(SurveyInput, Solved, Vec<Mistake>)> {
    let tried = halves(input).into_iter().filter_map(|half| {
        let fits = Fits::new(input, &half);
        let strays: Vec<usize> =
            (0..input.photos.len()).filter(|p| fits.loss_per_tag(*p).is_some_and(|loss| loss > DOES_NOT_FIT)).collect();
        if strays.is_empty() || FEWEST_OTHERS * strays.len() > input.photos.len() {
            return None;
        }
        let mut without = input.clone();
        strays.iter().for_each(|p| without.photos[*p].tags.clear());
        let again = adjust(&without, &SurveyOptions::default());
        Some((unexplained(&again), strays, without, again))
    });
    let (left, strays, without, again) = tried.min_by_key(|tried| (tried.0, tried.1.len()))?;
    if left > ACCIDENTS {
        return None;
    }
    let named = strays.iter().map(|p| {
        let photo = &input.photos[*p];
        Mistake {
            test: "photograph that does not belong",
            subject: format!("photograph {}", photo.name),
            statistic: photo.tags.len() as f64,
            threshold: 0.0,
            unit: "tags elsewhere",
            sentence: format!(
                "Photograph {} does not fit the others: the same tags stand elsewhere in it. It was left out: take it out of the job if it is of another day, another car or another bay; if it is \
                 not, something was moved for it.",
                photo.name
            ),
        }
    });
    let named = named.collect();
    Some((without, again, named))
}
