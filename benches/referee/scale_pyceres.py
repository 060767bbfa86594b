"""The network of `benches/scale.rs` solved by Ceres (pyceres), for comparison of time and result.

    python3 benches/referee/scale_pyceres.py DIR

DIR holds `network.json` and `views.f64` as written by `cargo bench --bench scale -- --network DIR`.

What it computes is the same least-squares problem: poses of all photographs and bodies, one print scale in common and one for each tag, the lens within its
profile; corners weighted by their stated covariance; then the covariance of all bodies with each other, by Ceres' own sparse QR (`QR=0`: leaves it out), and once
more by a Schur complement in numpy, the quickest way we know from Python. What it does not: it starts from poses 2 mm and 2 mrad off the truth (the survey finds its own), rejects
nothing and tests nothing. pyceres has no cost function for tags, so the residuals and their derivatives are Python (numpy), one call for each tag in each
photograph: most of the time is theirs. Ceres' own linear algebra, C++, is timed apart from them, so that each can be compared for itself.
"""
import json
import os
import sys
import time
from pathlib import Path

import numpy as np
import pyceres

folder = Path(sys.argv[1])
net = json.loads((folder / "network.json").read_text())
raw = np.fromfile(folder / "views.f64").reshape(-1, 75)
photo, body, tag = raw[:, 0].astype(int), raw[:, 1].astype(int), raw[:, 2].astype(int)
seen = raw[:, 3:11].reshape(-1, 4, 2)
whiten = np.linalg.inv(np.linalg.cholesky(raw[:, 11:].reshape(-1, 8, 8)))
n_views = len(raw)
n_photos = photo.max() + 1
bodies = net["bodies"]
first_tag = np.cumsum([0] + [len(b["tags"]) for b in bodies])
tag_of = first_tag[body] + tag
side = np.array([t["side_m"] for b in bodies for t in b["tags"]])
place = np.array([t["body_from_tag"] for b in bodies for t in b["tags"]])
UNIT = np.array([[-0.5, -0.5, 0], [0.5, -0.5, 0], [0.5, 0.5, 0], [-0.5, 0.5, 0]])
reference = net["survey"]["reference"]


def skew(v):
    z = np.zeros(v.shape[:-1])
    x, y, w = v[..., 0], v[..., 1], v[..., 2]
    return np.stack([np.stack([z, -w, y], -1), np.stack([w, z, -x], -1), np.stack([-y, x, z], -1)], -2)


def rotation(v):
    """Rotation matrices and right Jacobians of rotation vectors."""
    a = np.linalg.norm(v, axis=-1)[..., None, None]
    a = np.maximum(a, 1e-12)
    k = skew(v)
    k2 = k @ k
    eye = np.eye(3)
    r = eye + np.sin(a) / a * k + (1 - np.cos(a)) / a**2 * k2
    jr = eye - (1 - np.cos(a)) / a**2 * k + (a - np.sin(a)) / a**3 * k2
    return r, jr


def vector(m):
    """Rotation vector and translation of 4 x 4 matrices."""
    out = []
    for one in np.asarray(m):
        r = one[:3, :3]
        angle = np.arccos(np.clip((np.trace(r) - 1) / 2, -1, 1))
        axis = np.array([r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]])
        if np.pi - angle < 1e-4:
            s = (r + np.eye(3)) / 2
            k = np.argmax(np.diag(s))
            axis = s[k] / np.sqrt(s[k, k])
            out.append(np.r_[axis / np.linalg.norm(axis) * angle, one[:3, 3]])
        else:
            out.append(np.r_[axis / (2 * np.sin(angle)) * angle if angle > 1e-9 else axis / 2, one[:3, 3]])
    return np.array(out)


# The world is the reference body's frame, as in the survey.
ref = np.array(bodies[reference]["true_world_from_body"])
camera = vector(np.array(net["true_camera_from_world"]) @ ref)
pose = vector(np.linalg.inv(ref) @ np.array([b["true_world_from_body"] for b in bodies]))
rng = np.random.default_rng(1)
camera += rng.normal(0, 2e-3, camera.shape)
pose += rng.normal(0, 2e-3, pose.shape) * (np.arange(len(pose)) != reference)[:, None]
lens0, lens_sigma = np.array(net["lens"]), np.array(net["lens_sigma"])
lens = lens0.copy()
common = np.zeros(1)
each = np.zeros((len(side), 1))


