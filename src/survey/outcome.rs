//! The last solution, and everything a reader of the survey needs.

use super::adjust::{FINAL_GAIN, Run};
use super::covariance::{Covariance, ViewTest};
use super::integrity::{self, Solution};
use super::network::{Board, Network};
use super::rows::{Weights, view_residual};
use super::unknowns::{Layout, State};
use super::{BodyEstimate, Dropped, PhotoEstimate, Stage, Survey, SurveyError, ViewResult};
use crate::camera::N_LENS;
use nalgebra::{SMatrix, SVector, Vector2};

impl Run<'_> {
    /// Last solution at the final noise level, and everything a reader needs.
    pub fn finish(
        mut self,
        noise: f64,
        board: &Board,
        network: &Network,
        dropped: Vec<Dropped>,
        watch: &mut dyn FnMut(Stage),
    ) -> Result<Survey, SurveyError> {
        let problem = self.problem;
        let mut layout = Layout::new(problem, &self.extent, &self.state.allowed, true);
        let weights = Weights::new(problem, noise, None);
        let mut cost = self.solve(&layout, &weights, 40, FINAL_GAIN)?;
        let roll = match self.roll(&layout, &weights, cost) {
            None => None,
            Some(Ok((roll, tied, tied_cost))) => {
                (layout, cost) = (tied, tied_cost);
                Some(Ok(roll))
            }
            Some(Err(fault)) => Some(Err(fault)),
        };
        watch(Stage::Final);
        let wheel_maps = self.wheel_maps(&layout);
        let mut covariance = Covariance::new(problem, &layout, &self.state, &weights, &self.extent)?;
        watch(Stage::Covariance);
        let tests = covariance.tests(problem, &self.extent);
        watch(Stage::ViewTests);
        let redundancy = self.redundancy(&layout);
        let found = self.found(&layout, &covariance);
        // By instance: number of photographs that hold it.
        let mut n_photos = vec![0; problem.instances.len()];
        let mut last_photo = vec![usize::MAX; problem.instances.len()];
        for view in self.extent.views.iter().map(|&v| &problem.views[v]) {
            if last_photo[view.instance] != view.photo {
                last_photo[view.instance] = view.photo;
                n_photos[view.instance] += 1;
            }
        }
        let instances: Vec<usize> = (0..problem.instances.len()).filter(|&i| n_photos[i] > 0).collect();
        let mut body_of = vec![usize::MAX; problem.instances.len()];
        for (k, &i) in instances.iter().enumerate() {
            body_of[i] = k;
        }
        let at =
            Solution { problem, state: &self.state, weights: &weights, extent: &self.extent, covariance: &covariance };
        let integrity::Report { tested: mut tests_of_faults, hidden, spread } = integrity::report(&at, &self.named);
        let shared = covariance.by_shared(problem, &weights, &self.extent);
        covariance.widen_corners(spread);
        if let Some(changes) = shared {
            covariance.add_to_corners(&changes);
        }
        tests_of_faults.splice(0..0, found);
        watch(Stage::FaultTests);
        let margins = self.mirror_margins(board, &weights);
        watch(Stage::Mirrors);
        let bodies = instances
            .iter()
            .map(|&i| BodyEstimate {
                body: problem.instances[i].body,
                station: problem.instances[i].station,
                position: problem.instances[i].position,
                hold: problem.instances[i].hold,
                world_from_body: self.state.world_from_instance[i],
                n_photos: n_photos[i],
                mirror_margin: margins[i],
            })
            .collect();
        let views = self.view_results(&tests, &body_of);
        let mut squares = vec![(0.0, 0); problem.input.photos.len()];
        for view in views.iter().filter(|v| v.used) {
            let (sum, n) = &mut squares[view.photo];
            *sum += view.residual_px.iter().map(|r| r.norm_squared()).sum::<f64>();
            *n += 1;
        }
        let of_photo = |&photo: &usize| {
            let (sum, n_tags) = squares[photo];
            let rms_px = (sum / (4 * n_tags).max(1) as f64).sqrt();
            PhotoEstimate { photo, camera_from_world: self.state.camera_from_world[photo], rms_px, n_tags }
        };
        let photos = self.extent.photos.iter().map(of_photo).collect();
        let lens_cov: Vec<SMatrix<f64, N_LENS, N_LENS>> = layout
            .lens_at
            .iter()
            .map(|list| {
                let mut cov = SMatrix::zeros();
                for (a, at_a) in list {
                    for (b, at_b) in list {
                        cov[(*a, *b)] = covariance.columns[(*at_a, *at_b)];
                    }
                }
                cov
            })
            .collect();
        watch(Stage::Result);
        let lens_sigma = lens_cov.iter().map(|c| std::array::from_fn(|k| c[(k, k)].max(0.0).sqrt())).collect();
        Ok(Survey {
            bodies,
            photos,
            lenses: self.state.lenses.clone(),
            lens_sigma,
            lens_cov,
            print_scale: self
                .state
                .common_scale
                .iter()
                .zip(&self.state.axis_scale)
                .map(|(common, axes)| axes.map(|axis| common + axis))
                .collect(),
            views,
            dropped,
            untied_photos: self.untied_photos(network),
            untied_bodies: self.untied_bodies(),
            reference: body_of[self.extent.reference],
            redundancy,
            sigma0: if redundancy > 0.0 { (cost / redundancy).sqrt() } else { 0.0 },
            unmodelled_px: noise,
            iterations: self.iterations,
            roll,
            integrity: tests_of_faults,
            spread,
            hidden,
            covariance,
            instances,
            wheel_maps,
            state: self.state,
            extent: self.extent,
        })
    }

    /// By instance: how much worse (chi-square at the stated noise) its other pose fits, photographs held; `None` where it has no other.
    fn mirror_margins(&self, board: &Board, weights: &Weights) -> Vec<Option<f64>> {
        let others = board.mirror_poses(&self.state, &self.extent);
        let mut views_of: Vec<Vec<usize>> = vec![Vec::new(); self.problem.instances.len()];
        for &v in &self.extent.views {
            views_of[self.problem.views[v].instance].push(v);
        }
        let chi2 = |state: &State, instance: usize| -> f64 {
            views_of[instance]
                .iter()
                .map(|&v| {
                    view_residual(self.problem, state, &self.problem.views[v])
                        .map_or(f64::INFINITY, |r| (weights.whiten[v] * r).norm_squared())
                })
                .sum()
        };
        others
            .iter()
            .enumerate()
            .map(|(instance, other)| {
                let mut mirrored = self.state.clone();
                mirrored.world_from_instance[instance] = (*other)?;
                Some(chi2(&mirrored, instance) - chi2(&self.state, instance))
            })
            .collect()
    }

    fn view_results(&self, tests: &[(usize, ViewTest)], body_of: &[usize]) -> Vec<ViewResult> {
        let mut in_photo = vec![false; self.problem.input.photos.len()];
        self.extent.photos.iter().for_each(|p| in_photo[*p] = true);
        let mut out = Vec::new();
        for (v, view) in self.problem.views.iter().enumerate() {
            if !in_photo[view.photo] || body_of[view.instance] == usize::MAX {
                continue;
            }
            let residual = view_residual(self.problem, &self.state, view)
                .unwrap_or_else(|| SVector::<f64, 8>::repeat(f64::INFINITY));
            let test = tests.binary_search_by_key(&v, |(k, _)| *k).ok().map(|at| tests[at].1);
            out.push(ViewResult {
                photo: view.photo,
                body: body_of[view.instance],
                id: view.seen.id,
                residual_px: std::array::from_fn(|k| Vector2::new(residual[2 * k], residual[2 * k + 1])),
                redundancy: test.map_or(0.0, |t| t.redundancy),
                statistic: test.map_or(f64::INFINITY, |t| t.statistic),
                dof: test.map_or(0, |t| t.dof),
                used: test.is_some(),
            });
        }
        out
    }

    fn untied_photos(&self, network: &Network) -> Vec<(usize, String)> {
        let mut out = Vec::new();
        for (p, views) in self.problem.views_of_photo.iter().enumerate() {
            if self.extent.photos.binary_search(&p).is_ok() {
                continue;
            }
            let reason = match views.len() {
                0 => "no tag of a declared body was found in it",
                1 => "only one tag was found in it: it ties nothing together",
                _ if network.camera_from_world[p].is_none() => {
                    "none of its tags links it to the rest of the network: take one that also shows a body of the others"
                }
                _ => "too few of its tags agree with the rest of the network",
            };
            out.push((p, reason.into()));
        }
        out
    }

    fn untied_bodies(&self) -> Vec<(usize, String)> {
        let problem = self.problem;
        let mut out = Vec::new();
        for (b, body) in problem.input.kit.bodies.iter().enumerate() {
            // A touched point has no tags to be seen.
            if !body.tags.is_empty() && !problem.instances.iter().any(|i| i.body == b) {
                out.push((b, "it was not seen in any photograph".into()));
            }
        }
        for (i, instance) in problem.instances.iter().enumerate() {
            let among = |views: &[usize]| views.iter().filter(|&&v| problem.views[v].instance == i).count();
            if among(&self.extent.views) > 0 {
                continue;
            }
            let reason = match among(&self.tied) {
                0 => "no photograph ties it to the rest: take one that shows it together with another body".to_owned(),
                n => format!(
                    "most of the {n} views of it contradict the rest: it was moved between photographs, its tag has another side than declared, \
                     or its id is there twice"
                ),
            };
            out.push((instance.body, reason));
        }
        out
    }
}
