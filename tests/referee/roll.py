"""An independent referee for the rolled car: a small network with two plates at three roll positions, solved with a general-purpose optimiser.

    python3 tests/referee/roll.py fixtures/referee

Writes `roll_network.json` (a seeded invented network) and `roll_expected.json` (solution and covariance by scipy.optimize.least_squares). The model is
written the other way round than in the survey: no plate has a pose of its own; each follows from the car's place, the wheel's centre and axis in the
car with their small deviations at each position (unknowns with a prior), a free spin angle and the clamp.
Made with Python 3.11, numpy 2.x, scipy 1.x.
"""
import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

rng = np.random.default_rng(20261126)
UNIT = np.array([[-0.5, -0.5, 0], [0.5, -0.5, 0], [0.5, 0.5, 0], [-0.5, 0.5, 0]])
F, CX, CY = 1150.0, 640.0, 360.0
SIDE = 0.2
STEADY = {"height": 4e-4, "level": 1e-4, "toe": 9e-5, "camber": 3.5e-4, "slope": 1e-3, "curvature": 2e-3}
U_ASIDE, U_ALONG, STAND_OFF = 4e-4, 5e-4, 0.185
POSITIONS = [0.0, 0.34, 0.65]
RADIUS = 0.31


def rot(v):
    return Rotation.from_rotvec(v).as_matrix()


def pose(v, t):
    m = np.eye(4)
    m[:3, :3], m[:3, 3] = rot(v), t
    return m


def to_axis(a):
    """The shortest rotation that takes z to a."""
    z = np.array([0, 0, 1.0])
    c = np.cross(z, a)
    s = np.linalg.norm(c)
    if s < 1e-12:
        return np.eye(3) if a[2] > 0 else rot([np.pi, 0, 0])
    return rot(c / s * np.arctan2(s, a[2]))


def project(p):
    return np.stack([F * p[:, 0] / p[:, 2] + CX, F * p[:, 1] / p[:, 2] + CY], axis=1)


# --- truth: a board in the middle (held), five sheets around it, two wheels left and right of it
BOARD = [pose([0, 0, 0], [x, y, 0.02]) for y in (-0.3, 0.3) for x in (-0.3, 0.3)]
SHEETS = [pose([1e-3 * k, -2e-3, 0.7 * k], [x, y, 1e-3 + 3e-4 * (k % 3)]) for k, (x, y) in
          enumerate([(-0.9, 0.5), (1.3, 0.6), (-0.8, -0.5), (1.2, -0.6), (0.6, 0.0)])]
true_motion = [np.array([s, 0.002 * s, 0.0015 * s]) for s in POSITIONS]
TRUE_TILT = rng.normal(0, STEADY["slope"], 2)
WHEELS = []
for side in (1.0, -1.0):
    axis = np.array([0.001 * side, side, 0.02])
    tilt = rng.normal(0, 0.012, 2)
    a = np.array([tilt[0], tilt[1], 1.0])
    a /= np.linalg.norm(a)
    WHEELS.append({"centre": np.array([0.0, side * 0.7, RADIUS]), "axis": axis / np.linalg.norm(axis), "a": a,
                   "hub": -a * STAND_OFF + np.append(rng.normal(0, U_ASIDE, 2), rng.normal(0, U_ALONG)),
                   "spin0": rng.uniform(-0.3, 0.3), "side": side})


def planar(m):
    return pose([0, 0, m[2]], [m[0], m[1], 0])


def plate_pose(lane, tilt, motion, centre, axis, spin, a, hub, shift, lean):
    """world_from_plate: car's place, wheel in the car with its deviations, spin, clamp."""
    car = lane @ pose([tilt[0], tilt[1], 0], [0, 0, 0]) @ planar(motion)
    along = axis + np.array([lean[0], 0, lean[1]])
    r = to_axis(along / np.linalg.norm(along)) @ rot([0, 0, spin]) @ to_axis(a).T
    m = np.eye(4)
    m[:3, :3] = r
    m[:3, 3] = centre + shift - r @ hub
    return car @ m


