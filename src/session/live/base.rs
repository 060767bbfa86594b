//! A surveyed job, ready for pictures that come later: what stands fast, where the target sits on its stand, and the decision for a stand that is now
//! elsewhere.

use super::view::KnownTag;
use crate::body::{BodyKind, Kit};
use crate::camera::N_LENS;
use crate::frames::{Body, Pose, World};
use crate::placement::{Component, Placement, StandModel};
use crate::record::{Job, LensChoice};
use crate::session::{Failure, Measured, Watch};
use crate::survey::integrity::{Fault, Suspect};
use crate::survey::{Ground, JointCovariance, Source, Survey, Touched};
use crate::vehicle::{DecisionBodies, FloorModel, Unmeasurable, VehicleResult};
use crate::verdict::{AssessInput, State, StationResult, assess};
use nalgebra::{DMatrix, Matrix6, Matrix6xX, SMatrix};

/// What is declared about a bay, apart from its photographs.
#[derive(Clone, Debug)]
pub struct Declared {
    /// Known geometry.
    pub kit: Kit,
    /// How the sheets touch the floor.
    pub floor: FloorModel,
    /// Where the target sits on each stand.
    pub stands: Vec<StandModel>,
    /// What is asked.
    pub placement: Placement,
    /// Lenses that no photograph of the survey used, with the covariance that their profiles state: a webcam's beside the phone's, say.
    pub other_lenses: Vec<(usize, SMatrix<f64, N_LENS, N_LENS>)>,
}

/// A surveyed bay in which one station's stand is followed.
#[derive(Clone, Debug)]
pub struct Base {
    pub(super) declared: Declared,
    pub(super) ground: Ground,
    from: DecisionBodies,
    /// 6nd × n: the decision's bodies by the ground's columns.
    by_ground: DMatrix<f64>,
    /// `by_ground` times the ground's covariance, whole and by source.
    times_cov: DMatrix<f64>,
    times_parts: Vec<(Source, DMatrix<f64>)>,
    /// Index into the placement's stations.
    pub(super) station: usize,
    /// The followed stand, index into the survey's bodies; and its place among the decision's bodies.
    pub(super) stand: usize,
    in_decision: usize,
    /// Tags of what stands fast, in the world's frame.
    pub(super) fast: Vec<KnownTag>,
    /// Tags of the stand, in its body's frame.
    pub(super) on_stand: Vec<KnownTag>,
    /// Columns behind the ground's for what lies beyond the margins of the ground's tags: one for what is alike beyond all, four for each tag; each with a variance of 1. The same
    /// in every picture and for every camera; taken as independent of the survey's own, whose photographs are mostly sharper.
    pub(super) n_beyond: usize,
    /// Index into the kit's bodies, by the survey's bodies.
    pub(super) in_kit: Vec<usize>,
    /// Why nothing that is measured from this survey is proven, where it has a fault.
    doubt: Option<String>,
    /// Components whose check is too weak to call them in tolerance.
    weak: Vec<Component>,
    /// The car as it was surveyed.
    pub vehicle: VehicleResult,
}

/// A body that can be watched: index into the kit's bodies, place, tags with their corners in its own frame, m.
pub(in crate::session) type Watchable = (usize, Pose<World, Body>, Vec<(u16, [nalgebra::Vector3<f64>; 4])>);

/// Why a survey is no base for live readings.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoBase {
    /// The car or the station could not be had.
    #[error(transparent)]
    Unmeasurable(#[from] Unmeasurable),
    /// The placement has no such station.
    #[error("the placement has no station number {0}")]
    NoStation(usize),
    /// The stand was not surveyed.
    #[error(
        "the stand of station \"{0}\" was not surveyed: photograph it together with floor sheets and check the job again"
    )]
    NoStand(String),
    /// Nothing else was.
    #[error("nothing but the stand was surveyed: there is nothing to measure it against")]
    NothingFast,
}

/// Lenses that no photograph used which the survey tied in, with their profiles' covariance (none where they are taken as exact).
fn other_lenses(job: &Job, measured: &Measured) -> Vec<(usize, SMatrix<f64, N_LENS, N_LENS>)> {
    if job.lens_choice == LensChoice::Held {
        return Vec::new();
    }
    let used = |lens: usize| measured.survey.photos.iter().any(|p| measured.look.photos[p.photo].lens == lens);
    let others = job.lenses.iter().enumerate().filter(|(k, _)| !used(*k));
    others.filter_map(|(k, profile)| Some((k, **profile.cov.as_ref()?))).collect()
}

