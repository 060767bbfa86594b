"""The focal length of the room's camera (fixtures/room) from its chessboard photographs by a general-purpose vision library, and how sure that is, for tests/room.rs.

Run: python tests/referee/room_chessboard.py FOLDER   (needs numpy and opencv-python; FOLDER holds IMG_1428.JPG to IMG_1438.JPG of the source that fixtures/room/README.md names)

One calibration's answer depends on the size of the window in which corners are refined and on which distortion terms are free. Nobody knows the right choice here, so
all usual ones are run: their scatter, and the standard deviation that the calibration itself states, are both part of the uncertainty.
"""
import glob
import os
import sys

import cv2
import numpy as np

INNER = (7, 5)
board = np.zeros((INNER[0] * INNER[1], 3), np.float32)
board[:, :2] = np.mgrid[0 : INNER[0], 0 : INNER[1]].T.reshape(-1, 2)
photographs = [
    cv2.imread(name, 0)
    for number in range(1428, 1439)
    for name in glob.glob(os.path.join(sys.argv[1], f"*IMG_{number}.JPG"))
]
size = photographs[0].shape[::-1]


def refined(window):
    """The corners of every photograph in which the whole board is found; window 0 is the library's other detector."""
    seen = []
    for gray in photographs:
        if window == 0:
            found, corners = cv2.findChessboardCornersSB(gray, INNER, flags=cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY)
        else:
            found, corners = cv2.findChessboardCorners(gray, INNER, None)
        if found:
            if window:
                corners = cv2.cornerSubPix(gray, corners, (window, window), (-1, -1), (3, 50, 1e-3))
            seen.append(corners)
    return seen


same, straight, first = cv2.CALIB_FIX_ASPECT_RATIO, cv2.CALIB_ZERO_TANGENT_DIST, cv2.CALIB_FIX_K2
choices = {"two axes": 0, "one axis": same, "radial only": same | straight, "k1 only": same | straight | first}
focal, stated = [], []
for window in (0, 3, 4, 5, 6, 7, 8, 9):
    seen = refined(window)
    for name, flags in choices.items():
        guess = np.array([[768, 0, 407.5], [0, 768, 305.5], [0, 0, 1.0]])
        flags |= cv2.CALIB_FIX_K3 | cv2.CALIB_USE_INTRINSIC_GUESS
        rms, k, _, _, _, sigma, _, _ = cv2.calibrateCameraExtended([board] * len(seen), seen, size, guess, None, flags=flags)
        focal.append((k[0, 0] + k[1, 1]) / 2)
        stated.append(sigma[1, 0])
        print(f"window {window}, {name}: {len(seen)} boards, rms {rms:.3f} px, f {focal[-1]:.1f} px, stated sigma {stated[-1]:.1f} px")
print(f"f {min(focal):.1f} to {max(focal):.1f} px, mean {np.mean(focal):.1f}, scatter {np.std(focal, ddof=1):.1f}; stated sigma {min(stated):.1f} to {max(stated):.1f} px")
