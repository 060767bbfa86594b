//! Every hypothesis of a survey, tested: bodies that moved from some photograph on or crept, tags elsewhere or of another size, photographs from
//! another lens.

use super::name::{Named, dispersion, size_of};
use super::score::{Block, Score, Sum, Suspicion, suspicion};
use super::{Detectable, Displaced, FALSE_ALARM, Fault, Hidden, POWER, Suspect, Tested};
use crate::body::{BodyKind, TagPlace};
use crate::fit::chi_square;
use crate::survey::covariance::Covariance;
use crate::survey::pieces::each;
use crate::survey::problem::{Problem, View};
use crate::survey::rows::Weights;
use crate::survey::unknowns::{Extent, State};
use nalgebra::{DMatrix, DVector, Matrix3, Matrix3x6, Matrix6, SMatrix, SVector, Vector3};
use std::collections::BTreeMap;

/// Change points of one body that are kept for [`Hidden`], besides all those that are not checked in every direction; more of them would say
/// nearly the same.
const HIDDEN_CHANGE_POINTS: usize = 24;

/// One hypothesis with the outcome of its test.
#[derive(Clone, Debug)]
pub(super) struct Hypothesis {
    pub suspect: Suspect,
    pub fault: Fault,
    /// Instances that a motion would move, and the one tag where it is only that.
    pub instances: Vec<usize>,
    pub tag: Option<usize>,
    pub statistic: f64,
    pub dof: usize,
    /// ln of the chance of so large a value.
    pub ln_chance: f64,
    /// The fault as estimated, q numbers.
    pub step: DVector<f64>,
    info: DMatrix<f64>,
    pub inverse: DMatrix<f64>,
    /// The inverse with the directions that nothing checks, and what the fault would do to the columns; where it is asked what could hide.
    reach: Option<(DMatrix<f64>, DMatrix<f64>)>,
    /// False where it is no test of its own and only counts for what could hide.
    pub tested: bool,
    /// About which point a motion's turn is to be counted, m.
    pub centre: Vector3<f64>,
}

/// The adjustment at hand.
#[derive(Clone, Copy)]
pub(in crate::survey) struct Solution<'a> {
    pub problem: &'a Problem<'a>,
    pub state: &'a State,
    pub weights: &'a Weights,
    pub extent: &'a Extent,
    pub covariance: &'a Covariance,
}

/// Indices of rows with the derivatives by a motion.
type MotionRows = Vec<(usize, SMatrix<f64, 8, 6>)>;

/// A suspect whose motion is tested, with its views by photograph block.
struct Mover {
    suspect: Suspect,
    instances: Vec<usize>,
    tag: Option<usize>,
    centre: Vector3<f64>,
    /// Photographs by instance, in order.
    photos: Vec<Vec<usize>>,
    /// (photograph block, photograph, rows and derivatives).
    seen: Vec<(usize, usize, MotionRows)>,
}

/// The rows of some views in one photograph.
#[derive(Clone)]
struct Rows {
    block: usize,
    photo: usize,
    rows: Vec<usize>,
}

/// Which rows belong to what.
struct Index<'a> {
    problem: &'a Problem<'a>,
    extent: &'a Extent,
    of_photo: Vec<Rows>,
    of_instance: Vec<Vec<Rows>>,
}

impl<'a> Index<'a> {
    fn new(problem: &'a Problem<'a>, extent: &'a Extent) -> Self {
        let mut of_photo = Vec::new();
        let mut of_instance: Vec<Vec<Rows>> = vec![Vec::new(); problem.instances.len()];
        for (block, (&photo, rows)) in extent.photos.iter().zip(extent.by_photo(problem)).enumerate() {
            for row in rows.clone() {
                let list = &mut of_instance[problem.views[extent.views[row]].instance];
                match list.last_mut().filter(|last| last.block == block) {
                    Some(last) => last.rows.push(row),
                    None => list.push(Rows { block, photo, rows: vec![row] }),
                }
            }
            of_photo.push(Rows { block, photo, rows: rows.collect() });
        }
        Self { problem, extent, of_photo, of_instance }
    }

