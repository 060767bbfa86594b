"""An independent referee for the survey: the same small network solved with a general-purpose optimiser.

    python3 tests/referee/solve.py fixtures/referee

Writes `network.json` (a seeded invented network: what was seen, with what covariance, and what is known beforehand) and
`expected.json` (the solution and its covariance by scipy.optimize.least_squares on one dense parameter vector, nothing eliminated,
all derivatives numeric). `tests/referee.rs` solves `network.json` with the survey and compares.
Made with Python 3.11, numpy 2.x, scipy 1.x.
"""
import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

rng = np.random.default_rng(20261125)
UNIT = np.array([[-0.5, -0.5, 0], [0.5, -0.5, 0], [0.5, 0.5, 0], [-0.5, 0.5, 0]])


def pose(rotvec, t):
    m = np.eye(4)
    m[:3, :3] = Rotation.from_rotvec(rotvec).as_matrix()
    m[:3, 3] = t
    return m


def project(lens, p):
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = lens
    x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    u = fx * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)) + cx
    v = fy * (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) + cy
    return np.stack([u, v], axis=1)


# --- the network: a board of four tags (the reference), a plate whose second tag is only measured, a sheet, a frame with a free tag
LENS = np.array([905.0, 903.0, 641.0, 357.0, -0.11, 0.04, 4e-4, -3e-4, 0.0])
LENS_SIGMA = np.array([0.8, 0.8, 0.6, 0.6, 5e-4, 1e-3, 5e-5, 5e-5, 0.0])
SIGMA_COMMON, SIGMA_EACH = 6e-4, 2e-4
PLACE_SIGMA = np.array([1e-3, 1e-3, 1e-3, 2e-4, 2e-4, 2e-4])

board = [pose([0, 0, 0], [x, y, 0]) for y in (-0.15, 0.15) for x in (-0.15, 0.15)]
BODIES = [
    {"name": "board", "tags": [{"id": i, "side": 0.12, "place": m, "how": "known"} for i, m in enumerate(board)]},
    {"name": "plate", "tags": [
        {"id": 10, "side": 0.16, "place": pose([0, 0, 0], [0, 0, 0]), "how": "known"},
        {"id": 11, "side": 0.10, "place": pose([0.3, 0.1, -0.2], [0.2, 0.05, 0.02]), "how": "measured"}]},
    {"name": "sheet", "tags": [{"id": 20, "side": 0.16, "place": pose([0, 0, 0], [0, 0, 0]), "how": "known"}]},
    {"name": "frame", "tags": [
        {"id": 30, "side": 0.14, "place": pose([0, 0, 0], [0, 0, 0]), "how": "known"},
        {"id": 31, "side": 0.14, "place": pose([0.1, -0.4, 0.2], [0.3, -0.1, 0.05]), "how": "free"}]},
]
TRUE_BODY = [pose([0, 0, 0], [0, 0, 0]), pose([0.2, -0.5, 0.1], [0.7, 0.1, -0.2]), pose([-0.7, 0.1, 0.3], [-0.1, -0.6, 0.1]),
             pose([0.1, 0.6, -0.2], [-0.7, 0.2, -0.1])]
N_PHOTOS = 7
true_scale = rng.normal(0, SIGMA_COMMON)
tags = [(b, t) for b, body in enumerate(BODIES) for t in range(len(body["tags"]))]
true_each = {bt: rng.normal(0, SIGMA_EACH) for bt in tags}
true_lens = LENS + rng.normal(0, 1, 9) * LENS_SIGMA
true_place = {}
for b, t in tags:
    tag = BODIES[b]["tags"][t]
    d = rng.normal(0, 1, 6) * PLACE_SIGMA if tag["how"] == "measured" else np.zeros(6)
    true_place[b, t] = tag["place"] @ pose(d[:3], d[3:])

views = []
true_camera = []
for k in range(N_PHOTOS):
    centre = np.array([1.3 * np.sin(0.5 * (k - 3)), 0.35 * (-1) ** k, 1.8 + 0.1 * k])
    z = -centre / np.linalg.norm(centre)
    x = np.cross([0.1 * (k - 3), 1.0, 0], z)
    x /= np.linalg.norm(x)
    r = np.stack([x, np.cross(z, x), z])
    camera = np.eye(4)
    camera[:3, :3] = r
    camera[:3, 3] = -r @ centre
    true_camera.append(camera)
    for b, t in tags:
        tag = BODIES[b]["tags"][t]
        m = camera @ TRUE_BODY[b] @ true_place[b, t]
        corners = UNIT * tag["side"] * (1 + true_scale + true_each[b, t])
        p = corners @ m[:3, :3].T + m[:3, 3]
        px = project(true_lens, p)
        facing = -(m[:3, 2] @ m[:3, 3]) / np.linalg.norm(m[:3, 3])
        if facing < 0.25 or (px < 5).any() or (px > [1275, 715]).any():
            continue
        a = rng.normal(0, 0.04, (8, 8))
        cov = a @ a.T + np.eye(8) * 0.05**2
        px = px + np.linalg.cholesky(cov).dot(rng.normal(0, 1, 8)).reshape(4, 2)
        views.append({"photo": k, "body": b, "tag": t, "px": px, "cov": cov})

# --- one dense parameter vector
free_bodies = [1, 2, 3]
moving = [(1, 1), (3, 1)]
lens_free = [k for k in range(9) if LENS_SIGMA[k] > 0]


