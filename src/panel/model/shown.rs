//! What the model shows: the result as far as it still holds, the live reading, what is open.

use crate::panel::basis::Strength;
use crate::panel::bay_plan::{BayPlan, Viewpoint};
use crate::panel::live::{LiveState, LiveView};
use crate::panel::model::{Model, Origin, Shown};
use crate::panel::standing::Standing;
use crate::panel::watching::HoldView;
use crate::record::result::{ReadinessPart, ResultFile, Verdict};
use crate::session::ready;
use crate::units::m_from_mm;
use std::sync::Arc;

impl Model {
    /// The result, whatever its age.
    pub fn result(&self) -> Option<&Arc<ResultFile>> {
        self.outcome.as_ref().map(|o| &o.result)
    }

    /// The photographs that would help most, as the last check worked them out; none of a job that has changed since.
    pub fn viewpoints(&self) -> Vec<Viewpoint> {
        let advice = self.result().filter(|_| !self.outdated()).and_then(|r| r.advice.as_ref());
        let viewpoints = advice.map(|a| a.viewpoints.as_slice()).unwrap_or_default();
        viewpoints
            .iter()
            .map(|v| {
                let at = v.camera_mm.map(m_from_mm);
                Viewpoint { at, towards: [at[0] + v.looking[0], at[1] + v.looking[1]], words: v.words.clone() }
            })
            .collect()
    }

    /// The bay as the last check found it.
    pub fn plan(&self) -> Option<&Arc<BayPlan>> {
        self.outcome.as_ref()?.plan.as_ref()
    }

    /// True where the result may not be taken for the job as it is now.
    pub fn outdated(&self) -> bool {
        self.outcome.as_ref().is_some_and(|o| o.outdated || self.later.is() || matches!(o.origin, Origin::Earlier(_)))
    }

    /// The station that is shown, where it was judged.
    pub fn standing(&self) -> Option<Standing> {
        let result = self.result()?;
        if result.verdict == Verdict::NotMeasured {
            return None;
        }
        result.stations.get(self.station.min(result.stations.len().saturating_sub(1))).map(Standing::of_check)
    }

    /// The newest live view, while the reading runs.
    pub fn live_view(&self) -> Option<&Arc<LiveView>> {
        match &self.live {
            LiveState::On(view) => Some(view),
            _ => None,
        }
    }

    /// The hold watch, while one is kept.
    pub fn hold_view(&self) -> Option<&HoldView> {
        self.live_view()?.hold.as_ref()
    }

    /// Alarms in the log of the hold watch.
    pub fn alarms(&self) -> usize {
        self.later.alarms()
    }

    /// What placing shows: the live reading where one runs, else the last check.
    pub fn shown(&self) -> Option<Shown> {
        if let Some(view) = self.live_view() {
            let standing = view.standing.clone()?;
            let sentence = self.settings.lengths.sentence(&view.sentence);
            // What was surveyed may itself have moved: nothing counts from it any more. And while the camera moves no reading settles: only "out" is worth showing.
            let unsettled = view.camera_moves && standing.verdict != Verdict::Out;
            let old = view.stale || unsettled || self.later.doubts_the_bay();
            return Some(Shown { standing, sentence, old, live: true });
        }
        let standing = self.standing()?;
        // What was to be done then is no advice any more.
        let sentence = match self.later.is() {
            true => "Photograph and measure again: this was so before.".into(),
            false => standing.sentence(self.settings.lengths),
        };
        Some(Shown { standing, sentence, old: self.outdated(), live: false })
    }

    /// How many stations can be shown.
    pub fn stations(&self) -> usize {
        self.result().map_or(0, |r| r.stations.len())
    }

    /// The readiness list as it stands, with what the last check measured.
    pub fn answers(&self) -> Vec<ReadinessPart> {
        let measured = self.outcome.as_ref().filter(|_| !self.outdated()).map(|o| &*o.result);
        self.list.as_ref().map(|list| ready::parts(list, measured)).unwrap_or_default()
    }

    /// How many items of the readiness list are open, and how many there are.
    pub fn open_items(&self) -> (usize, usize) {
        let parts = self.answers();
        (parts.iter().filter(|p| p.state == "open").count(), parts.len())
    }

    /// What is open of the readiness list, in words: a stand that is right is not all that is asked before the routine. `None` where nothing is.
    pub fn still_open(&self) -> Option<String> {
        let (open, of) = self.open_items();
        let are = if open == 1 { "is" } else { "are" };
        (open > 0).then(|| format!("Readiness: {open} of {of} {are} still open."))
    }

    /// The job's photographs (indices) as they are listed: those that were left out first, because something is to be done about them.
    pub fn photographs(&self) -> Vec<usize> {
        let Some(job) = self.ready() else { return Vec::new() };
        let parts = self.result().map(|r| r.photographs.as_slice()).unwrap_or_default();
        let left_out = |k: &usize| parts.iter().any(|p| !p.used && p.name == job.photos[*k].name);
        let (first, rest): (Vec<usize>, Vec<usize>) = (0..job.photos.len()).partition(left_out);
        [first, rest].concat()
    }

    /// How many things the job's files lack.
    pub fn missing(&self) -> usize {
        self.basis.iter().filter(|i| i.state == Strength::Missing).count()
    }
}