    /// Of these instances, by photograph, those rows whose view passes.
    fn pick(&self, instances: &[usize], of: impl Fn(&View) -> bool) -> Vec<Rows> {
        let passes = |row: &usize| of(&self.problem.views[self.extent.views[*row]]);
        let mut all: Vec<Rows> = Vec::new();
        for list in instances.iter().map(|i| &self.of_instance[*i]) {
            for rows in list {
                all.push(Rows { rows: rows.rows.iter().copied().filter(passes).collect(), ..*rows });
            }
        }
        all.retain(|rows| !rows.rows.is_empty());
        all.sort_by_key(|rows| rows.block);
        all.dedup_by(|next, before| {
            let same = next.block == before.block;
            if same {
                before.rows.append(&mut next.rows);
            }
            same
        });
        all
    }

    fn instances_of(&self, body: usize) -> Vec<usize> {
        (0..self.of_instance.len()).filter(|i| self.problem.instances[*i].body == body).collect()
    }

    fn in_use(&self, instance: usize) -> bool {
        !self.of_instance[instance].is_empty()
    }
}

/// Tests everything. `keep_reach`: hypotheses keep what they would do to the other unknowns, and those that cannot be tested are listed too.
pub(super) fn scan(at: &Solution, keep_reach: bool) -> Vec<Hypothesis> {
    let Solution { problem, state, weights, extent, covariance } = *at;
    let index = Index::new(problem, extent);
    let by = each(extent.views.len(), 500, |row| {
        let v = extent.views[row];
        suspicion(problem, state, &weights.whiten[v], &problem.views[v]).unwrap_or_else(Suspicion::none)
    });
    let movers = movers(&index);
    let of_motions = each(movers.len(), 4, |m| {
        let (suspect, instances, tag) = movers[m].clone();
        let picked = index.pick(&instances, |view| tag.is_none_or(|t| t == view.tag));
        let seen = picked.into_iter().map(|at| {
            let rows = at.rows.into_iter().map(|row| (row, by[row].by_motion)).collect();
            (at.block, at.photo, rows)
        });
        let seen = seen.collect();
        let origins: Vec<Vector3<f64>> =
            instances.iter().map(|i| state.world_from_instance[*i].translation()).collect();
        let centre = origins.iter().sum::<Vector3<f64>>() / origins.len().max(1) as f64;
        let photos = instances.iter().map(|i| index.of_instance[*i].iter().map(|at| at.photo).collect()).collect();
        let mut out = Vec::new();
        motions(at, &Mover { suspect, instances, tag, centre, photos, seen }, keep_reach, &mut out);
        out
    });
    let one = |suspect: Suspect, fault: Fault, picked: &[Rows]| {
        let mut sum = Sum::<1>::new(covariance);
        for at in picked {
            let value = |row: usize| if fault == Fault::Focal { by[row].by_focal } else { by[row].by_scale };
            let rows: Vec<_> = at.rows.iter().map(|row| (*row, value(*row))).collect();
            sum.add(covariance, &Block::new(covariance, at.block, &rows), 1.0);
        }
        let score = sum.score(covariance);
        // The size of all prints together is as declared where nothing else tells it: that is what the scale bars are read for.
        let as_declared = matches!(suspect, Suspect::Print(_));
        (score.dof > 0 || (keep_reach && !as_declared)).then(|| {
            let reach = keep_reach.then(|| sum.reach(covariance));
            hypothesis(suspect, fault, (Vec::new(), None), Vector3::zeros(), &score, reach)
        })
    };
    let kit = &problem.input.kit;
    let tags: Vec<(usize, usize)> = (0..kit.bodies.len())
        .flat_map(|b| (0..kit.bodies[b].tags.len()).map(move |t| (b, t)))
        .filter(|tag| !state.allowed.tags.contains(tag))
        .collect();
    let of_tags = each(tags.len(), 8, |k| {
        let (b, t) = tags[k];
        let picked = index.pick(&index.instances_of(b), |view| view.tag == t);
        let suspect = Suspect::Tag { body: b, id: kit.bodies[b].tags[t].id };
        if picked.is_empty() { None } else { one(suspect, Fault::Size, &picked) }
    });
    let of_prints = (0..kit.prints.len()).map(|print| {
        let of_group = |view: &View| kit.bodies[view.body].tags[view.tag].print == print;
        let all: Vec<usize> = (0..problem.instances.len()).collect();
        let picked = index.pick(&all, of_group);
        let rows = picked.iter().flat_map(|at| at.rows.iter().map(|row| &problem.views[extent.views[*row]]));
        let mut tags: Vec<(usize, usize)> = rows.map(|v| (v.body, v.tag)).collect();
        tags.sort_unstable();
        tags.dedup();
        let tested = tags.len() > 1 && !state.allowed.prints.contains(&print);
        if tested { one(Suspect::Print(print), Fault::Size, &picked) } else { None }
    });
    let of_prints: Vec<_> = of_prints.collect();
    let of_photos = each(index.of_photo.len(), 32, |k| {
        let at = &index.of_photo[k];
        one(Suspect::Photo(at.photo), Fault::Focal, std::slice::from_ref(at))
    });
    let singles = of_tags.into_iter().chain(of_prints).chain(of_photos).flatten();
    of_motions.into_iter().flatten().chain(singles).collect()
}

