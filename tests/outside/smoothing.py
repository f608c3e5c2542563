"""`filter`: Butterworth forward and backward by SciPy. `spline`: smoothing splines with generalised
cross-validation, of the data that the wheel of SciPy carries. `views`: two views by OpenCV. JSON in, JSON out."""

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import scipy
from scipy.interpolate import make_smoothing_spline
from scipy.signal import butter, filtfilt

question = json.load(sys.stdin)
if sys.argv[1] == "filter":
    rate = question["rate_hz"]
    # Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69: each pass is designed for a higher frequency.
    raised = np.tan(np.pi * question["cutoff_hz"] / rate) / (np.sqrt(2) - 1) ** 0.25
    b, a = butter(2, np.arctan(raised) * rate / np.pi, fs=rate)
    smooth = filtfilt(b, a, question["values"])
    json.dump({"b": b.tolist(), "a": a.tolist(), "smooth": smooth.tolist()}, sys.stdout)
elif sys.argv[1] == "spline":
    # Woltring's GCVSPL (ACM TOMS algorithm 642), its output kept by SciPy for its own test.
    data = np.load(Path(scipy.__file__).parent / "interpolate/tests/data/gcvspl.npz")
    x, y = data["x"], data["y"]
    answer = {"x": x, "y": y, "gcvspl": data["y_GCVSPL"], "scipy": make_smoothing_spline(x, y)(x)}
    json.dump({name: values.tolist() for name, values in answer.items()}, sys.stdout)
else:
    first, second = np.array(question["first"]), np.array(question["second"])
    pixels = [np.array(p, dtype=float).reshape(1, 1, 2) for p in question["pixels"]]
    corrected = cv2.correctMatches(np.array(question["fundamental"]), *pixels)

    def point(pair):
        h = cv2.triangulatePoints(first, second, *[p.reshape(2, 1) for p in pair]).ravel()
        return (h[:3] / h[3]).tolist()

    answer = {"corrected": [p.ravel().tolist() for p in corrected], "linear": point(pixels), "best": point(corrected)}
    json.dump(answer, sys.stdout)
