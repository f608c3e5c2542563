"""A bundle adjustment, timed: Ceres by pyceres with pycolmap's C++ projection, or SciPy where they are not at hand. Reads the
problem as JSON, prints JSON. Only the solver is timed, not the building of the problem."""

import json
import sys
import time

import numpy as np

question = json.load(sys.stdin)
points = np.array(question["points"])
pixels = np.array(question["pixels"])
boards, cameras = pixels.shape[:2]


def ceres():
    import pyceres
    import pycolmap
    from pycolmap.cost_functions import RigReprojErrorCost

    def once(kind):
        lenses = [np.array(lens) for lens in question["lenses"]]
        from_world = [(np.array(pose[:4]), np.array(pose[4:])) for pose in question["cameras"]]
        from_board = [(np.array(pose[:4]), np.array(pose[4:])) for pose in question["boards"]]
        corners = [np.array(point) for point in points]
        problem = pyceres.Problem()
        for b in range(boards):
            for c in range(cameras):
                for corner, pixel in zip(corners, pixels[b, c]):
                    cost = RigReprojErrorCost(pycolmap.CameraModelId.OPENCV, pixel)
                    problem.add_residual_block(cost, None, [*from_world[c], *from_board[b], corner, lenses[c]])
        for corner in corners:
            problem.set_parameter_block_constant(corner)
        for turn, _ in from_world + from_board:
            problem.set_manifold(turn, pyceres.EigenQuaternionManifold())
        for block in from_world[0]:
            problem.set_parameter_block_constant(block)
        options = pyceres.SolverOptions()
        options.linear_solver_type = kind
        options.num_threads = question["threads"]
        options.max_num_iterations = 100
        options.function_tolerance = question["least_fall"]
        options.gradient_tolerance = 1e-16
        options.parameter_tolerance = 1e-16
        options.minimizer_progress_to_stdout = False
        options.logging_type = pyceres.LoggingType.SILENT
        summary = pyceres.SolverSummary()
        pyceres.solve(options, problem, summary)
        return summary

    # The kinds that suit few cameras; the faster of them counts.
    best = None
    for name in ["DENSE_SCHUR", "SPARSE_SCHUR"]:
        runs = [once(getattr(pyceres.LinearSolverType, name)) for _ in range(question["runs"])]
        seconds = [run.total_time_in_seconds for run in runs]
        if best is None or min(seconds) < min(best[1]):
            best = (name, seconds, runs[-1])
    name, seconds, last = best
    return {
        "solver": f"Ceres {name}",
        "seconds": seconds,
        "cost": last.final_cost,
        "steps": last.num_successful_steps,
        "report": last.BriefReport(),
    }


def scipy():
    from scipy.optimize import least_squares
    from scipy.sparse import lil_matrix
    from scipy.spatial.transform import Rotation

    start_from_world = np.array(question["cameras"])
    start_from_board = np.array(question["boards"])

    def six(poses):
        return np.hstack([Rotation.from_quat(poses[:, :4]).as_rotvec(), poses[:, 4:]])

    first = six(start_from_world)[0]

    def residuals(x):
        lenses = x[: 8 * cameras].reshape(cameras, 8)
        rest = x[8 * cameras :].reshape(-1, 6)
        from_world, from_board = np.vstack([first, rest[: cameras - 1]]), rest[cameras - 1 :]
        turned = Rotation.from_rotvec(from_board[:, :3]).as_matrix()
        away = Rotation.from_rotvec(from_world[:, :3]).as_matrix()
        world = np.einsum("bij,pj->bpi", turned, points) + from_board[:, None, 3:]
        seen = np.einsum("cij,bpj->bcpi", away, world) + from_world[None, :, None, 3:]
        a, b = seen[..., 0] / seen[..., 2], seen[..., 1] / seen[..., 2]
        fx, fy, cx, cy, k1, k2, p1, p2 = (lenses[:, k][None, :, None] for k in range(8))
        r2 = a * a + b * b
        bend = 1 + k1 * r2 + k2 * r2 * r2
        u = fx * (a * bend + 2 * p1 * a * b + p2 * (r2 + 2 * a * a)) + cx
        v = fy * (b * bend + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b) + cy
        return (np.stack([u, v], -1) - pixels).ravel()

    start = np.concatenate([np.ravel(question["lenses"]), six(start_from_world)[1:].ravel(), six(start_from_board).ravel()])
    rows = 2 * len(points)
    pattern = lil_matrix((boards * cameras * rows, len(start)), dtype=np.int8)
    for b in range(boards):
        for c in range(cameras):
            block = slice((b * cameras + c) * rows, (b * cameras + c + 1) * rows)
            pattern[block, 8 * c : 8 * c + 8] = 1
            if c > 0:
                pattern[block, 8 * cameras + 6 * (c - 1) : 8 * cameras + 6 * c] = 1
            own = 8 * cameras + 6 * (cameras - 1) + 6 * b
            pattern[block, own : own + 6] = 1
    begun = time.perf_counter()
    found = least_squares(
        residuals, start, jac_sparsity=pattern, method="trf", x_scale="jac", ftol=question["least_fall"], xtol=1e-15, gtol=1e-15
    )
    lapse = time.perf_counter() - begun
    return {"solver": "SciPy least_squares", "seconds": [lapse], "cost": found.cost, "steps": found.njev, "report": found.message}


try:
    answer = ceres()
except ImportError as missing:
    answer = scipy()
    answer["report"] += f" ({missing})"
json.dump(answer, sys.stdout)
