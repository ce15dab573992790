"""The `drawings` section of the bench: reading and routing beside networkx, and from saving a file to its sound."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np
from scipy.spatial import Delaunay

from instrument.engine.engine import Engine
from instrument.engine.layout import EVENT_SWAP
from instrument.engine.memory import attach
from instrument.shapes.isolation import Worker
from instrument.shapes.line import RouteOptions
from instrument.shapes.load import LoadOptions
from instrument.shapes.strokes import edge_lengths

if TYPE_CHECKING:
    from collections.abc import Iterator

    from instrument.shapes.line import Route

MOST_FOR_NETWORKX = 2_000
SIZES = (400, 1_500, 10_000, 100_000)
SAVES = 7
EDGES_SAVED = 10_000
BLOCK = 64
TIMES = 3

# The show in a process of its own, which tells the name of its memory, and for each line on its input how many
# blocks have begun more than a block's length behind their moment.
SHOW = """
import sys, threading, time
from pathlib import Path
from instrument.engine.engine import Engine
from instrument.stage import show

allocate, render = show.allocate, Engine.render_into
late, began, done = 0, None, 0

def allocate_and_tell(rate, **kept):
    memory = allocate(rate, **kept)
    print(memory.name, rate, flush=True)
    return memory

def render_and_count(self, out):
    global late, began, done
    now = time.monotonic()
    began = now if began is None else began
    late += now - began > (done + 1) * len(out) / self.rate
    done += 1
    render(self, out)

def answer():
    for _ in sys.stdin:
        print(late, done, flush=True)

show.allocate, Engine.render_into = allocate_and_tell, render_and_count
threading.Thread(target=answer, daemon=True).start()
options = show.ShowOptions((Path(sys.argv[1]),), audio="off", block=int(sys.argv[2]), window=False)
sys.exit(show.run_show(options, lambda text: None))
"""


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
        [
            np.stack([a.ravel(), b.ravel()], axis=1)
            for a, b in ((knot[:, :-1], knot[:, 1:]), (knot[:-1], knot[1:]))
        ]
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
    graph.add_weighted_edges_from(
        (*edge, w) for edge, w in zip(edges.tolist(), lengths.tolist(), strict=True)
    )
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
        "| drawing | edges | odd | read and routed s (range) | retracing only s | repeated | networkx s | networkx repeats "
        "| networkx / ours |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    only = LoadOptions(route=RouteOptions(jump_cost=float("inf")))
    with tempfile.TemporaryDirectory() as folder, Worker() as worker:
        path = Path(folder, "first.obj")
        relief(path, SIZES[0])
        worker.routes([path])
        for make in (relief, torn_net):
            for size in SIZES:
                path = Path(folder, f"{make.__name__}_{size}.obj")
                make(path, size)
                usual = _timed(worker, path, LoadOptions())[1]
                retraced, alone = _timed(worker, path, only)
                median = statistics.median(alone)
                theirs = "too many | | "
                if size <= MOST_FOR_NETWORKX:
                    least, seconds = by_networkx(retraced)
                    theirs = f"{seconds:.2f} | {least:.6f} | {seconds / median:.0f}"
                figures = retraced.figures
                exact = "" if figures.exact else " (not proven)"
                print(
                    f"| {make.__name__} | {figures.edges} | {figures.odd_vertices} | {statistics.median(usual):.2f} "
                    f"({min(usual):.2f} to {max(usual):.2f}) | {median:.2f} | {figures.repeated_length:.6f}{exact} "
                    f"| {theirs} |",
                    flush=True,
                )


def _timed(worker: Worker, path: Path, options: LoadOptions) -> tuple[Route, list[float]]:
    times = []
    for _ in range(TIMES):
        began = time.perf_counter()
        (found,) = worker.routes([path], options=options)
        times.append(time.perf_counter() - began)
    return found, times


def bench_saving() -> None:
    """From the moment a drawing's file is closed to the first sample of the new shape, in a real show."""
    with tempfile.TemporaryDirectory() as folder:
        drawing, patch = Path(folder, "bed.obj"), Path(folder, "quay.toml")
        relief(drawing, EDGES_SAVED)
        patch.write_text(
            'schema = 1\n[[layer]]\n[layer.source]\nkind = "path"\ndrawing = "bed.obj"\n[layer.pen]\nfrequency = 20\n'
        )
        with _show(patch) as (process, engine):
            time.sleep(5.0)  # the processes that build are warm by then
            before, began = _late(process), time.monotonic()
            took = []
            # Never seen before: what was drawn once would come out of the cache.
            for seed in np.random.SeedSequence().generate_state(SAVES).tolist():
                took.append(_saved(engine, drawing, seed))
                time.sleep(0.5)
            during, lasted = _late(process), time.monotonic() - began
            time.sleep(lasted)
            after = _late(process)
            underflows = int(engine.record["counters"]["underflows"])
    print(
        f"saved to first new sample, {EDGES_SAVED} edges, {SAVES} saves, silent clock, blocks of {BLOCK}: "
        f"median {statistics.median(took):.3f} s ({min(took):.3f} to {max(took):.3f})"
    )
    blocks = [end[1] - begin[1] for begin, end in ((before, during), (during, after))]
    counts = [end[0] - begin[0] for begin, end in ((before, during), (during, after))]
    print(
        f"blocks begun more than a block late: {counts[0]} of {blocks[0]} while saving, {counts[1]} of {blocks[1]} in "
        f"an equal time without; underflows {underflows}"
    )


@contextmanager
def _show(patch: Path) -> Iterator[tuple[subprocess.Popen[str], Engine]]:
    command = [sys.executable, "-c", SHOW, str(patch), str(BLOCK)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        name, rate = _line(process).split()
        yield process, Engine(float(rate), attach(name))
    finally:
        process.terminate()
        process.communicate(timeout=20)


def _late(process: subprocess.Popen[str]) -> tuple[int, int]:
    if process.stdin is None:
        raise RuntimeError("the show has no input")
    process.stdin.write("\n")
    process.stdin.flush()
    late, done = _line(process).split()
    return int(late), int(done)


def _line(process: subprocess.Popen[str]) -> str:
    line = process.stdout.readline() if process.stdout is not None else ""
    if not line:
        raise RuntimeError("the show has ended")
    return line


def _saved(engine: Engine, drawing: Path, seed: int) -> float:
    other = drawing.with_name("other.obj")
    relief(other, EDGES_SAVED, seed)
    content = other.read_bytes()
    cursor = int(engine.record["log_at"])
    drawing.write_bytes(content)
    saved = time.monotonic_ns()
    while time.monotonic_ns() < saved + 20_000_000_000:
        log, cursor, _ = engine.log_since(cursor)
        changes = log[log["kind"] == EVENT_SWAP]
        if len(changes):
            sample, ns = _anchor(engine.record)
            return (ns - saved) * 1e-9 + (int(changes["time"][0]) - sample) / engine.rate
        time.sleep(0.002)
    raise RuntimeError("the new shape did not come within 20 s")


def _anchor(record: Any) -> tuple[int, int]:
    """Sample time and monotonic nanoseconds at the start of the latest block."""
    while True:
        count = int(record["anchor_count"])
        found = int(record["anchor_time"]), int(record["anchor_ns"])
        if count % 2 == 0 and count == int(record["anchor_count"]):
            return found
