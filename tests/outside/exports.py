"""Reads the exports in a folder with ezc3d and jsonschema, and holds the C3D files against the sheet. Usage: exports.py FOLDER"""

import json
import sys
from pathlib import Path

import ezc3d
import jsonschema
import numpy as np

folder = Path(sys.argv[1])
sheet = json.loads((folder / "sheet.json").read_text())
schema = json.loads((folder / "schema.json").read_text())
kind = jsonschema.validators.validator_for(schema)
kind.check_schema(schema)
kind(schema).validate(sheet)
broken = json.loads(json.dumps(sheet))
del broken["shots"][0]["curves"]
assert not kind(schema).is_valid(broken), "a sheet without curves must not pass"
print(f"sheet.json satisfies its schema ({kind.__name__})")

assert sheet["shots"]
for shot in sheet["shots"]:
    trial = ezc3d.c3d(str(folder / f"{shot['id']}.c3d"))
    curves, points = shot["curves"], trial["parameters"]["POINT"]
    time, gap = np.array(curves["time_s"]), np.array(curves["in_gap"])
    assert points["LABELS"]["value"] == ["ELBOW"]
    assert points["UNITS"]["value"] == ["mm"]
    rate = points["RATE"]["value"][0]
    assert abs(rate * (time[-1] - time[0]) / (len(time) - 1) - 1) < 1e-6, rate
    read = trial["data"]["points"][:3, 0, :].T
    assert read.shape == (len(time), 3), read.shape
    assert np.array_equal(np.isnan(read).any(axis=1), gap)
    true = np.array([p if p is not None else [np.nan] * 3 for p in curves["elbow_mm"]], dtype=float)
    worst = np.abs(read[~gap] - true[~gap]).max()
    # Single precision at about a metre: 6e-5 mm.
    assert worst < 1e-4, worst
    residuals = trial["data"]["meta_points"]["residuals"].reshape(-1)
    assert (residuals[gap] < 0).all() and (residuals[~gap] >= 0).all()
    masks = trial["data"]["meta_points"]["camera_masks"].reshape(7, -1).sum(axis=0)
    assert np.array_equal(masks[~gap], np.array(curves["cameras"])[~gap]), "cameras"

    events = trial["parameters"]["EVENT"]
    minutes, seconds = np.array(events["TIMES"]["value"])
    labels = [label.strip() for label in events["LABELS"]["value"]]
    read_events = sorted(zip(minutes * 60 + seconds, labels))
    expected = [(phase["start_s"] - time[0], phase["phase"].upper()) for phase in shot["phases"]]
    for fault in shot["faults"]:
        start = fault["start_s"] - time[0]
        expected.append((start, f"{fault['kind'].upper()} START"))
        expected.append((start + fault["length_s"]["value"], f"{fault['kind'].upper()} END"))
    expected.sort()
    assert len(read_events) == len(expected)
    for (when, label), (true_when, true_label) in zip(read_events, expected):
        assert label == true_label and abs(when - true_when) < 1e-5, (when, label, true_when, true_label)
    print(f"{shot['id']}: {len(time)} instants, {gap.sum()} in gaps, {len(expected)} events, worst {worst:.1e} mm")
