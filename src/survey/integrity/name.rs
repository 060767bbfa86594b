//! Naming faults: the clearest one first; the adjustment then estimates it, so that it neither spoils the rest nor hides the next.
//!
//! Detection, identification and adaptation in turn, after P. J. G. Teunissen, "An integrity and quality control procedure for use in multi
//! sensor integration", 1990 (from memory). The clearest is the one that chance explains least; a single bad view competes on the same terms.

use super::scan::{Hypothesis, Limits, Solution, creep_weights, ln_chance_each, scan};
use super::{Fault, Size, Suspect, Tested};
use crate::fit::chi_square;
use crate::survey::adjust::Run;
use crate::survey::allowed::Motion;
use crate::survey::covariance::Covariance;
use crate::survey::rows::Weights;
use crate::survey::unknowns::{Layout, State};
use nalgebra::{Matrix6, Vector3, Vector6};

/// Faults named at most; a job with more of them needs other photographs, not a longer list.
const MOST_FAULTS: usize = 8;

/// Faults that are named at most, with those that a later one overruled. Common practice, no source.
const MOST_NAMINGS: usize = 4 * MOST_FAULTS;

/// Change points of a body that are compared by adjusting again, and the steps each gets.
const RIVAL_CHANGE_POINTS: usize = 3;
const RIVAL_STEPS: usize = 8;
const RIVAL_GAIN: f64 = 1e-6;

/// A change point that fits worse by less than this (chi-square) is left open: about 3.5 standard deviations.
const OPEN_CHANGE: f64 = 12.0;

/// Test values whose middle lies this many times above what chance gives show that the residuals are not as independent as stated; below, the
/// middle of so few values is chance itself.
const CLEAR_DISPERSION: f64 = 1.5;

/// Fewest bodies whose test values tell that.
const LEAST_BODIES: usize = 5;

/// A fault that was named and that the adjustment now estimates.
#[derive(Clone, Debug)]
pub(in crate::survey) struct Named {
    suspect: Suspect,
    fault: Fault,
    /// What was added to the adjustment for it.
    remedy: Remedy,
    from_photos: Option<(usize, usize)>,
    statistic: f64,
    dof: usize,
    limit: f64,
    size: Option<Size>,
    detectable: Option<super::Detectable>,
}

#[derive(Clone, Debug, PartialEq)]
enum Remedy {
    /// Index into the allowed motions.
    Motion(usize),
    Tag(usize, usize),
    Print(usize),
    LeftOut,
}

/// How much larger the bodies' test values are than chance makes them, where that is clear; else 1.
pub(super) fn dispersion(all: &[Hypothesis], named: &[Named]) -> f64 {
    let mut by_suspect: Vec<(&Suspect, Vec<f64>)> = Vec::new();
    for h in all {
        let of_body = matches!(h.suspect, Suspect::Body { .. }) && matches!(h.fault, Fault::Moved { .. });
        if !of_body || !h.tested || named.iter().any(|n| n.suspect == h.suspect) {
            continue;
        }
        let median = chi_square::limit(0.5f64.ln(), h.dof);
        // All change points of one suspect follow each other.
        match by_suspect.last_mut().filter(|(s, _)| *s == &h.suspect) {
            Some((_, values)) => values.push(h.statistic / median),
            None => by_suspect.push((&h.suspect, vec![h.statistic / median])),
        }
    }
    if by_suspect.len() < LEAST_BODIES {
        return 1.0;
    }
    let middles: Vec<f64> = by_suspect.iter().filter_map(|(_, values)| crate::fit::median(values)).collect();
    crate::fit::median(&middles).filter(|m| *m > CLEAR_DISPERSION).unwrap_or(1.0)
}