/// Everything whose motion is tested: (suspect, its instances, its tag where it is only one).
fn movers(index: &Index) -> Vec<(Suspect, Vec<usize>, Option<usize>)> {
    let problem = index.problem;
    let kit = &problem.input.kit;
    let in_use = |i: usize| index.in_use(i);
    let mut out = Vec::new();
    let mut cars: BTreeMap<Option<usize>, Vec<usize>> = BTreeMap::new();
    for (i, instance) in problem.instances.iter().enumerate().filter(|(i, _)| in_use(*i)) {
        let suspect = Suspect::Body { body: instance.body, station: instance.station, position: instance.position };
        out.push((suspect, vec![i], None));
        if kit.bodies[instance.body].kind == BodyKind::Plate {
            cars.entry(instance.position).or_default().push(i);
        }
    }
    for (position, plates) in cars.into_iter().filter(|(_, plates)| plates.len() > 1) {
        out.push((Suspect::Car { position }, plates, None));
    }
    for (b, body) in kit.bodies.iter().enumerate().filter(|(_, body)| body.tags.len() > 1) {
        let instances: Vec<usize> = index.instances_of(b).into_iter().filter(|i| in_use(*i)).collect();
        let seen = |t: usize| !index.pick(&instances, |view| view.tag == t).is_empty();
        // A body of which one tag is seen is that tag: where it sits on the body is as declared.
        if (0..body.tags.len()).filter(|t| seen(*t)).count() < 2 {
            continue;
        }
        for (t, tag) in body.tags.iter().enumerate().filter(|(_, tag)| tag.place != TagPlace::Free) {
            if seen(t) {
                out.push((Suspect::Tag { body: b, id: tag.id }, instances.clone(), Some(t)));
            }
        }
    }
    out
}

/// The change points of one suspect, its creep, or the displacement of a tag.
fn motions(at: &Solution, mover: &Mover, keep_reach: bool, out: &mut Vec<Hypothesis>) {
    let covariance = at.covariance;
    let blocks: Vec<(usize, usize, Block<6>)> =
        mover.seen.iter().map(|(k, photo, rows)| (*photo, rows.len(), Block::new(covariance, *k, rows))).collect();
    let mut push = |fault: Fault, sum: &Sum<6>, tested: bool, keep: bool| {
        let score = sum.score(covariance);
        let reach = (keep_reach && (keep || score.dof < 6)).then(|| sum.reach(covariance));
        if (tested && score.dof > 0) || reach.is_some() {
            let moved = (mover.instances.clone(), mover.tag);
            let found = hypothesis(mover.suspect.clone(), fault, moved, mover.centre, &score, reach);
            out.push(Hypothesis { tested: tested && score.dof > 0, ..found });
        }
    };
    let already = |weights: &dyn Fn(&crate::survey::allowed::Motion) -> bool| {
        at.state.allowed.motions.iter().any(|m| m.instances == mover.instances && m.tag == mover.tag && weights(m))
    };
    if mover.tag.is_some() {
        if !already(&|_| true) {
            let mut sum = Sum::new(covariance);
            blocks.iter().for_each(|(_, _, block)| sum.add(covariance, block, 1.0));
            push(Fault::Displaced, &sum, true, true);
        }
        return;
    }
    // Several bodies that moved as one cannot be told from one of them unless at least two were seen before and after.
    let together = |from: usize| {
        let both = |p: &&Vec<usize>| p.first().is_some_and(|x| *x < from) && p.last().is_some_and(|x| *x >= from);
        mover.instances.len() == 1 || mover.photos.iter().filter(both).count() > 1
    };
    // One view of one tag after the change cannot be told from a bad view: that is the view's own test.
    let views_from: Vec<usize> = blocks
        .iter()
        .rev()
        .scan(0, |sum, (_, n, _)| {
            *sum += n;
            Some(*sum)
        })
        .collect();
    let all = views_from.last().copied().unwrap_or(0);
    let every = blocks.len().div_ceil(HIDDEN_CHANGE_POINTS).max(1);
    // Where the body is seen so little that no change point leaves two views on both sides, nothing but single views' tests look for its move.
    let testable = views_from.iter().any(|after| *after >= 2 && all - after >= 2);
    let mut sum = Sum::new(covariance);
    for (j, (photo, _, block)) in blocks.iter().rev().enumerate() {
        sum.add(covariance, block, 1.0);
        let (after, before) = (views_from[j], all - views_from[j]);
        let known = already(&|m| {
            m.weight_of_photo[*photo] == 1.0 && *photo > 0 && m.weight_of_photo[..*photo].iter().all(|w| *w == 0.0)
        });
        let least = if testable { 2 } else { 1 };
        if after >= least && before >= least && !known && together(*photo) {
            push(Fault::Moved { from_photo: *photo }, &sum, testable, j % every == 0);
        }
    }
    let several = mover.instances.len() == 1 || mover.photos.iter().filter(|p| p.len() > 1).count() > 1;
    if blocks.len() >= 4 && several && !already(&|_| true) {
        let weights = creep_weights(&blocks.iter().map(|b| b.0).collect::<Vec<_>>(), at.problem.input.photos.len());
        let mut sum = Sum::new(covariance);
        for (photo, _, block) in &blocks {
            sum.add(covariance, block, weights[*photo]);
        }
        push(Fault::Crept, &sum, true, true);
    }
}

