"""An independent referee for points by touch: photographs, pointer holds, tip and points as one adjustment by a general-purpose optimiser.

    python3 tests/referee/points.py fixtures/referee

Writes `points_network.json` (a seeded invented network) and `points_expected.json` (tip and points with their covariance by
scipy.optimize.least_squares: one dense vector of all unknowns, the ties as observations among the corners). The survey solves the ties after the photographs, on
their joint covariance; both must give the same. Made with Python 3.11, numpy 2.x, scipy 1.x.
"""
import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

rng = np.random.default_rng(20261127)
UNIT = np.array([[-0.5, -0.5, 0], [0.5, -0.5, 0], [0.5, 0.5, 0], [-0.5, 0.5, 0]])
F, CX, CY, W, H = 1800.0, 1000.0, 750.0, 2001, 1501
SHEET, SMALL, SIGMA, U_TOUCH = 0.16, 0.06, 0.1, 5e-4
TIP = np.array([0.012, -0.31, -0.025])
POINTS = [np.array([0.05, -0.2, 0.0]), np.array([0.1, 0.2, 0.15])]
HOLDS = [0] * 7 + [1] * 3


def rot(v):
    return Rotation.from_rotvec(v).as_matrix()


def matrix(r, t):
    m = np.eye(4)
    m[:3, :3], m[:3, 3] = r, t
    return m


def apply(v6):
    return matrix(rot(v6[:3]), v6[3:])


def vector(m):
    return np.concatenate([Rotation.from_matrix(m[:3, :3]).as_rotvec(), m[:3, 3]])


SHEETS = [matrix(rot([0.002 * k, -0.001 * k, 0.5 * k]), [-0.3 + 0.6 * (k // 2), -0.35 + 0.7 * (k % 2), 0.001 * k]) for k in range(4)]
PLACES = [np.eye(4), matrix(rot([0, 0.8, 0]), [0.075, 0, -0.03])]


def camera(eye, at):
    z = (at - eye) / np.linalg.norm(at - eye)
    x = np.cross(z, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    return np.linalg.inv(matrix(np.column_stack([x, np.cross(z, x), z]), eye))


def corners(camera_from_tag, side):
    p = (side * UNIT) @ camera_from_tag[:3, :3].T + camera_from_tag[:3, 3]
    return np.stack([F * p[:, 0] / p[:, 2] + CX, F * p[:, 1] / p[:, 2] + CY], axis=1)


cameras = [camera(np.array([1.5 + 0.1 * k, -0.9 + 0.5 * k, 1.0 + 0.1 * (k % 2)]), np.zeros(3)) for k in range(4)]
pointers = []
for i, point in enumerate(HOLDS):
    around = 2 * np.pi * i / 5 + 0.3
    upright = np.column_stack([[0, 1.0, 0], [0, 0, 1.0], [1.0, 0, 0]])
    r = rot(0.5 * np.array([np.cos(around), np.sin(around), 0.3 * np.sin(2 * around)])) @ upright
    pointers.append(matrix(r, POINTS[point] + rng.normal(0, U_TOUCH, 3) - r @ TIP))
    cameras.append(camera(np.array([1.5, rng.uniform(-0.5, 0.5), rng.uniform(0.7, 1.1)]), np.array([0, 0, 0.12])))

views = []  # photo, tag id, corners
for p, cam in enumerate(cameras):
    tags = [(k, m, SHEET) for k, m in enumerate(SHEETS)]
    if p >= 4:
        tags += [(50 + k, pointers[p - 4] @ place, SMALL) for k, place in enumerate(PLACES)]
    for tag, world_from_tag, side in tags:
        m = cam @ world_from_tag
        px = corners(m, side)
        if m[:3, 2] @ m[:3, 3] < -0.2 * np.linalg.norm(m[:3, 3]) and (px > 2).all() and (px[:, 0] < W - 3).all() and (px[:, 1] < H - 3).all():
            views.append((p, tag, px + rng.normal(0, SIGMA, (4, 2))))

n_cam, n_hold = len(cameras), len(HOLDS)


def unpack(x):
    at = 0
    out = []
    for n in (n_cam, 3, n_hold):
        out.append([apply(x[at + 6 * k: at + 6 * k + 6]) for k in range(n)])
        at += 6 * n
    return out[0], [SHEETS[0]] + out[1], out[2], x[at: at + 3], [x[at + 3: at + 6], x[at + 6: at + 9]]


def residuals(x):
    cams, sheets, holds, tip, points = unpack(x)
    r = []
    for p, tag, px in views:
        world_from_tag, side = (sheets[tag], SHEET) if tag < 50 else (holds[p - 4] @ PLACES[tag - 50], SMALL)
        r.append((corners(cams[p] @ world_from_tag, side) - px).ravel() / SIGMA)
    for m, point in zip(holds, HOLDS):
        r.append((m[:3, :3] @ tip + m[:3, 3] - points[point]) / U_TOUCH)
    return np.concatenate(r)


start = np.concatenate([vector(m) for m in cameras + SHEETS[1:] + pointers] + [TIP] + POINTS)
found = least_squares(residuals, start, method="trf", x_scale="jac", jac="3-point", xtol=1e-14, ftol=1e-14, gtol=1e-14)
cov = np.linalg.inv(found.jac.T @ found.jac)[-9:, -9:]
out = Path(sys.argv[1])
network = {
    "f": F, "cx": CX, "cy": CY, "image_size": [W, H], "sheet": SHEET, "small": SMALL, "sigma_px": SIGMA, "u_touch": U_TOUCH,
    "n_sheets": 4, "places": [p.tolist() for p in PLACES], "holds": HOLDS, "n_photos": n_cam,
    # The first sheet's frame is where tip and points are told apart from everything else.
    "first_sheet": SHEETS[0].tolist(),
    "views": [{"photo": p, "id": tag, "corners": px.tolist()} for p, tag, px in views],
}
expected = {
    "tip": found.x[-9:-6].tolist(), "points": [found.x[-6:-3].tolist(), found.x[-3:].tolist()],
    "cov_tip_points": cov.tolist(), "cost": float(2 * found.cost),
}
(out / "points_network.json").write_text(json.dumps(network))
(out / "points_expected.json").write_text(json.dumps(expected))
print("chi-square", 2 * found.cost, "u", np.sqrt(np.diag(cov)) * 1e3)
