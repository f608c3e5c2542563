"""Projects points with OpenCV. Reads {model, parameters, points} as JSON, prints a list of pixels as JSON."""

import json
import sys

import cv2
import numpy as np

question = json.load(sys.stdin)
fx, fy, cx, cy, *bent = question["parameters"]
matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
points = np.array(question["points"]).reshape(-1, 1, 3)
rest = np.zeros(3)
if question["model"] == "brown-conrady":
    k1, k2, k3, p1, p2 = bent
    pixels, _ = cv2.projectPoints(points, rest, rest, matrix, np.array([k1, k2, p1, p2, k3]))
else:
    pixels, _ = cv2.fisheye.projectPoints(points, rest, rest, matrix, np.array(bent))
json.dump(pixels.reshape(-1, 2).tolist(), sys.stdout)