impl Run<'_> {
    /// Looks for the clearest fault besides those named; true where one was found and the adjustment has to run again. `best_view`: ln of the chance
    /// of the worst single view.
    pub fn name_fault(&mut self, weights: &Weights, covariance: &Covariance, best_view: f64) -> bool {
        // Two faults that overrule each other in turn would go on for ever.
        if self.named.len() >= MOST_FAULTS || self.named_all || self.namings >= MOST_NAMINGS {
            return false;
        }
        let at = Solution { problem: self.problem, state: &self.state, weights, extent: &self.extent, covariance };
        let all = scan(&at, false);
        let Some(best) = all.iter().min_by(|a, b| a.ln_chance.total_cmp(&b.ln_chance)) else { return false };
        if best.ln_chance > ln_chance_each(all.len()) || best.ln_chance > best_view {
            return false;
        }
        let mut limits = Limits::new(all.len());
        let (limit, lambda) = limits.of(best.dof);
        let mut rivals: Vec<&Hypothesis> = match best.fault {
            Fault::Moved { .. } | Fault::Crept => all
                .iter()
                .filter(|h| h.suspect == best.suspect && matches!(h.fault, Fault::Moved { .. } | Fault::Crept))
                .filter(|h| h.statistic > 0.6 * best.statistic)
                .collect(),
            _ => vec![best],
        };
        rivals.sort_by(|a, b| b.statistic.total_cmp(&a.statistic));
        let crept = rivals.iter().position(|h| h.fault == Fault::Crept).filter(|k| *k >= RIVAL_CHANGE_POINTS);
        let crept = crept.map(|k| rivals[k]);
        rivals.truncate(RIVAL_CHANGE_POINTS);
        rivals.extend(crept);
        let tried: Vec<(f64, State, &Hypothesis, Remedy)> = rivals
            .iter()
            .filter_map(|h| {
                let (state, remedy) = self.with_remedy(h)?;
                if remedy == Remedy::LeftOut || rivals.len() == 1 {
                    return Some((0.0, state, *h, remedy));
                }
                let layout = Layout::new(self.problem, &self.extent, &state.allowed, true);
                let (problem, extent) = (self.problem, &self.extent);
                let (state, cost, _) =
                    crate::survey::bundle::solve(problem, &layout, &state, weights, extent, RIVAL_STEPS, RIVAL_GAIN)?;
                Some((cost, state, *h, remedy))
            })
            .collect();
        let Some((_, state, chosen, remedy)) = tried.into_iter().min_by(|a, b| a.0.total_cmp(&b.0)) else {
            return false;
        };
        let from_photos = matches!(chosen.fault, Fault::Moved { .. }).then(|| {
            let open = all.iter().filter(|h| h.suspect == chosen.suspect && h.statistic > best.statistic - OPEN_CHANGE);
            let photos = open.filter_map(|h| match h.fault {
                Fault::Moved { from_photo } => Some(from_photo),
                _ => None,
            });
            let own = if let Fault::Moved { from_photo } = chosen.fault { from_photo } else { 0 };
            photos.fold((own, own), |(low, high), p| (low.min(p), high.max(p)))
        });
        let size = (remedy == Remedy::LeftOut).then(|| size_of(chosen));
        let named = Named {
            suspect: chosen.suspect.clone(),
            fault: chosen.fault,
            remedy: remedy.clone(),
            from_photos,
            statistic: chosen.statistic,
            dof: chosen.dof,
            limit,
            size,
            detectable: chosen.detectable(lambda),
        };
        if matches!(remedy, Remedy::Motion(_)) {
            let mut before = self.state.clone();
            before.allowed.motions.push(Motion {
                instances: chosen.instances.clone(),
                tag: chosen.tag,
                weight_of_photo: state.allowed.motions[state.allowed.motions.len() - 1].weight_of_photo.clone(),
                step: Vector6::zeros(),
            });
            for over in self.overruled(&before).into_iter().rev() {
                self.forget_motion(over);
            }
        }
        self.state = state;
        if let (Remedy::LeftOut, Suspect::Photo(photo)) = (&remedy, &named.suspect) {
            let photo = *photo;
            self.extent.views.retain(|&v| self.problem.views[v].photo != photo);
            self.extent.photos.retain(|p| *p != photo);
        }
        self.named.push(named);
        self.namings += 1;
        true
    }

    /// The state with what a hypothesis says allowed, and what was added.
    fn with_remedy(&self, h: &Hypothesis) -> Option<(State, Remedy)> {
        let mut state = self.state.clone();
        let n_photos = self.problem.input.photos.len();
        let weight_of_photo = match h.fault {
            Fault::Moved { from_photo } => (0..n_photos).map(|p| f64::from(u8::from(p >= from_photo))).collect(),
            Fault::Crept => {
                let shows = |p: &usize| {
                    self.problem.views_of_photo[*p].iter().any(|&v| {
                        self.extent.views.binary_search(&v).is_ok()
                            && h.instances.contains(&self.problem.views[v].instance)
                    })
                };
                creep_weights(&(0..n_photos).filter(shows).collect::<Vec<_>>(), n_photos)
            }
            Fault::Displaced => vec![1.0; n_photos],
            Fault::Size => {
                let remedy = match &h.suspect {
                    Suspect::Tag { body, id } => {
                        let tag = self.problem.input.kit.bodies[*body].tags.iter().position(|t| t.id == *id)?;
                        state.allowed.tags.push((*body, tag));
                        Remedy::Tag(*body, tag)
                    }
                    Suspect::Print(print) => {
                        state.allowed.prints.push(*print);
                        Remedy::Print(*print)
                    }
                    _ => return None,
                };
                return Some((state, remedy));
            }
            Fault::Focal => return Some((state, Remedy::LeftOut)),
        };
        let step = Vector6::zeros();
        state.allowed.motions.push(Motion { instances: h.instances.clone(), tag: h.tag, weight_of_photo, step });
        for over in self.overruled(&state).into_iter().rev() {
            state.allowed.motions.remove(over);
        }
        let motion = state.allowed.motions.len() - 1;
        Some((state, Remedy::Motion(motion)))
    }

    /// Motions that no view obeys any more, because later ones apply to all of theirs.
    fn overruled(&self, state: &State) -> Vec<usize> {
        let mut obeyed = vec![false; state.allowed.motions.len()];
        for &v in &self.extent.views {
            if let Some((k, _)) = state.allowed.motion_of(&self.problem.views[v]) {
                obeyed[k] = true;
            }
        }
        (0..obeyed.len()).filter(|&k| !obeyed[k]).collect()
    }

    /// Forgets the motion `m`, which the state no longer has.
    fn forget_motion(&mut self, m: usize) {
        self.named.retain(|n| n.remedy != Remedy::Motion(m));
        for named in &mut self.named {
            if let Remedy::Motion(n) = &mut named.remedy
                && *n > m
            {
                *n -= 1;
            }
        }
    }

    /// Once nothing is left to find: tests every named fault on the last solution, where its size and the noise are no longer spoilt. What does
    /// not hold up is withdrawn; true where the adjustment has to run again without it.
    pub fn withdraw_faults(&mut self, layout: &Layout, weights: &Weights, covariance: &Covariance) -> bool {
        if self.named.is_empty() || self.named_all {
            return false;
        }
        self.named_all = true;
        let at = Solution { problem: self.problem, state: &self.state, weights, extent: &self.extent, covariance };
        let spread = dispersion(&scan(&at, false), &self.named);
        let state = &self.state;
        let tested = |named: &Named| -> f64 {
            let value = |value: f64, column: Option<usize>, sigma: f64| {
                column.map_or(0.0, |c| value * value / (covariance.columns[(c, c)] + sigma * sigma))
            };
            let prints = &self.problem.input.kit.prints;
            match named.remedy {
                Remedy::LeftOut => named.statistic,
                Remedy::Tag(b, t) => {
                    let sigma = prints[self.problem.input.kit.bodies[b].tags[t].print].sigma_each;
                    value(state.tag_scale[b][t], layout.scale_at[b][t], sigma)
                }
                Remedy::Print(p) => value(state.common_scale[p], layout.common_at[p], prints[p].sigma_common),
                Remedy::Motion(k) => {
                    let step = state.allowed.motions[k].step;
                    step_cov(layout, covariance, k).cholesky().map_or(named.statistic, |c| step.dot(&c.solve(&step)))
                }
            }
        };
        let tests: Vec<f64> = self.named.iter().map(tested).collect();
        let mut withdrawn = false;
        for (k, statistic) in tests.into_iter().enumerate().rev() {
            self.named[k].statistic = statistic;
            if statistic / spread > self.named[k].limit {
                continue;
            }
            withdrawn = true;
            match self.named.remove(k).remedy {
                Remedy::Motion(m) => {
                    self.state.allowed.motions.remove(m);
                    self.forget_motion(m);
                }
                Remedy::Tag(b, t) => {
                    self.state.allowed.tags.retain(|known| *known != (b, t));
                    self.state.tag_scale[b][t] = 0.0;
                }
                Remedy::Print(p) => {
                    self.state.allowed.prints.retain(|known| *known != p);
                    self.state.common_scale[p] = 0.0;
                }
                Remedy::LeftOut => {}
            }
        }
        withdrawn
    }

    /// The named faults with their final sizes.
    pub fn found(&self, layout: &Layout, covariance: &Covariance) -> Vec<Tested> {
        let origin = |instances: &[usize]| {
            let sum: Vector3<f64> = instances.iter().map(|i| self.state.world_from_instance[*i].translation()).sum();
            sum / instances.len().max(1) as f64
        };
        let variance = |column: Option<usize>| column.map_or(0.0, |c| covariance.columns[(c, c)].max(0.0));
        self.named
            .iter()
            .map(|named| {
                let relative = |value: f64, column: Option<usize>| Size {
                    from_photos: None,
                    shift_m: None,
                    turn_rad: None,
                    relative: Some(value),
                    u: variance(column).sqrt(),
                };
                let size = match named.remedy {
                    Remedy::Tag(b, t) => relative(self.state.tag_scale[b][t], layout.scale_at[b][t]),
                    Remedy::Print(p) => relative(self.state.common_scale[p], layout.common_at[p]),
                    Remedy::LeftOut => named.size.clone().unwrap_or_else(|| relative(f64::NAN, None)),
                    Remedy::Motion(k) => {
                        let motion = &self.state.allowed.motions[k];
                        let at = match motion.tag {
                            Some(tag) => {
                                let instance = motion.instances[0];
                                let body = self.problem.instances[instance].body;
                                (self.state.world_from_instance[instance] * self.state.body_from_tag[body][tag])
                                    .translation()
                            }
                            None => origin(&motion.instances),
                        };
                        let step = motion.step;
                        let turn = step.fixed_rows::<3>(0).into_owned();
                        let after = nalgebra::UnitQuaternion::from_scaled_axis(turn) * at + step.fixed_rows::<3>(3);
                        let shift = after - at;
                        let j = motion.by_step(1.0, &after);
                        let cov = j * step_cov(layout, covariance, k) * j.transpose();
                        let along = shift.try_normalize(1e-12).unwrap_or_else(Vector3::x);
                        Size {
                            from_photos: named.from_photos,
                            shift_m: Some(shift),
                            turn_rad: Some(turn),
                            relative: None,
                            u: (along.transpose() * cov * along)[(0, 0)].max(0.0).sqrt(),
                        }
                    }
                };
                Tested {
                    suspect: named.suspect.clone(),
                    fault: named.fault,
                    statistic: named.statistic,
                    dof: named.dof,
                    limit: named.limit,
                    detectable: named.detectable,
                    found: Some(size),
                    displaced: None,
                }
            })
            .collect()
    }
}