/// By photograph: 0 in the first that shows the body, 1 in the last, even in between (and beyond).
pub(super) fn creep_weights(photos: &[usize], n_photos: usize) -> Vec<f64> {
    let (Some(first), Some(last)) = (photos.first(), photos.last()) else { return vec![0.0; n_photos] };
    let span = (*last as f64 - *first as f64).max(1.0);
    (0..n_photos).map(|p| (p as f64 - *first as f64) / span).collect()
}

fn hypothesis<const Q: usize>(
    suspect: Suspect,
    fault: Fault,
    (instances, tag): (Vec<usize>, Option<usize>),
    centre: Vector3<f64>,
    score: &Score<Q>,
    reach: Option<DMatrix<f64>>,
) -> Hypothesis {
    let dynamic = |m: &SMatrix<f64, Q, Q>| DMatrix::from_fn(Q, Q, |i, j| m[(i, j)]);
    Hypothesis {
        suspect,
        fault,
        instances,
        tag,
        statistic: score.statistic,
        dof: score.dof,
        ln_chance: chi_square::ln_tail(score.statistic, score.dof),
        step: DVector::from_fn(Q, |i, _| score.step[i]),
        info: dynamic(&score.info),
        inverse: dynamic(&score.inverse),
        reach: reach.map(|reach| (dynamic(&score.reachable), reach)),
        tested: score.dof > 0,
        centre,
    }
}

/// ln of the chance that each of so many tests may have of failing without a fault.
pub(super) fn ln_chance_each(n_tests: usize) -> f64 {
    (FALSE_ALARM / n_tests.max(1) as f64).ln()
}

/// Limits and noncentralities by degrees of freedom.
pub(super) struct Limits {
    by_dof: BTreeMap<usize, (f64, f64)>,
    ln_each: f64,
}

impl Limits {
    pub fn new(n_tests: usize) -> Self {
        Self { by_dof: BTreeMap::new(), ln_each: ln_chance_each(n_tests) }
    }

    /// (limit, noncentrality of the smallest fault that is found).
    pub fn of(&mut self, dof: usize) -> (f64, f64) {
        let ln_each = self.ln_each;
        *self.by_dof.entry(dof).or_insert_with(|| {
            let limit = chi_square::limit(ln_each, dof);
            (limit, chi_square::noncentrality(limit, dof, POWER))
        })
    }
}

impl Hypothesis {
    /// Information about a motion counted about the body's own place instead of the world's origin.
    fn local_info(&self) -> Option<Matrix6<f64>> {
        if self.info.nrows() != 6 {
            return None;
        }
        let mut to_world = Matrix6::identity();
        to_world.fixed_view_mut::<3, 3>(3, 0).copy_from(&crate::frames::skew(&self.centre));
        let info = Matrix6::from_fn(|i, j| self.info[(i, j)]);
        Some(to_world.transpose() * info * to_world)
    }