def unpack(v):
    at = 0

    def take(n):
        nonlocal at
        at += n
        return v[at - n:at]

    cameras = [pose(w[:3], w[3:]) for w in (take(6) for _ in range(N_PHOTOS))]
    bodies = [np.eye(4)] + [pose(w[:3], w[3:]) for w in (take(6) for _ in free_bodies)]
    places = {bt: BODIES[bt[0]]["tags"][bt[1]]["place"] for bt in tags}
    for bt in moving:
        w = take(6)
        places[bt] = pose(w[:3], w[3:])
    common = take(1)[0]
    each = dict(zip(tags, take(len(tags))))
    lens = LENS.copy()
    lens[lens_free] += take(len(lens_free)) * LENS_SIGMA[lens_free]
    return cameras, bodies, places, common, each, lens


WHITEN = [np.linalg.inv(np.linalg.cholesky(v["cov"])) for v in views]


def residuals(vector):
    cameras, bodies, places, common, each, lens = unpack(vector)
    out = []
    for v, w in zip(views, WHITEN):
        bt = v["body"], v["tag"]
        m = cameras[v["photo"]] @ bodies[v["body"]] @ places[bt]
        corners = UNIT * BODIES[bt[0]]["tags"][bt[1]]["side"] * (1 + common + each[bt])
        out.append(w @ (project(lens, corners @ m[:3, :3].T + m[:3, 3]) - v["px"]).ravel())
    d = np.linalg.inv(BODIES[1]["tags"][1]["place"]) @ places[1, 1]
    out.append(np.concatenate([Rotation.from_matrix(d[:3, :3]).as_rotvec(), d[:3, 3]]) / PLACE_SIGMA)
    out.append([common / SIGMA_COMMON])
    out.append([each[bt] / SIGMA_EACH for bt in tags])
    out.append((lens - LENS)[lens_free] / LENS_SIGMA[lens_free])
    return np.concatenate(out)


def vector_of(m):
    return np.concatenate([Rotation.from_matrix(m[:3, :3]).as_rotvec(), m[:3, 3]])


start = np.concatenate([vector_of(m) for m in true_camera] + [vector_of(TRUE_BODY[b]) for b in free_bodies]
                       + [vector_of(true_place[bt]) for bt in moving] + [np.zeros(1 + len(tags) + len(lens_free))])


def jacobian(x):
    h = 1e-6
    return np.stack([(residuals(x + h * e) - residuals(x - h * e)) / (2 * h) for e in np.eye(len(x))], axis=1)


fit = least_squares(residuals, start, jac=jacobian, method="trf", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=200)
x = fit.x
for _ in range(5):  # Gauss-Newton to the last digits
    j = jacobian(x)
    x = x - np.linalg.lstsq(j, residuals(x), rcond=None)[0]
j = jacobian(x)
cov = np.linalg.inv(j.T @ j)

# Covariance of the bodies in the steps of `world_from_body · exp(δ)`, δ = [rotation, translation] in the body's axes.
first = 6 * N_PHOTOS


def steps(vector, base):
    out = []
    for k, _ in enumerate(free_bodies):
        w = vector[first + 6 * k:first + 6 * k + 6]
        d = np.linalg.inv(base[k]) @ pose(w[:3], w[3:])
        out.append(np.concatenate([Rotation.from_matrix(d[:3, :3]).as_rotvec(), d[:3, 3]]))
    return np.concatenate(out)


base = [pose(x[first + 6 * k:first + 6 * k + 3], x[first + 6 * k + 3:first + 6 * k + 6]) for k, _ in enumerate(free_bodies)]
h = 1e-6
a = np.stack([(steps(x + h * e, base) - steps(x - h * e, base)) / (2 * h) for e in np.eye(len(x))], axis=1)
cov_steps = a @ cov @ a.T
_, bodies, _, common, _, lens = unpack(x)

folder = Path(sys.argv[1])
network = {
    "note": "invented; made by tests/referee/solve.py",
    "lens": LENS.tolist(), "lens_sigma": LENS_SIGMA.tolist(), "image_size": [1280, 720],
    "sigma_common": SIGMA_COMMON, "sigma_each": SIGMA_EACH, "place_sigma": PLACE_SIGMA.tolist(), "n_photos": N_PHOTOS,
    "bodies": [{"name": body["name"], "tags": [{**{k: tag[k] for k in ("id", "side", "how")}, "place": tag["place"].tolist()} for tag in body["tags"]]}
               for body in BODIES],
    "views": [{"photo": v["photo"], "id": BODIES[v["body"]]["tags"][v["tag"]]["id"], "px": v["px"].tolist(), "cov": v["cov"].tolist()} for v in views],
}
expected = {
    "cost": float(np.sum(residuals(x) ** 2)), "n_residuals": int(len(residuals(x))), "n_unknowns": int(len(x)),
    "bodies": {BODIES[b]["name"]: bodies[b].tolist() for b in free_bodies},
    "cov_bodies": [BODIES[b]["name"] for b in free_bodies], "cov": cov_steps.tolist(),
    "common_scale": float(common), "lens": lens.tolist(),
    "lens_sigma": [float(np.sqrt(cov[i, i]) * LENS_SIGMA[k]) for i, k in zip(range(len(x) - len(lens_free), len(x)), lens_free)] + [0.0],
}
(folder / "network.json").write_text(json.dumps(network))
(folder / "expected.json").write_text(json.dumps(expected))
print(len(views), "views,", len(x), "unknowns, cost", expected["cost"], "gradient", float(np.abs(j.T @ residuals(x)).max()))