def evaluate(derivatives):
    rc, jc = rotation(camera[:, :3])
    rb, jb = rotation(pose[:, :3])
    scale = (1 + common[0] + each[tag_of, 0])[:, None, None]
    nominal = (UNIT * side[tag_of][:, None, None]) @ place[tag_of, :3, :3].transpose(0, 2, 1)
    in_body = nominal * scale + place[tag_of, :3, 3][:, None]
    turned = in_body @ rb[body].transpose(0, 2, 1)
    in_world = turned + pose[body, 3:][:, None]
    in_camera = in_world @ rc[photo].transpose(0, 2, 1) + camera[photo, 3:][:, None]
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = lens
    z = in_camera[..., 2]
    x, y = in_camera[..., 0] / z, in_camera[..., 1] / z
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    dx = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    dy = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    pixel = np.stack([fx * dx + cx, fy * dy + cy], -1)
    residual = (whiten @ (pixel - seen).reshape(-1, 8, 1))[..., 0]
    if not derivatives:
        return residual, None
    slope = k1 + r2 * (2 * k2 + 3 * k3 * r2)
    across = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
    a = fx * (radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x)
    d = fy * (radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x)
    by_point = np.empty(x.shape + (2, 3))
    by_point[..., 0, 0], by_point[..., 0, 1] = a / z, fx * across / z
    by_point[..., 1, 0], by_point[..., 1, 1] = fy * across / z, d / z
    by_point[..., 0, 2] = -(a * x + fx * across * y) / z
    by_point[..., 1, 2] = -(fy * across * x + d * y) / z
    by_world = by_point @ rc[photo][:, None]
    by_body = by_world @ rb[body][:, None]
    zero, one = np.zeros_like(x), np.ones_like(x)
    by_lens = np.stack([
        np.stack([dx, zero, one, zero, fx * x * r2, fx * x * r2**2, fx * 2 * x * y, fx * (r2 + 2 * x * x), fx * x * r2**3], -1),
        np.stack([zero, dy, zero, one, fy * y * r2, fy * y * r2**2, fy * (r2 + 2 * y * y), fy * 2 * x * y, fy * y * r2**3], -1),
    ], -2)
    parts = [
        np.concatenate([-by_world @ skew(in_world) @ jc[photo][:, None], by_point], -1),
        np.concatenate([-by_body @ skew(in_body) @ jb[body][:, None], by_world], -1),
        by_body @ nominal[..., None],
        by_lens,
    ]
    return residual, [np.ascontiguousarray(whiten @ part.reshape(n_views, 8, -1)) for part in parts]


class Turn:
    """The rotation matrix and right Jacobian of the last pose seen: neighbouring views share their photograph's."""

    def __init__(self):
        self.key = None

    def of(self, parameters):
        key = parameters[:3].tobytes()
        if key != self.key:
            self.key = key
            r, jr = rotation(parameters[None, :3])
            self.r, self.jr = r[0], jr[0]
        return self.r, self.jr


of_camera, of_body = Turn(), [Turn() for _ in bodies]
nominal_of = (UNIT * side[:, None, None]) @ place[:, :3, :3].transpose(0, 2, 1)
held_r, held_t = np.eye(3), np.zeros(3)


