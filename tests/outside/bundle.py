"""The same corners adjusted by OpenCV and by SciPy. Reads {size, corners, views} as JSON: `views[camera][frame]` is a list of
pixels, or null where that camera does not see the board. A lens is fx, fy, cx, cy, k1, k2, p1, p2; a camera is the rotation
vector and the translation that bring the first camera's frame to its own. Prints JSON."""

import json
import sys

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

question = json.load(sys.stdin)
size = tuple(question["size"])
corners = np.array(question["corners"])
views = [[None if view is None else np.array(view) for view in camera] for camera in question["views"]]
count, frames = len(views), range(len(views[0]))
flat = corners.astype(np.float32).reshape(-1, 1, 3)
END = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 1000, 1e-16)
FEW = cv2.CALIB_FIX_K3


def pixels(view):
    return view.astype(np.float32).reshape(-1, 1, 2)


def lens_of(matrix, bent):
    return [matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *bent.ravel()[:4]]


def alone(camera):
    seen = [pixels(view) for view in camera if view is not None]
    rms, matrix, bent, turns, shifts = cv2.calibrateCamera(
        [flat] * len(seen), seen, size, None, None, flags=FEW, criteria=END
    )
    poses = iter(zip(turns, shifts))
    found = [None if view is None else matrix_of(*next(poses)) for view in camera]
    return {"rms": rms, "matrix": matrix, "bent": bent, "poses": found}


def matrix_of(turn, shift):
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_rotvec(np.ravel(turn)).as_matrix()
    pose[:3, 3] = np.ravel(shift)
    return pose


def six(pose):
    return np.concatenate([Rotation.from_matrix(pose[:3, :3]).as_rotvec(), pose[:3, 3]])


def project(lens, points):
    fx, fy, cx, cy, k1, k2, p1, p2 = lens
    a, b = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    r2 = a * a + b * b
    bend = 1 + k1 * r2 + k2 * r2 * r2
    x = a * bend + 2 * p1 * a * b + p2 * (r2 + 2 * a * a)
    y = b * bend + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b
    return np.stack([fx * x + cx, fy * y + cy], 1)


def all_at_once(singles):
    """Every lens, every camera's and every board's pose by MINPACK's Levenberg-Marquardt from central differences."""
    seen = [(c, f) for c in range(count) for f in frames if views[c][f] is not None]
    poses = [single["poses"] for single in singles]
    cameras = [np.eye(4)]
    for c in range(1, count):
        both = next(f for f in frames if poses[0][f] is not None and poses[c][f] is not None)
        cameras.append(poses[c][both] @ np.linalg.inv(poses[0][both]))
    boards = []
    for f in frames:
        c = next(c for c in range(count) if poses[c][f] is not None)
        boards.append(np.linalg.inv(cameras[c]) @ poses[c][f])

    def unpack(x):
        rest = x[8 * count :].reshape(-1, 6)
        return x[: 8 * count].reshape(count, 8), np.vstack([np.zeros(6), rest[: count - 1]]), rest[count - 1 :]

    def residuals(x):
        lenses, from_first, from_board = unpack(x)
        away = Rotation.from_rotvec(from_first[:, :3]).as_matrix()
        turned = Rotation.from_rotvec(from_board[:, :3]).as_matrix()
        parts = []
        for c, f in seen:
            first = corners @ turned[f].T + from_board[f, 3:]
            parts.append(project(lenses[c], first @ away[c].T + from_first[c, 3:]) - views[c][f])
        return np.concatenate(parts).ravel()

    start = np.concatenate(
        [np.ravel([lens_of(s["matrix"], s["bent"]) for s in singles]), *map(six, cameras[1:]), *map(six, boards)]
    )
    found = least_squares(residuals, start, jac="3-point", method="lm", x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    lenses, from_first, _ = unpack(found.x)
    return {"rms": np.sqrt(2 * found.cost / (len(seen) * len(corners))), "lenses": lenses.tolist(), "cameras": from_first.tolist()}


def stereo(singles):
    both = [f for f in frames if all(camera[f] is not None for camera in views)]
    seen = [[pixels(camera[f]) for f in both] for camera in views]
    first, second = singles
    rms, m1, d1, m2, d2, turn, shift, _, _ = cv2.stereoCalibrate(
        [flat] * len(both), *seen, first["matrix"].copy(), first["bent"].copy(), second["matrix"].copy(), second["bent"].copy(),
        size, flags=FEW | cv2.CALIB_USE_INTRINSIC_GUESS, criteria=END,
    )
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, shift.ravel()
    return {"rms": rms, "lenses": [lens_of(m1, d1), lens_of(m2, d2)], "cameras": [[0.0] * 6, six(pose).tolist()]}


def multiview(singles):
    """Poses of the cameras alone: version 5 holds the lenses where each camera by itself put them."""
    mask = np.array([[view is not None for view in camera] for camera in views], dtype=np.uint8)
    none = np.zeros((len(corners), 2), np.float32)
    seen = [[none if view is None else view.astype(np.float32) for view in camera] for camera in views]

    # Answers are written into what is handed over: each camera needs arrays of its own.
    def blank():
        return [np.zeros((3, 1)) for _ in range(count)]

    answer = cv2.calibrateMultiview(
        [corners.astype(np.float32)] * len(frames), seen, [size] * count, mask, np.zeros(count, np.uint8),
        [s["matrix"].copy() for s in singles], [s["bent"].reshape(1, -1) for s in singles], blank(), blank(),
        flagsForIntrinsics=np.full(count, FEW, np.int32), flags=cv2.CALIB_USE_INTRINSIC_GUESS, criteria=END,
    )
    rms, matrices, bents, turns, shifts = answer[:5]
    lenses = [lens_of(m, b) for m, b in zip(matrices, bents)]
    cameras = [np.concatenate([turn.ravel(), shift.ravel()]) for turn, shift in zip(turns, shifts)]
    return {"rms": rms, "lenses": lenses, "cameras": [c.tolist() for c in cameras]}


singles = [alone(camera) for camera in views]
answer = {
    "opencv": cv2.__version__,
    "alone": [{"rms": s["rms"], "lens": lens_of(s["matrix"], s["bent"])} for s in singles],
    "together": all_at_once(singles),
    "stereo": stereo(singles) if count == 2 else None,
    "multiview": multiview(singles) if hasattr(cv2, "calibrateMultiview") else None,
}
json.dump(answer, sys.stdout)
