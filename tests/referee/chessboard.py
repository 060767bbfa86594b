"""The chessboard photographs of fixtures/boards through a general-purpose vision library, for the figures in tests/lens.rs.

Run: python tests/referee/chessboard.py   (needs numpy and opencv-python)
"""
import glob
import os

import cv2
import numpy as np

folder = os.path.join(os.path.dirname(__file__), "..", "..", "fixtures", "boards", "chessboard")
board = np.zeros((54, 3), np.float32)
board[:, :2] = np.mgrid[0:9, 0:6].T.reshape(-1, 2) * 0.025
for window in (5, 11):
    seen = []
    for name in sorted(glob.glob(os.path.join(folder, "*.jpg"))):
        gray = cv2.imread(name, 0)
        _, corners = cv2.findChessboardCorners(gray, (9, 6))
        seen.append(cv2.cornerSubPix(gray, corners, (window, window), (-1, -1), (3, 50, 1e-4)))
    rms, k, d, _, _ = cv2.calibrateCamera([board] * len(seen), seen, (640, 480), None, None)
    print(window, round(rms, 4), k[0, 0], k[1, 1], k[0, 2], k[1, 2], d.ravel())