class View(pyceres.CostFunction):
    """One tag in one photograph: eight whitened numbers."""

    def __init__(self, v):
        super().__init__()
        self.body, self.tag, self.seen, self.whiten = body[v], tag_of[v], seen[v], whiten[v]
        self.set_num_residuals(8)
        self.set_parameter_block_sizes([6, 1, 1, 9, 6] if body[v] != reference else [6, 1, 1, 9])

    def Evaluate(self, parameters, residuals, jacobians):
        cam = parameters[0]
        rc, jc = of_camera.of(cam)
        if len(parameters) == 5:
            rb, jb = of_body[self.body].of(parameters[4])
            tb = parameters[4][3:]
        else:
            rb, tb = held_r, held_t
        nominal = nominal_of[self.tag]
        in_body = nominal * (1 + parameters[1][0] + parameters[2][0]) + place[self.tag, :3, 3]
        in_world = in_body @ rb.T + tb
        c = in_world @ rc.T + cam[3:]
        fx, fy, cx, cy, k1, k2, p1, p2, k3 = parameters[3]
        z = c[:, 2]
        x, y = c[:, 0] / z, c[:, 1] / z
        xx, yy, xy = x * x, y * y, x * y
        r2 = xx + yy
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        dx = x * radial + 2 * p1 * xy + p2 * (r2 + 2 * xx)
        dy = y * radial + p1 * (r2 + 2 * yy) + 2 * p2 * xy
        pixel = np.empty((4, 2))
        pixel[:, 0], pixel[:, 1] = fx * dx + cx, fy * dy + cy
        residuals[:] = self.whiten @ (pixel - self.seen).ravel()
        if jacobians is None:
            return True
        slope = k1 + r2 * (2 * k2 + 3 * k3 * r2)
        across = 2 * xy * slope + 2 * p1 * x + 2 * p2 * y
        a = fx * (radial + 2 * xx * slope + 2 * p1 * y + 6 * p2 * x) / z
        d = fy * (radial + 2 * yy * slope + 6 * p1 * y + 2 * p2 * x) / z
        by_point = np.empty((4, 2, 3))
        by_point[:, 0, 0], by_point[:, 0, 1], by_point[:, 0, 2] = a, fx * across / z, -(a * x + fx * across / z * y)
        by_point[:, 1, 0], by_point[:, 1, 1], by_point[:, 1, 2] = fy * across / z, d, -(fy * across / z * x + d * y)
        by_world = by_point @ rc
        by_body = by_world @ rb
        if jacobians[0] is not None:
            j = np.empty((4, 2, 6))
            j[:, :, :3], j[:, :, 3:] = np.cross(in_world[:, None], by_world) @ jc, by_point
            jacobians[0][:] = (self.whiten @ j.reshape(8, 6)).ravel()
        by_scale = self.whiten @ np.einsum("krp,kp->kr", by_body, nominal).ravel()
        for k in (1, 2):
            if jacobians[k] is not None:
                jacobians[k][:] = by_scale
        if jacobians[3] is not None:
            j = np.zeros((4, 2, 9))
            j[:, 0, 0], j[:, 1, 1], j[:, 0, 2], j[:, 1, 3] = dx, dy, 1, 1
            for row, (f, u) in enumerate(((fx, x), (fy, y))):
                j[:, row, 4], j[:, row, 5], j[:, row, 8] = f * u * r2, f * u * r2**2, f * u * r2**3
            j[:, 0, 6], j[:, 0, 7] = fx * 2 * xy, fx * (r2 + 2 * xx)
            j[:, 1, 6], j[:, 1, 7] = fy * (r2 + 2 * yy), fy * 2 * xy
            jacobians[3][:] = (self.whiten @ j.reshape(8, 9)).ravel()
        if len(parameters) == 5 and jacobians[4] is not None:
            j = np.empty((4, 2, 6))
            j[:, :, :3], j[:, :, 3:] = np.cross(in_body[:, None], by_body) @ jb, by_world
            jacobians[4][:] = (self.whiten @ j.reshape(8, 6)).ravel()
        return True


problem = pyceres.Problem()
start = time.perf_counter()
keep = []
for v in range(n_views):
    blocks = [camera[photo[v]], common, each[tag_of[v]], lens]
    if body[v] != reference:
        blocks.append(pose[body[v]])
    keep.append(View(v))
    problem.add_residual_block(keep[-1], None, blocks)


class Known(pyceres.CostFunction):
    def __init__(self, value, sigma):
        super().__init__()
        self.value, self.weight = value, np.diag(1 / sigma)
        self.set_num_residuals(len(value))
        self.set_parameter_block_sizes([len(value)])

    def Evaluate(self, parameters, residuals, jacobians):
        residuals[:] = self.weight @ (parameters[0] - self.value)
        if jacobians is not None and jacobians[0] is not None:
            jacobians[0][:] = self.weight.ravel()
        return True


known = [(common, np.zeros(1), np.array([net["sigma_common"]]))]
known += [(e, np.zeros(1), np.array([net["sigma_each"]])) for e in each]
known += [(lens, lens0, lens_sigma)]
for block, value, sigma in known:
    keep.append(Known(value, sigma))
    problem.add_residual_block(keep[-1], None, [block])
built = time.perf_counter() - start

options = pyceres.SolverOptions()
options.linear_solver_type = pyceres.LinearSolverType.DENSE_SCHUR
options.max_num_iterations = 30
options.function_tolerance = 1e-11
options.num_threads = 1 if os.environ.get("THREADS") == "1" else 2
options.minimizer_progress_to_stdout = False
summary = pyceres.SolverSummary()
start = time.perf_counter()
pyceres.solve(options, problem, summary)
solved = time.perf_counter() - start
print(f"Ceres {pyceres.__ceres_version__}, {n_photos} photographs, {n_views} views: problem built in {built:.2f} s")
print(f"  solved in {solved:.2f} s, {summary.num_successful_steps} steps; of this "
      f"{summary.residual_evaluation_time_in_seconds + summary.jacobian_evaluation_time_in_seconds:.2f} s in Python's residuals and derivatives, "
      f"{summary.linear_solver_time_in_seconds:.2f} s in Ceres' linear solver ({summary.linear_solver_type_used})")