impl Base {
    /// Surveys a job and takes it as the base for following the stand of a station.
    ///
    /// Errors: whatever keeps `check` from a measurement.
    pub fn of_job(job: &Job, station: usize, watch: Watch) -> Result<Self, Failure> {
        let measured = crate::session::measure(job, watch)?;
        let refuse = |reason: String| Failure::NotMeasurable { reason, notices: measured.notices.clone() };
        if let Some(reason) = crate::session::obstacle(job, &measured) {
            return Err(refuse(reason));
        }
        let survey = &measured.survey;
        let touched = crate::session::touch::touched(job, survey);
        let say = |e: NoBase| refuse(crate::verdict::words::sentence(&e.to_string()));
        let from = crate::session::decision_bodies(job, survey).map_err(|e| say(e.into()))?;
        let declared = Declared {
            kit: job.kit.clone(),
            floor: job.floor,
            stands: job.stands.clone(),
            placement: job.placement.clone(),
            other_lenses: other_lenses(job, &measured),
        };
        let points = match (&job.touch, &touched) {
            (Some(touch), Some(touched)) => {
                let (points, _) = crate::vehicle::touched_bodies(&job.kit, &touch.touching, touched);
                Some((touched, points))
            }
            _ => None,
        };
        let judged_at = job.rolled.as_ref().map(|r| r.judged);
        let touched = points.as_ref().map(|(touched, points)| (*touched, points.as_slice()));
        let mut base = Self::new(declared, survey, from, touched, judged_at, station).map_err(say)?;
        (base.doubt, base.weak) = crate::session::integrity::doubts(job, &measured, base.station);
        if job.rough_lens {
            base.doubt.get_or_insert_with(|| {
                "The job has no lens profile, so nothing is proven: make one with `plumbsight lens` and name it in job.toml.".into()
            });
        }
        Ok(base)
    }

    /// The base from a survey and the bodies that its decision is made from.
    ///
    /// `touched`: the pointer's points among `from`, in their order; `judged_at`: the roll position at which the car stands now, where it was rolled.
    pub fn new(
        declared: Declared,
        survey: &Survey,
        from: DecisionBodies,
        touched: Option<(&Touched, &[usize])>,
        judged_at: Option<usize>,
        station: usize,
    ) -> Result<Self, NoBase> {
        let asked = declared.placement.stations.get(station).ok_or(NoBase::NoStation(station))?;
        let stand = survey.find(asked.target, station).ok_or_else(|| NoBase::NoStand(asked.name.clone()))?;
        let kept_at = from.kept.iter().position(|k| *k == stand);
        let in_decision = kept_at.ok_or_else(|| NoBase::NoStand(asked.name.clone()))?;
        let mut ground = survey.ground(&declared.kit);
        let n_lenses = ground.lenses.len();
        for (lens, cov) in declared.other_lenses.iter().filter(|(lens, _)| *lens < n_lenses) {
            ground.add_lens(*lens, cov);
        }
        let n_points = touched.map_or(0, |(_, points)| points.len());
        let wheels: Vec<usize> = (0..from.bodies.len() - from.kept.len() - n_points).collect();
        let by_ground = survey.by_ground(&from.kept, &wheels, touched).resize_horizontally(ground.n_columns(), 0.0);
        let times_cov = &by_ground * &ground.cov;
        let times_parts = ground.parts.iter().map(|(source, part)| (*source, &by_ground * part)).collect();
        let moved: Vec<usize> = survey
            .integrity
            .iter()
            .filter(|t| !t.passed() && matches!(t.fault, Fault::Moved { .. } | Fault::Crept))
            .filter_map(|t| match &t.suspect {
                Suspect::Body { body, .. } => Some(*body),
                _ => None,
            })
            .collect();
        let stands_fast = |k: usize| {
            let body = &survey.bodies[k];
            let elsewhere = body.position.is_some_and(|p| Some(p) != judged_at);
            k != stand && body.station.is_none() && body.hold.is_none() && !elsewhere && !moved.contains(&body.body)
        };
        let beyond_at = |k: usize| 1 + 4 * k;
        let fast: Vec<KnownTag> = ground
            .tags
            .iter()
            .enumerate()
            .filter(|(_, t)| stands_fast(t.body))
            .map(|(k, t)| {
                let (corners, columns, by_column) = ground.corners_in_world(t);
                KnownTag { id: t.id, body: t.body, corners, columns, by_column, beyond_at: beyond_at(k) }
            })
            .collect();
        if fast.is_empty() {
            return Err(NoBase::NothingFast);
        }
        let on_stand = ground
            .tags
            .iter()
            .enumerate()
            .filter(|(_, t)| t.body == stand)
            .map(|(k, t)| KnownTag {
                id: t.id,
                body: t.body,
                corners: t.corners_in_body,
                columns: t.columns.clone(),
                by_column: t.by_column.clone(),
                beyond_at: beyond_at(k),
            })
            .collect();
        let n_beyond = beyond_at(ground.tags.len());
        let placement = Placement { stations: vec![asked.clone()], ..declared.placement.clone() };
        let first = assess(&AssessInput {
            bodies: &from.bodies,
            joint: &from.joint,
            vehicle: &from.vehicle,
            floor: &declared.floor,
            stands: &declared.stands,
            placement: &placement,
        })?;
        let in_kit = survey.bodies.iter().map(|b| b.body).collect();
        let mut base = Self {
            declared,
            ground,
            from,
            by_ground,
            times_cov,
            times_parts,
            station,
            stand,
            in_decision,
            fast,
            on_stand,
            n_beyond,
            in_kit,
            doubt: None,
            weak: Vec::new(),
            vehicle: first.vehicle,
        };
        // From here on the station stands alone: bodies of other stations are other stands.
        base.declared.placement = placement;
        for body in &mut base.from.bodies {
            body.station = match body.station {
                Some(s) if s == station => Some(0),
                Some(_) => Some(usize::MAX),
                None => None,
            };
        }
        Ok(base)
    }