TRUE_PLATE = {}
for w, wheel in enumerate(WHEELS):
    for p, s in enumerate(POSITIONS):
        shift = rng.normal(0, 1, 3) * [STEADY["level"], STEADY["level"], STEADY["height"]]
        lean = rng.normal(0, 1, 2) * [STEADY["toe"], STEADY["camber"]]
        # Rolling forward turns both wheels about +y: along the left one's outward axis, against the right one's.
        spin = wheel["spin0"] + wheel["side"] * s / RADIUS
        TRUE_PLATE[w, p] = plate_pose(np.eye(4), TRUE_TILT, true_motion[p], wheel["centre"], wheel["axis"], spin, wheel["a"], wheel["hub"], shift, lean)

# --- photographs
photos, views = [], []
for p in range(3):
    for k in range(6):
        side = 1 if k < 3 else -1
        centre = np.array([0.3 + 0.7 * (k % 3 - 1), side * 2.1, 1.1 + 0.1 * k])
        target = np.array([0.3 * POSITIONS[p] + 0.1, side * 0.3, 0.1])
        z = (target - centre) / np.linalg.norm(target - centre)
        x = np.cross(z, [0.1, 0, 1.0])
        x /= np.linalg.norm(x)
        r = np.stack([x, np.cross(z, x), z])
        camera = np.eye(4)
        camera[:3, :3], camera[:3, 3] = r, -r @ centre
        photos.append((p, camera))
        things = [("board", t, m) for t, m in enumerate(BOARD)] + [(f"sheet {i}", 0, m) for i, m in enumerate(SHEETS)]
        things += [(f"plate {w}", 0, TRUE_PLATE[w, p]) for w in range(2)]
        for name, tag, m in things:
            c = camera @ m
            px = project(UNIT * SIDE @ c[:3, :3].T + c[:3, 3])
            facing = -(c[:3, 2] @ c[:3, 3]) / np.linalg.norm(c[:3, 3])
            if facing < 0.25 or (px < 3).any() or (px > [1276, 716]).any():
                continue
            b = rng.normal(0, 0.03, (8, 8))
            cov = b @ b.T + np.eye(8) * 0.04**2
            seen = px + (np.linalg.cholesky(cov) @ rng.normal(0, 1, 8)).reshape(4, 2)
            views.append({"photo": len(photos) - 1, "body": name, "tag": tag, "px": seen, "cov": cov})
WHITEN = [np.linalg.inv(np.linalg.cholesky(v["cov"])) for v in views]


def corner_rows(cameras, sheets, plates):
    out = []
    for v, w in zip(views, WHITEN):
        p = photos[v["photo"]][0]
        kind = v["body"].split()
        m = BOARD[v["tag"]] if kind[0] == "board" else sheets[int(kind[1])] if kind[0] == "sheet" else plates[int(kind[1]), p]
        c = cameras[v["photo"]] @ m
        out.append(w @ (project(UNIT * SIDE @ c[:3, :3].T + c[:3, 3]) - v["px"]).ravel())
    return out


def vector_of(m):
    return np.concatenate([Rotation.from_matrix(m[:3, :3]).as_rotvec(), m[:3, 3]])


def solve(residuals, start):
    def jacobian(x):
        h = 1e-6
        return np.stack([(residuals(x + h * e) - residuals(x - h * e)) / (2 * h) for e in np.eye(len(x))], axis=1)

    x = least_squares(residuals, start, jac=jacobian, x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=60).x
    for _ in range(4):
        x = x - np.linalg.lstsq(jacobian(x), residuals(x), rcond=None)[0]
    return x, jacobian(x)


KEYS = [(w, p) for w in range(2) for p in range(3)]
N_CAMERAS, N_SHEETS = len(photos), len(SHEETS)


def poses(v, n):
    return [pose(w[:3], w[3:]) for w in v.reshape(n, 6)]


# --- first without the roll: every plate on its own, for the floor's normal and the lane
def free_residuals(v):
    a, b = 6 * N_CAMERAS, 6 * (N_CAMERAS + N_SHEETS)
    return np.concatenate(corner_rows(poses(v[:a], N_CAMERAS), poses(v[a:b], N_SHEETS), dict(zip(KEYS, poses(v[b:], 6)))))


