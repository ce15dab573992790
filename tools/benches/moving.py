"""The moving part of the bench's `drawings` section: reading ten seconds of a skinned model, and a film beside its own time."""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

import av
import numpy as np
import psutil

from instrument.drawings.load import LoadOptions
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.worker.client import Worker
from tools.factory import drifting_jellyfish
from tools.factory.gltf_writer import GltfWriter

SECONDS = 10.0
JOINTS = 8
ROUND, RINGS = 24, 200
RATE = 25
WIDE, HIGH = 640, 360
TIMES = 5


def rope(path: Path) -> int:
    """Write a rope of 4,800 points that sways by eight joints, and return the number of its triangles."""
    writer = GltfWriter()
    height = np.repeat(np.linspace(0, 1, RINGS), ROUND)
    angle = np.tile(2 * np.pi * np.arange(ROUND) / ROUND, RINGS)
    points = np.stack([0.05 * np.cos(angle), 0.05 * np.sin(angle), height], axis=1)
    k = (np.arange(RINGS - 1)[:, None] * ROUND + np.arange(ROUND)).ravel()
    side = (np.arange(RINGS - 1)[:, None] * ROUND + (np.arange(ROUND) + 1) % ROUND).ravel()
    faces = np.concatenate([np.stack([k, side, side + ROUND], 1), np.stack([k, side + ROUND, k + ROUND], 1)])
    place = np.minimum(height * (JOINTS - 1), JOINTS - 1 - 1e-6)
    lower = np.floor(place)
    joints = np.stack([lower, lower + 1, 0 * lower, 0 * lower], axis=1)
    weights = np.stack([1 + lower - place, place - lower, 0 * lower, 0 * lower], axis=1)
    attributes = {
        "POSITION": writer.table(points),
        "JOINTS_0": writer.table(joints, "|u1"),
        "WEIGHTS_0": writer.table(weights),
    }
    writer.scene["meshes"] = [
        {"primitives": [{"attributes": attributes, "indices": writer.table(faces.ravel(), "<u2")}]}
    ]
    step = 1 / (JOINTS - 1)
    writer.scene["nodes"] = [{"mesh": 0, "skin": 0}]
    writer.scene["nodes"] += [
        {"translation": [0, 0, step if n else 0], **({"children": [n + 2]} if n < JOINTS - 1 else {})}
        for n in range(JOINTS)
    ]
    writer.scene["scenes"] = [{"nodes": [0, 1]}]
    bind = np.tile(np.eye(4), (JOINTS, 1, 1))
    bind[:, 3, 2] = -step * np.arange(JOINTS)
    skin = {"joints": list(range(1, JOINTS + 1)), "inverseBindMatrices": writer.table(bind.reshape(-1, 16))}
    writer.scene["skins"] = [skin]
    times = np.linspace(0, SECONDS, 41)
    for n in range(1, JOINTS):
        half = 0.2 * np.sin(2 * np.pi * times / 5 + n)
        turns = np.stack([np.sin(half), 0 * half, 0 * half, np.cos(half)], axis=1)
        writer.animate("sway", n + 1, "rotation", times, turns)
    path.write_bytes(writer.glb())
    return len(faces)


def buoys(path: Path) -> None:
    """Write a film of two shapes that pass each other."""
    y, x = np.mgrid[:HIGH, :WIDE]
    with av.open(str(path), "w") as file:
        stream = file.add_stream("libx264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = WIDE, HIGH, "yuv420p"
        for k in range(round(SECONDS * RATE)):
            shown = np.full((HIGH, WIDE), 230, np.uint8)
            shown[(abs(x - 90 - k % 400) < 40) & (abs(y - 150) < 40)] = 20
            shown[(x - 320 - 150 * np.cos(k / 20)) ** 2 + (y - 180 - 80 * np.sin(k / 20)) ** 2 < 1600] = 40
            file.mux(stream.encode(av.VideoFrame.from_ndarray(shown, "gray").reformat(format="yuv420p")))
        file.mux(stream.encode())


def bench_moving() -> None:
    """Time reading, routing and sampling in the warm worker."""
    print(
        "| drawing | frames | points a frame | own time s | read in s (range) | processor s | times as fast as it plays |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name, Worker() as worker:
        folder = Path(name)
        faces = rope(folder / "rope.glb")
        buoys(folder / "buoys.mp4")
        drifting_jellyfish.write(folder / "jellyfish.mp4")
        worker.load(text="O")
        for what, path, clip in (
            (f"a clip of a skinned rope, {faces:,} triangles", "rope.glb", "sway"),
            (f"a film of {WIDE} x {HIGH} pixels", "buoys.mp4", None),
            ("the jellyfish of the factory set", "jellyfish.mp4", None),
        ):
            took, worked = [], []
            process = psutil.Process(worker.pid)
            for _ in range(TIMES):
                before = sum(process.cpu_times()[:2])
                began = time.perf_counter()
                found = worker.load([folder / path], options=LoadOptions(ReadOptions(clip=clip)))
                took.append(time.perf_counter() - began)
                worked.append(sum(process.cpu_times()[:2]) - before)
            middle = statistics.median(took)
            frames, points, _ = found.points.shape
            print(
                f"| {what} | {frames} | {points:,} | {found.seconds:.1f} | {middle:.2f} ({min(took):.2f} to {max(took):.2f}) "
                f"| {statistics.median(worked):.2f} | {found.seconds / middle:.1f} |"
            )