    /// Index of the station that is followed, in the job's placement.
    pub fn station(&self) -> usize {
        self.station
    }

    /// The name of a surveyed body.
    pub(super) fn name(&self, body: usize) -> &str {
        &self.declared.kit.bodies[self.in_kit[body]].name
    }

    /// Where the stand was when it was surveyed.
    pub fn world_from_stand(&self) -> Pose<World, Body> {
        self.ground.world_from_body[self.stand]
    }

    /// A lens as the survey corrected it.
    pub(in crate::session) fn lens(&self, lens: usize) -> &crate::camera::Lens {
        &self.ground.lenses[lens]
    }

    /// The name of a body of the kit, and what it is.
    pub(in crate::session) fn kit_name(&self, body: usize) -> &str {
        &self.declared.kit.bodies[body].name
    }

    pub(in crate::session) fn kit_kind(&self, body: usize) -> crate::body::BodyKind {
        self.declared.kit.bodies[body].kind
    }

    /// The followed stand: index into the kit's bodies, and name.
    pub(in crate::session) fn stand_name(&self) -> (usize, String) {
        (self.in_kit[self.stand], self.name(self.stand).to_owned())
    }

    /// What can be watched: index into the kit's bodies, place, and tags with their corners in the body's frame (m). The stand is left out where no place is
    /// given for it.
    pub(in crate::session) fn watchable(&self, world_from_stand: Option<&Pose<World, Body>>) -> Vec<Watchable> {
        let mut bodies: Vec<usize> = self.fast.iter().map(|t| t.body).collect();
        bodies.dedup();
        let tags_of = |body: usize| -> Vec<(u16, [nalgebra::Vector3<f64>; 4])> {
            self.ground.tags.iter().filter(|t| t.body == body).map(|t| (t.id, t.corners_in_body)).collect()
        };
        let fast = bodies.into_iter().map(|b| (self.in_kit[b], self.ground.world_from_body[b], tags_of(b)));
        let stand = world_from_stand.map(|at| (self.in_kit[self.stand], *at, tags_of(self.stand)));
        stand.into_iter().chain(fast).collect()
    }

    /// How many columns a gain has: the ground's, and those of what lies beyond the margins.
    pub(super) fn n_columns(&self) -> usize {
        self.ground.n_columns() + self.n_beyond
    }

    /// 6 × n: step (on the right) of the surveyed stand by what all pictures share.
    pub(super) fn stand_by_ground(&self) -> Matrix6xX<f64> {
        let own = self.by_ground.fixed_rows::<6>(6 * self.in_decision).into_owned();
        own.resize_horizontally(self.n_columns(), 0.0)
    }

    /// The covariance that what all pictures share gives to whatever hangs on it so: r × n.
    pub(super) fn spread_of(&self, gain: &DMatrix<f64>) -> DMatrix<f64> {
        let n = self.ground.n_columns();
        let (survey, beyond) = (gain.columns(0, n), gain.columns(n, self.n_beyond));
        let whole = survey * &self.ground.cov * survey.transpose() + beyond * beyond.transpose();
        (whole.transpose() + whole) * 0.5
    }

    /// The same for a step.
    pub(super) fn spread(&self, gain: &Matrix6xX<f64>) -> Matrix6<f64> {
        let whole = self.spread_of(&DMatrix::from_fn(6, gain.ncols(), |r, c| gain[(r, c)]));
        Matrix6::from_fn(|a, b| whole[(a, b)])
    }