    /// Smallest fault found with noncentrality `lambda`; `None` where nothing would show.
    pub fn detectable(&self, lambda: f64) -> Option<Detectable> {
        let none = Detectable { shift_m: None, turn_rad: None, relative: None };
        let Some(info) = self.local_info() else {
            return (self.info[(0, 0)] > 0.0)
                .then(|| Detectable { relative: Some((lambda / self.info[(0, 0)]).sqrt()), ..none });
        };
        let weakest = |first: usize| {
            let block: Matrix3<f64> = info.fixed_view::<3, 3>(first, first).into_owned();
            let least = block.symmetric_eigenvalues().min();
            (least > 1e-9 * block.amax()).then(|| (lambda / least).sqrt())
        };
        let (turn_rad, shift_m) = (weakest(0), weakest(3));
        (turn_rad.is_some() || shift_m.is_some()).then_some(Detectable { shift_m, turn_rad, relative: None })
    }
}

/// How far a tag sits from its declared place, as its test estimates it without adjusting again; `spread` enlarges the variance.
fn displaced(at: &Solution, h: &Hypothesis, spread: f64) -> Option<Displaced> {
    let (Some(tag), [instance], Fault::Displaced, 6) = (h.tag, h.instances.as_slice(), h.fault, h.dof) else {
        return None;
    };
    let world_from_body = &at.state.world_from_instance[*instance];
    let body = at.problem.instances[*instance].body;
    let centre = (*world_from_body * at.state.body_from_tag[body][tag]).translation();
    let mut by_step = Matrix3x6::zeros();
    by_step.fixed_view_mut::<3, 3>(0, 0).copy_from(&(-crate::frames::skew(&centre)));
    by_step.fixed_view_mut::<3, 3>(0, 3).fill_with_identity();
    let by_step = world_from_body.rotation().transpose() * by_step;
    let step = SVector::<f64, 6>::from_fn(|i, _| h.step[i]);
    let inverse = Matrix6::from_fn(|i, j| h.inverse[(i, j)]);
    let variance = (by_step * inverse * by_step.transpose()).diagonal() * spread;
    Some(Displaced { shift_m: by_step * step, u_m: variance.map(|v| v.max(0.0).sqrt()) })
}

/// What [`report`] has to say.
pub(in crate::survey) struct Report {
    pub tested: Vec<Tested>,
    pub hidden: Vec<Hidden>,
    /// By how much the variance of what whole photographs say exceeds what their corners' covariances explain; 1 where it does not clearly.
    pub spread: f64,
}

/// The tests of the final solution, one for each suspect and kind of fault (of all change points the one nearest to failing), and what could hide.
pub(in crate::survey) fn report(at: &Solution, named: &[Named]) -> Report {
    let all = scan(at, true);
    let spread = dispersion(&all, named);
    let mut limits = Limits::new(all.iter().filter(|h| h.tested).count());
    let mut tested: Vec<Tested> = Vec::new();
    let mut hidden = Vec::new();
    for h in &all {
        let (limit, lambda) = limits.of(if h.dof > 0 { h.dof } else { h.step.len() });
        let lambda = lambda * spread;
        let statistic = h.statistic / spread;
        if let Some((reachable, reach)) = &h.reach {
            hidden.push(Hidden {
                suspect: h.suspect.clone(),
                fault: h.fault,
                reach: reach.clone(),
                reachable: reachable.clone(),
                info: h.info.clone(),
                tested: h.tested,
                noncentrality: lambda,
            });
        }
        if !h.tested {
            continue;
        }
        let test = Tested {
            suspect: h.suspect.clone(),
            fault: h.fault,
            statistic,
            dof: h.dof,
            limit,
            detectable: h.detectable(lambda),
            found: (statistic > limit).then(|| size_of(h)),
            displaced: displaced(at, h, spread),
        };
        let same = |t: &Tested| {
            t.suspect == test.suspect && std::mem::discriminant(&t.fault) == std::mem::discriminant(&test.fault)
        };
        // All change points of one suspect follow each other.
        match tested.last_mut().filter(|t| same(t)) {
            Some(known) if test.statistic / test.limit > known.statistic / known.limit => *known = test,
            Some(_) => {}
            None => tested.push(test),
        }
    }
    Report { tested, hidden, spread }
}