start = np.concatenate([vector_of(c) for _, c in photos] + [vector_of(m) for m in SHEETS] + [vector_of(TRUE_PLATE[k]) for k in KEYS])
x, _ = solve(free_residuals, start)
free_cost = float(np.sum(free_residuals(x) ** 2))
a, b = 6 * N_CAMERAS, 6 * (N_CAMERAS + N_SHEETS)
centres = np.array([m[:3, 3] for m in poses(x[a:b], N_SHEETS)])
up = np.linalg.svd(centres - centres.mean(0))[2][2]
up = up if up[2] > 0 else -up
plates = dict(zip(KEYS, poses(x[b:], 6)))


def eigen_axis(w):
    scatter = np.zeros((3, 3))
    for p in range(3):
        for q in range(p + 1, 3):
            d = plates[w, p][:3, :3] - plates[w, q][:3, :3]
            scatter += d.T @ d
    axis = np.linalg.eigh(scatter)[1][:, 0]
    return axis if axis[2] > 0 else -axis


axes = [eigen_axis(w) for w in range(2)]
hubs = [(plates[w, 0] @ np.append(-axes[w] * STAND_OFF, 1))[:3] for w in range(2)]
along = np.cross(plates[0, 0][:3, :3] @ axes[0], up)
along /= np.linalg.norm(along)
LANE = np.eye(4)
LANE[:3, :3] = np.stack([along, np.cross(up, along), up], axis=1)
LANE[:3, 3] = np.mean(hubs, axis=0)
NOMINAL = np.array([0, 0, 1.0])
# The ways between the positions, from the hubs as declared.
MIDDLES = [np.mean([(plates[w, p] @ np.append(-axes[w] * STAND_OFF, 1))[:3] for w in range(2)], axis=0) for p in range(3)]
WAYS = [float(np.sign((MIDDLES[p + 1] - MIDDLES[p]) @ along) * np.hypot(*((MIDDLES[p + 1] - MIDDLES[p]) @ LANE[:3, :2]))) for p in range(2)]


# --- then the rolled car as one: per wheel centre 3, axis angles 2, clamp axis 2, hub 3; per wheel and position spin 1, shift 3, lean 2
def unit(t, base):
    """Unit vector near base (±y or z), from two small components."""
    v = base.astype(float).copy()
    free = [k for k in range(3) if base[k] == 0]
    v[free] = t
    return v / np.linalg.norm(v)


def unpack(v):
    at = 0

    def take(n):
        nonlocal at
        at += n
        return v[at - n:at]

    cameras = poses(take(6 * N_CAMERAS), N_CAMERAS)
    sheets = poses(take(6 * N_SHEETS), N_SHEETS)
    tilt = take(2)
    curvature = take(1)[0]
    motion = [np.zeros(3), take(3), take(3)]
    wheels = []
    for w, wheel in enumerate(WHEELS):
        base = np.array([0, wheel["side"], 0])
        wheels.append({"centre": take(3), "axis": unit(take(2), base), "a": unit(take(2), NOMINAL), "hub": take(3)})
    small = {k: {"spin": take(1)[0], "shift": take(3), "lean": take(2)} for k in KEYS}
    found = {}
    for w, p in KEYS:
        s, wheel = small[w, p], wheels[w]
        found[w, p] = plate_pose(LANE, tilt, motion[p], wheel["centre"], wheel["axis"], s["spin"], wheel["a"], wheel["hub"], s["shift"], s["lean"])
    return cameras, sheets, tilt, motion, wheels, small, found, curvature