    /// Judges the stand at another place than it was surveyed at.
    ///
    /// `noise`: covariance of its step on the right, apart from what all pictures share; `gain`: that step by that.
    pub(super) fn judge(
        &self,
        world_from_stand: &Pose<World, Body>,
        noise: &Matrix6<f64>,
        gain: &Matrix6xX<f64>,
    ) -> Result<StationResult, Unmeasurable> {
        let at = 6 * self.in_decision;
        // What lies beyond the margins hangs together with nothing else here.
        let beyond = gain.columns(self.ground.n_columns(), self.n_beyond);
        let noise = noise + beyond * beyond.transpose();
        let gain = gain.columns(0, self.ground.n_columns()).into_owned();
        let joint_of = |times: &DMatrix<f64>, cov: &DMatrix<f64>, known: &DMatrix<f64>| {
            let mut joint = known.clone();
            let across = times * gain.transpose();
            joint.view_mut((0, at), (across.nrows(), 6)).copy_from(&across);
            joint.view_mut((at, 0), (6, across.nrows())).copy_from(&across.transpose());
            let own = &gain * cov * gain.transpose();
            joint.view_mut((at, at), (6, 6)).copy_from(&((own.transpose() + own) * 0.5));
            joint
        };
        let add_noise = |m: &mut DMatrix<f64>| {
            let mut block = m.view_mut((at, at), (6, 6));
            block += noise;
        };
        let mut cov = joint_of(&self.times_cov, &self.ground.cov, &self.from.joint.cov);
        add_noise(&mut cov);
        let mut parts = Vec::with_capacity(self.from.joint.parts.len());
        for (source, known) in &self.from.joint.parts {
            let by_source = self.times_parts.iter().zip(&self.ground.parts).find(|((s, _), _)| s == source);
            let mut part = match by_source {
                Some(((_, times), (_, cov))) => joint_of(times, cov, known),
                None => known.clone(),
            };
            if *source == Source::Corners {
                add_noise(&mut part);
            }
            parts.push((*source, part));
        }
        // A source that the survey itself did not have (the profile of a camera that took no photograph).
        for ((source, times), (_, cov)) in self.times_parts.iter().zip(&self.ground.parts) {
            if !parts.iter().any(|(s, _)| s == source) {
                let n = self.from.joint.cov.nrows();
                parts.push((*source, joint_of(times, cov, &DMatrix::zeros(n, n))));
            }
        }
        let mut bodies = self.from.bodies.clone();
        bodies[self.in_decision].world_from_body = *world_from_stand;
        let joint = JointCovariance { cov, parts };
        let judged = assess(&AssessInput {
            bodies: &bodies,
            joint: &joint,
            vehicle: &self.from.vehicle,
            floor: &self.declared.floor,
            stands: &self.declared.stands,
            placement: &self.declared.placement,
        })?;
        match (judged.stations.into_iter().next(), judged.unmeasured.into_iter().next()) {
            (Some(mut station), _) => {
                station.station = self.station;
                self.withhold(&mut station);
                Ok(station)
            }
            (None, Some(un)) => Err(un.reason),
            (None, None) => {
                Err(Unmeasurable::TargetNotMeasured { station: self.declared.placement.stations[0].name.clone() })
            }
        }
    }

    /// The stand judged where it was surveyed, as the photographs have it.
    pub(super) fn judge_surveyed(&self) -> Result<StationResult, Unmeasurable> {
        self.judge(&self.world_from_stand(), &Matrix6::zeros(), &self.stand_by_ground())
    }

    /// True for a body (index into the survey's) without which the car, or what is asked, would be elsewhere: a plate, a datum. Sheets on the floor only help to see.
    pub(super) fn carries_the_answer(&self, body: usize) -> bool {
        self.from.kept.contains(&body) && self.kit_kind(self.in_kit[body]) != BodyKind::FloorSheet
    }

    /// Nothing is proven, for this reason.
    pub(super) fn doubt(station: &mut StationResult, why: &str) {
        for deviation in station.deviations.iter_mut().filter(|d| d.state.is_some()) {
            deviation.state = Some(State::NotProven);
            deviation.decidable = Some(false);
            deviation.remedy = Some(why.to_owned());
        }
        station.moves.clear();
        station.verdict = State::NotProven;
    }

    /// What a faulty or weakly checked survey forbids to say.
    fn withhold(&self, station: &mut StationResult) {
        if let Some(doubt) = &self.doubt {
            return Self::doubt(station, doubt);
        }
        for deviation in &mut station.deviations {
            if deviation.state.is_none() {
                continue;
            }
            if self.weak.contains(&deviation.component) && deviation.state == Some(State::InTolerance) {
                deviation.state = Some(State::NotProven);
                deviation.remedy = Some(
                    "The survey checks itself too weakly for this component: take more photographs, from other sides, and check the job again.".into(),
                );
            }
        }
        station.verdict = station.deviations.iter().filter_map(|d| d.state).max().unwrap_or(State::NotProven);
    }
}
