"""The `outline` section of the bench: outlines from one direction, about an axis, and from all sides; and how steady they are."""

from __future__ import annotations

import math
import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
from scipy.spatial import cKDTree

from instrument.drawings.limits import Limits
from instrument.drawings.load import LoadOptions
from instrument.drawings.outline.viewpoints import Viewpoints, sphere_directions
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.routing.closed_line import StepKind
from instrument.drawings.routing.sampling import Sampling
from instrument.drawings.worker.client import Worker

if TYPE_CHECKING:
    from numpy.typing import NDArray

RING = 120
SPHERE = 2_000
TIMES = 5
EDGES = 16_000
DISTANCE = 4.0
FRAMES = 480
"""Frames of one turn in eight seconds at 60 a second."""


def shell(path: Path, edges: int = EDGES) -> None:
    """Write a closed shell with waves on it, of about so many edges, as triangles."""
    around = round(math.sqrt(edges / 3 * 2))
    across = around // 2
    turn, roll = np.meshgrid(np.arange(around) / around, np.arange(across) / across, indexing="ij")
    tube = 0.45 + 0.06 * np.cos(math.tau * (5 * turn + 2 * roll))
    out = 1 + tube * np.cos(math.tau * roll)
    places = np.stack(
        [out * np.cos(math.tau * turn), tube * np.sin(math.tau * roll), out * np.sin(math.tau * turn)], -1
    )
    lines = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in places.reshape(-1, 3).tolist()]
    number = np.arange(around * across).reshape(around, across) + 1
    right, up = np.roll(number, -1, axis=0), np.roll(number, -1, axis=1)
    corner = np.roll(right, -1, axis=1)
    for faces in ((number, corner, right), (number, up, corner)):
        lines += [f"f {a} {b} {c}" for a, b, c in np.stack(faces, axis=-1).reshape(-1, 3).tolist()]
    path.write_text("\n".join(lines) + "\n")


def about(count: int) -> NDArray[np.float64]:
    """Directions about the upright axis, a little from above."""
    turn = np.arange(count) * math.tau / count
    return np.stack([np.sin(turn) * 0.95, np.full(count, math.sqrt(1 - 0.95**2)), np.cos(turn) * 0.95], axis=1)


def bench_outline(mesh: Path | None = None) -> None:
    """Time outlines of a mesh in the warm worker, with as many processes as there are processors."""
    print("| mesh | directions | points of each | s (range) | processor s a direction |")
    print("| --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder, Worker() as worker:
        path = mesh or Path(folder, "shell.obj")
        if mesh is None:
            shell(path)
        worker.load(text="O")
        for directions, points, times in (
            (about(1), 1024, TIMES),
            (about(RING), 1024, TIMES),
            (sphere_directions(SPHERE), 256, 1),
        ):
            taken, busy = [], []
            for _ in range(times):
                before, began = _busy(worker), time.perf_counter()
                found = _lines(worker, path, directions, points)
                taken.append(time.perf_counter() - began)
                busy.append((_busy(worker) - before) / len(directions))
            print(
                f"| {path.name} | {len(directions)} | {points} | {statistics.median(taken):.2f} "
                f"({min(taken):.2f} to {max(taken):.2f}) | {statistics.median(busy):.4f} |",
                flush=True,
            )
            if len(directions) == RING:
                _steadiness(found, directions)
    print(f"with {os.cpu_count()} processes")


def _lines(
    worker: Worker, path: Path, directions: NDArray[np.float64], points: int
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    rows = tuple((float(x), float(y), float(z)) for x, y, z in directions)
    read = ReadOptions(lines="outline", limits=Limits(seconds=3600))
    options = LoadOptions(read, sampling=Sampling(points), views=Viewpoints(rows, DISTANCE))
    found = worker.load([path], options=options)
    return found.points, found.kinds


def _steadiness(found: tuple[NDArray[np.float64], NDArray[np.uint8]], directions: NDArray[np.float64]) -> None:
    """Turn once in eight seconds, and measure how far lines move between two frames beyond the turn, of the model's size."""
    points, kinds = found
    moves, gone = [], []
    for frame in range(FRAMES):
        before, after = (_seen(points, kinds, directions, (frame + k) / FRAMES) for k in (0, 1))
        if before[0] == after[0]:
            continue
        # In the frame after, where the lines of the frame before would have gone by turning alone.
        expected = _picture(points[before[0]][kinds[before[0]] <= StepKind.REPEATED], (frame + 1) / FRAMES)
        # To the new lines as they run, not to their points.
        away = cKDTree(after[1]).query(expected)[0] / 2.0
        moves.append(away)
        gone.append(float((away > 0.01).mean()))
    every = np.concatenate(moves)
    print(
        f"one turn in 8 s, {RING} directions: lines move beyond the turn at a change of direction by {np.median(every):.5f} "
        f"of the size (99 percent: {np.quantile(every, 0.99):.4f}); {100 * np.mean(gone):.2f} percent of them end or begin "
        f"(moved by more than 1 percent)",
        flush=True,
    )


def _seen(
    points: NDArray[np.float64], kinds: NDArray[np.uint8], directions: NDArray[np.float64], turn: float
) -> tuple[int, NDArray[np.float64]]:
    eye = np.array([math.sin(math.tau * turn) * 0.95, math.sqrt(1 - 0.95**2), math.cos(math.tau * turn) * 0.95])
    k = int(np.argmax(directions @ eye))
    return k, _picture(points[k][kinds[k] <= StepKind.REPEATED], turn)


def _picture(points: NDArray[np.float64], turn: float) -> NDArray[np.float64]:
    tilt = math.asin(math.sqrt(1 - 0.95**2))
    sine, cosine = math.sin(math.tau * turn), math.cos(math.tau * turn)
    x = points[:, 0] * cosine - points[:, 2] * sine
    level = points[:, 0] * sine + points[:, 2] * cosine
    y = points[:, 1] * math.cos(tilt) - level * math.sin(tilt)
    z = points[:, 1] * math.sin(tilt) + level * math.cos(tilt)
    return np.stack([x, y], axis=1) / (1 - z / DISTANCE)[:, None]


def _busy(worker: Worker) -> float:
    spent = psutil.Process(worker.pid).cpu_times()
    return float(spent.user + spent.system + spent.children_user + spent.children_system)