def residuals(v):
    cameras, sheets, tilt, motion, wheels, small, found, curvature = unpack(v)
    out = corner_rows(cameras, sheets, found)
    out.append(tilt / STEADY["slope"])
    out.append([curvature / STEADY["curvature"]])
    for k in range(2):
        out.append([(motion[k + 1][2] - motion[k][2] - curvature * WAYS[k]) / (0.5 * STEADY["curvature"] * abs(WAYS[k]) + 5e-5)])
    for wheel in wheels:
        off = wheel["hub"] + wheel["a"] * STAND_OFF
        out.append(off / np.array([U_ASIDE, U_ASIDE, U_ALONG]))
    for k in KEYS:
        out.append(small[k]["shift"] / np.array([STEADY["level"], STEADY["level"], STEADY["height"]]))
        out.append(small[k]["lean"] / np.array([STEADY["toe"], STEADY["camber"]]))
    return np.concatenate(out)


in_lane = np.linalg.inv(LANE)
wheel_start = []
for w, wheel in enumerate(WHEELS):
    axis = in_lane[:3, :3] @ plates[w, 0][:3, :3] @ axes[w]
    axis = axis / abs(axis[1])
    wheel_start += [(in_lane @ np.append(hubs[w], 1))[:3], axis[[0, 2]], axes[w][:2] / axes[w][2], -axes[w] * STAND_OFF]
small_start = []
for w, p in KEYS:
    # The spin that the plate's pose shows, with the axis where the first position has it.
    axis = in_lane[:3, :3] @ plates[w, 0][:3, :3] @ axes[w]
    r = to_axis(axis / np.linalg.norm(axis)).T @ in_lane[:3, :3] @ plates[w, p][:3, :3] @ to_axis(axes[w])
    small_start += [np.array([np.arctan2(r[1, 0], r[0, 0])]), np.zeros(3), np.zeros(2)]
start = np.concatenate([x[:b], np.zeros(3)] + [m for m in true_motion[1:]] + wheel_start + small_start)
x, j = solve(residuals, start)
cov = np.linalg.inv(j.T @ j)


def outputs(v):
    """Wheel centre and axis in the board's frame, for every wheel and position."""
    _, _, _, _, wheels, _, found, _ = unpack(v)
    out = []
    for w, p in KEYS:
        m, wheel = found[w, p], wheels[w]
        out += [(m @ np.append(wheel["hub"], 1))[:3], m[:3, :3] @ wheel["a"]]
    return np.concatenate(out)


h = 1e-6
g = np.stack([(outputs(x + h * e) - outputs(x - h * e)) / (2 * h) for e in np.eye(len(x))], axis=1)
_, sheets, _, motion, wheels, _, found, _ = unpack(x)
folder = Path(sys.argv[1])
short = lambda m: [[float(f"{v:.10g}") for v in row] for row in m]
network = {
    "note": "invented; made by tests/referee/roll.py", "f": F, "cx": CX, "cy": CY, "image_size": [1280, 720], "side": SIDE,
    "steady": STEADY, "u_aside": U_ASIDE, "u_along": U_ALONG, "stand_off": STAND_OFF,
    "board": [m.tolist() for m in BOARD], "n_sheets": N_SHEETS, "positions": [p for p, _ in photos],
    "views": [{"photo": v["photo"], "body": v["body"], "tag": v["tag"], "px": short(v["px"]), "cov": short(v["cov"])} for v in views],
}
expected = {
    "free_cost": free_cost, "cost": float(np.sum(residuals(x) ** 2)), "n_residuals": len(residuals(x)), "n_unknowns": len(x),
    "plates": {f"{w} {p}": found[w, p].tolist() for w, p in KEYS}, "sheets": [m.tolist() for m in sheets],
    "hubs": [wheel["hub"].tolist() for wheel in wheels], "axes": [wheel["a"].tolist() for wheel in wheels],
    "motion": [list(map(float, m)) for m in motion],
    "outputs": outputs(x).tolist(), "cov": [[float(f"{v:.8g}") for v in row] for row in g @ cov @ g.T],
}
(folder / "roll_network.json").write_text(json.dumps(network))
(folder / "roll_expected.json").write_text(json.dumps(expected))
print(len(views), "views,", len(x), "unknowns, cost", expected["cost"], "free", free_cost, "gradient", float(np.abs(j.T @ residuals(x)).max()))
print("true hubs", [w["hub"] for w in WHEELS], "found", expected["hubs"])