fn step_cov(layout: &Layout, covariance: &Covariance, motion: usize) -> Matrix6<f64> {
    let at = layout.motion_at[motion];
    Matrix6::from_fn(|i, j| 0.5 * (covariance.columns[(at + i, at + j)] + covariance.columns[(at + j, at + i)]))
}

/// The size of a fault as its test alone estimates it.
pub(super) fn size_of(h: &Hypothesis) -> Size {
    if h.step.len() == 1 {
        let u = h.inverse[(0, 0)].max(0.0).sqrt();
        return Size { from_photos: None, shift_m: None, turn_rad: None, relative: Some(h.step[0]), u };
    }
    let turn = Vector3::new(h.step[0], h.step[1], h.step[2]);
    let shift = Vector3::new(h.step[3], h.step[4], h.step[5]) + turn.cross(&h.centre);
    let mut j = nalgebra::Matrix3x6::zeros();
    j.fixed_view_mut::<3, 3>(0, 0).copy_from(&(-crate::frames::skew(&h.centre)));
    j.fixed_view_mut::<3, 3>(0, 3).fill_with_identity();
    let inverse = Matrix6::from_fn(|r, c| h.inverse[(r, c)]);
    let along = shift.try_normalize(1e-12).unwrap_or_else(Vector3::x);
    let variance = (along.transpose() * j * inverse * j.transpose() * along)[(0, 0)];
    let from_photos = match h.fault {
        Fault::Moved { from_photo } => Some((from_photo, from_photo)),
        _ => None,
    };
    Size { from_photos, shift_m: Some(shift), turn_rad: Some(turn), relative: None, u: variance.max(0.0).sqrt() }
}