cost = 2 * summary.final_cost
print(f"  chi-square {cost:.6f}, the survey's {net['survey']['cost']:.6f}")

# What Ceres says its optimum is must be what the arrays now hold.
again = np.sum(evaluate(False)[0]**2) + common[0]**2 / net["sigma_common"]**2 + np.sum(each**2) / net["sigma_each"]**2 + np.sum(((lens - lens0) / lens_sigma)**2)
assert abs(again / cost - 1) < 1e-9, f"the cost functions and the derivatives below disagree: {again}"

# --- the covariance of all bodies by a Schur complement in numpy, from the derivatives at the solution
start = time.perf_counter()
_, (by_camera, by_body, by_scale, by_lens) = evaluate(True)
others = [b for b in range(len(bodies)) if b != reference]
at_body = {b: 6 * k for k, b in enumerate(others)}
n_scale = len(side)
n = 6 * len(others) + 1 + n_scale + 9
at_common = 6 * len(others)
normal = np.zeros((n, n))
for p in range(n_photos):
    rows = np.flatnonzero(photo == p)
    jacobian = np.zeros((8 * len(rows), n))
    for k, v in enumerate(rows):
        at = slice(8 * k, 8 * k + 8)
        if body[v] != reference:
            jacobian[at, at_body[body[v]]:at_body[body[v]] + 6] = by_body[v]
        jacobian[at, at_common] = by_scale[v, :, 0]
        jacobian[at, at_common + 1 + tag_of[v]] = by_scale[v, :, 0]
        jacobian[at, -9:] = by_lens[v]
    own = by_camera[rows].reshape(-1, 6)
    cross = own.T @ jacobian
    normal += jacobian.T @ jacobian - cross.T @ np.linalg.solve(own.T @ own, cross)
diagonal = np.r_[1 / net["sigma_common"]**2, np.full(n_scale, 1 / net["sigma_each"]**2), 1 / lens_sigma**2]
normal[range(at_common, n), range(at_common, n)] += diagonal
cov = np.linalg.inv(normal)[:at_common, :at_common]
by_schur = time.perf_counter() - start
print(f"  covariance of all bodies by a Schur complement in numpy: {by_schur:.2f} s")

# --- agreement: steps in each body's own axes
rb, jb = rotation(pose[:, :3])
worst_place, worst_sigma = 0.0, 0.0
for found in net["survey"]["bodies"]:
    b = found["body"]
    if b == reference:
        continue
    m = np.array(found["world_from_body"])
    d = np.linalg.inv(np.r_[np.c_[rb[b], pose[b, 3:]], [[0, 0, 0, 1]]]) @ m
    step = vector(d[None])[0]
    to_step = np.zeros((6, 6))
    to_step[:3, :3], to_step[3:, 3:] = jb[b], rb[b].T
    at = slice(at_body[b], at_body[b] + 6)
    sigma = np.sqrt(np.diag(to_step @ cov[at, at] @ to_step.T))
    worst_place = max(worst_place, np.abs(step / sigma).max())
    worst_sigma = max(worst_sigma, np.abs(np.array(found["sigma"]) / sigma - 1).max())
print(f"  largest difference of a body's pose to the survey's: {worst_place:.2e} of its standard uncertainty; of a standard uncertainty: {worst_sigma:.2e}")
assert abs(cost / net["survey"]["cost"] - 1) < 1e-6 and worst_place < 1e-2 and worst_sigma < 1e-3, "Ceres and the survey disagree"

if os.environ.get("QR") != "0":
    start = time.perf_counter()
    covariance_options = pyceres.CovarianceOptions()
    covariance_options.num_threads = options.num_threads
    covariance = pyceres.Covariance(covariance_options)
    pairs = [(pose[a], pose[b]) for k, a in enumerate(others) for b in others[k:]]
    done = covariance.compute(pairs, problem)
    taken = time.perf_counter() - start
    print(f"  covariance of all bodies by Ceres' own sparse QR: {f'{taken:.2f} s' if done else f'failed after {taken:.2f} s'}")
    if done:
        block = covariance.get_covariance_block(pose[others[0]], pose[others[-1]])
        differs = np.abs(block / cov[:6, -6:] - 1).max()
        print(f"    largest relative difference to the Schur complement in the block of first and last body: {differs:.1e}")
print(f"  together (solved, and the quicker covariance): {solved + by_schur:.2f} s")
