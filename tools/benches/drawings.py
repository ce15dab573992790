"""The `drawings` section of the bench: reading and routing, beside networkx's exact matching."""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
import psutil
from scipy.spatial import Delaunay

from instrument.drawings.load import LoadOptions
from instrument.drawings.routing.closed_line import RouteOptions
from instrument.drawings.strokes import edge_lengths
from instrument.drawings.worker.client import Worker

if TYPE_CHECKING:
    from instrument.drawings.routing.closed_line import Route

MOST_FOR_NETWORKX = 2_000
SIZES = (400, 1_500, 10_000, 100_000)
SAVES = 7
EDGES_SAVED = 10_000
BLOCK = 64
TIMES = 3


def relief(path: Path, edges: int, seed: int = 0) -> None:
    """Write a harbour bed as a triangle mesh of about so many edges."""
    random = np.random.default_rng(seed)
    place = random.random((edges // 3, 2))
    depth = 0.2 * np.sin(7 * place[:, 0]) * np.cos(5 * place[:, 1])
    lines = [f"v {x:.6f} {y:.6f} {z:.6f}" for (x, y), z in zip(place.tolist(), depth.tolist(), strict=True)]
    lines += [f"f {a} {b} {c}" for a, b, c in (Delaunay(place).simplices + 1).tolist()]
    path.write_text("\n".join(lines) + "\n")


def torn_net(path: Path, edges: int, seed: int = 0) -> None:
    """Write a net with three of ten threads missing: every second knot is odd, which is as hard as it gets."""
    random = np.random.default_rng(seed)
    side = round((edges / 1.4) ** 0.5)
    place = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(-1, 2)
    place = place + 0.4 * random.random(place.shape)
    knot = np.arange(side * side).reshape(side, side) + 1
    pairs = np.concatenate(
        [np.stack([a.ravel(), b.ravel()], axis=1) for a, b in ((knot[:, :-1], knot[:, 1:]), (knot[:-1], knot[1:]))]
    )
    lines = [f"v {x:.6f} {y:.6f} 0" for x, y in place.tolist()]
    lines += [f"l {a} {b}" for a, b in pairs[random.random(len(pairs)) < 0.7].tolist()]
    path.write_text("\n".join(lines) + "\n")


def by_networkx(found: Route) -> tuple[float, float]:
    """Return the least repetition and the seconds that networkx needs for it."""
    points, edges = found.drawing.points, found.drawing.edges
    lengths = edge_lengths(points, edges)
    began = time.perf_counter()
    graph = nx.Graph()
    graph.add_weighted_edges_from((*edge, w) for edge, w in zip(edges.tolist(), lengths.tolist(), strict=True))
    odd = {vertex for vertex, degree in graph.degree if degree % 2}
    pairs = nx.Graph()
    for vertex in odd:
        for other, way in nx.single_source_dijkstra_path_length(graph, vertex).items():
            if other in odd and vertex < other:
                pairs.add_edge(vertex, other, weight=way)
    least = sum(pairs[a][b]["weight"] for a, b in nx.min_weight_matching(pairs))
    return float(least), time.perf_counter() - began


def bench_routing() -> None:
    """Time reading and routing in the warm worker, beside networkx's exact matching where it can."""
    print(
        "| drawing | edges | odd | read and routed s (range) | processor s | retracing only s (range) | repeated "
        "| networkx s | networkx repeats | networkx / ours |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    only = LoadOptions(route=RouteOptions(jump_cost=float("inf")))
    with tempfile.TemporaryDirectory() as folder, Worker() as worker:
        path = Path(folder, "first.obj")
        relief(path, SIZES[0])
        worker.routes([path])
        for make in (relief, torn_net):
            for size in SIZES:
                path = Path(folder, f"{make.__name__}_{size}.obj")
                make(path, size)
                mixed, usual, busy = _timed(worker, path, LoadOptions())
                retraced, alone, _ = _timed(worker, path, only)
                median = statistics.median(alone)
                theirs = "too many | | "
                if size <= MOST_FOR_NETWORKX:
                    least, seconds = by_networkx(retraced)
                    theirs = f"{seconds:.2f} | {least:.6f} | {seconds / median:.0f}"
                figures = retraced.figures
                print(
                    f"| {make.__name__} | {figures.edges} | {figures.odd_vertices} | {statistics.median(usual):.2f} "
                    f"({min(usual):.2f} to {max(usual):.2f}){_proven(mixed)} | {busy:.2f} "
                    f"| {median:.2f} ({min(alone):.2f} to {max(alone):.2f}) "
                    f"| {figures.repeated_length:.6f}{_proven(retraced)} "
                    f"| {theirs} |",
                    flush=True,
                )


def _proven(found: Route) -> str:
    return "" if found.figures.exact else " (not proven least)"


def _timed(worker: Worker, path: Path, options: LoadOptions) -> tuple[Route, list[float], float]:
    """Route a few times: the route, the seconds each took, and the median of the processor's seconds."""
    times, busy = [], []
    for _ in range(TIMES):
        before, began = _processor_seconds(worker), time.perf_counter()
        (found,) = worker.routes([path], options=options)
        times.append(time.perf_counter() - began)
        busy.append(_processor_seconds(worker) - before)
    return found, times, statistics.median(busy)


def _processor_seconds(worker: Worker) -> float:
    """Seconds of processor that the worker and the children it has ended took: what other load does not lengthen."""
    spent = psutil.Process(worker.pid).cpu_times()
    return float(spent.user + spent.system + spent.children_user + spent.children_system)
