"""The model that moves of the factory set: a heron of lines that wades, its neck and legs bent by the joints of a skin."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tools.factory.gltf_writer import GltfWriter

Floats = npt.NDArray[np.float64]

CLIP = "wade"
SECONDS = 2.4
"""Two steps."""

KEYS = 24
THIGH, SHANK = 0.42, 0.47
HIP = (-0.02, 0.86)
STRIDE, LIFT = 0.24, 0.34
STANCE = 0.6
"""Share of a step's cycle in which a foot is on the ground."""

ROOT, NECK, HEAD = 0, 1, 2
LEGS = (3, 6)
"""First joint of each leg: thigh, shank, foot."""

PLACES: tuple[tuple[float, float, float], ...] = (
    (*HIP, 0.0),
    (0.3, 1.1, 0.0),
    (0.36, 1.84, 0.0),
    (*HIP, 0.1), (HIP[0], HIP[1] - THIGH, 0.1), (HIP[0], HIP[1] - THIGH - SHANK, 0.1),
    (*HIP, -0.1), (HIP[0], HIP[1] - THIGH, -0.1), (HIP[0], HIP[1] - THIGH - SHANK, -0.1),
)  # fmt: skip
"""Joints as the model is bound: legs straight down."""

PARENTS = (-1, 0, 1, 0, 3, 4, 0, 6, 7)

BODY = ((0.34, 1.04), (0.2, 1.2), (-0.06, 1.22), (-0.34, 1.1), (-0.72, 0.84), (-0.4, 0.84), (-0.02, 0.86), (0.22, 0.9))
THROAT = ((0.2, 1.2), (0.4, 1.3), (0.4, 1.44), (0.26, 1.62), (0.24, 1.8), (0.34, 1.94), (0.48, 1.93))
BILL = ((0.48, 1.93), (0.98, 1.83), (0.46, 1.85))
NAPE = ((0.46, 1.85), (0.36, 1.8), (0.36, 1.66), (0.5, 1.48), (0.52, 1.26), (0.34, 1.04))
PLUME = ((0.34, 1.94), (0.16, 1.9), (0.02, 1.8))
WING = ((0.14, 1.12), (0.0, 0.98), (-0.3, 0.93), (-0.62, 0.87), (-0.34, 1.02), (-0.08, 1.14), (0.14, 1.12))


def smooth(corners: tuple[tuple[float, float], ...], pieces: int = 5, *, closed: bool = False) -> Floats:
    """Return points on a curve through corners [shape=(n, 2)]: E. Catmull and R. Rom (1974), with even parameters."""
    table = np.array(corners)
    ends = (table[-1:], table[:2]) if closed else (table[:1], table[-1:])
    padded = np.concatenate([ends[0], table, ends[1]])
    t = (np.arange(pieces) / pieces)[:, None]
    spans = [
        0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)
        for a, b, c, d in zip(padded, padded[1:], padded[2:], padded[3:], strict=False)
    ]
    last = table[:1] if closed else table[-1:]
    return np.concatenate([*spans, last])


class Lines:
    """Lines with the joints that their points hang on."""

    def __init__(self) -> None:
        self.points: list[tuple[float, float, float]] = []
        self.pairs: list[tuple[int, int]] = []
        self.hangs: list[tuple[int, int, float]] = []

    def line(self, along: Floats, z: float, hangs: list[tuple[int, int, float]]) -> None:
        """Add a line; `hangs` says of each point two joints and how much of the second."""
        first = len(self.points)
        self.points += [(float(x), float(y), z) for x, y in along]
        self.hangs += hangs
        self.pairs += [(first + k, first + k + 1) for k in range(len(along) - 1)]


def of_neck(along: Floats) -> list[tuple[int, int, float]]:
    """Return how a line from the body to the head hangs: on the body below, the head above, the neck between."""
    found = []
    for _, y in along:
        if y < 1.5:
            found.append((ROOT, NECK, float(np.clip((y - 1.1) / 0.3, 0, 1))))
        else:
            found.append((NECK, HEAD, float(np.clip((y - 1.6) / 0.24, 0, 1))))
    return found


def leg(first: int, z: float) -> tuple[Floats, list[tuple[int, int, float]], Floats]:
    """Return a leg from hip to foot, how it hangs, and its toes."""
    heights = np.concatenate([np.linspace(0, -THIGH, 4), np.linspace(-THIGH, -THIGH - SHANK, 4)[1:]])
    along = np.stack([np.full(len(heights), HIP[0]), HIP[1] + heights], axis=1)
    hangs = [(first, first, 0.0)] * 3 + [(first, first + 1, 0.5)] + [(first + 1, first + 1, 0.0)] * 3
    x, y = HIP[0], HIP[1] - THIGH - SHANK
    toes = np.array([(x, y, z), (x + 0.2, y, z), (x, y, z), (x + 0.15, y, z + 0.09), (x, y, z), (x - 0.12, y, z)])
    return along, hangs, toes


def shape() -> Lines:
    """Return the heron as it is bound."""
    lines = Lines()
    body = smooth(BODY, closed=True)
    lines.line(body, 0.0, [(ROOT, ROOT, 0.0)] * len(body))
    for corners in (THROAT, BILL, NAPE, PLUME):
        along = np.array(corners) if corners is BILL else smooth(corners)
        lines.line(along, 0.0, of_neck(along))
    wing = smooth(WING)
    lines.line(wing, 0.11, [(ROOT, ROOT, 0.0)] * len(wing))
    lines.line(wing, -0.11, [(ROOT, ROOT, 0.0)] * len(wing))
    for first in LEGS:
        z = PLACES[first][2]
        along, hangs, toes = leg(first, z)
        lines.line(along, z, hangs)
        at = len(lines.points)
        lines.points += [tuple(map(float, toe)) for toe in toes]  # type: ignore[misc]  # three numbers each
        lines.hangs += [(first + 2, first + 2, 0.0)] * len(toes)
        lines.pairs += [(at + k, at + k + 1) for k in range(len(toes) - 1)]
    return lines


def foot(phase: float) -> tuple[float, float, float]:
    """Return where a foot is before the hip and above the ground, and how far its toes hang, in radians.

    Parameters
    ----------
    phase : float
        Of the leg's cycle, in turns: on the ground first, pushed back; then lifted and set down in front.
    """
    phase %= 1.0
    if phase < STANCE:
        return STRIDE * (1 - 2 * phase / STANCE), 0.0, 0.0
    swing = (phase - STANCE) / (1 - STANCE)
    eased = 0.5 - 0.5 * np.cos(np.pi * swing)
    return STRIDE * (2 * eased - 1), float(LIFT * np.sin(np.pi * swing) ** 1.5), float(1.2 * np.sin(np.pi * swing))


def bend(phase: float, height: float) -> tuple[float, float, float]:
    """Return the turns of thigh, shank and foot, in radians, that bring a foot there; the joint bends backwards."""
    x, y, hanging = foot(phase)
    down = height - y
    far = min(float(np.hypot(x, down)), THIGH + SHANK - 1e-3)
    towards = float(np.arctan2(x, down))
    inner = float(np.arccos((THIGH**2 + far**2 - SHANK**2) / (2 * THIGH * far)))
    outer = float(np.arccos((THIGH**2 + SHANK**2 - far**2) / (2 * THIGH * SHANK)))
    thigh, shank = towards - inner, np.pi - outer
    return thigh, shank, -thigh - shank - hanging


def turns(angles: Floats) -> Floats:
    """Return turns about z as quaternions [shape=(n, 4)]."""
    half = 0.5 * angles
    return np.stack([0 * half, 0 * half, np.sin(half), np.cos(half)], axis=1)


def heron() -> bytes:
    """Return the file."""
    lines = shape()
    writer = GltfWriter()
    hangs = np.array(lines.hangs)
    joints = np.concatenate([hangs[:, :2], np.zeros((len(hangs), 2))], axis=1)
    weights = np.stack([1 - hangs[:, 2], hangs[:, 2], 0 * hangs[:, 2], 0 * hangs[:, 2]], axis=1)
    attributes = {
        "POSITION": writer.table(np.array(lines.points)),
        "JOINTS_0": writer.table(joints, "|u1"),
        "WEIGHTS_0": writer.table(weights),
    }
    indices = writer.table(np.array(lines.pairs).ravel(), "<u2")
    writer.scene["meshes"] = [{"primitives": [{"attributes": attributes, "indices": indices, "mode": 1}]}]
    nodes: list[dict[str, object]] = [{"name": "heron", "mesh": 0, "skin": 0}]
    for number, (place, parent) in enumerate(zip(PLACES, PARENTS, strict=True)):
        above = PLACES[parent] if parent >= 0 else (0.0, 0.0, 0.0)
        children = [k + 1 for k, other in enumerate(PARENTS) if other == number]
        nodes.append({"translation": [p - a for p, a in zip(place, above, strict=True)]})
        if children:
            nodes[-1]["children"] = children
    writer.scene["nodes"] = nodes
    writer.scene["scenes"] = [{"nodes": [0, 1]}]
    bind = np.tile(np.eye(4), (len(PLACES), 1, 1))
    bind[:, 3, :3] = -np.array(PLACES)  # column by column
    matrices = writer.table(bind.reshape(-1, 16))
    writer.scene["skins"] = [{"joints": [k + 1 for k in range(len(PLACES))], "inverseBindMatrices": matrices}]
    _walk(writer)
    return writer.glb()


def _walk(writer: GltfWriter) -> None:
    phase = np.arange(KEYS + 1) / KEYS
    times = SECONDS * phase
    # The body is highest when a leg stands straight below it, twice in a cycle.
    bob = 0.02 * np.cos(4 * np.pi * (phase - 0.5 * STANCE))
    place = np.stack([np.full(KEYS + 1, HIP[0]), HIP[1] - 0.03 + bob, np.zeros(KEYS + 1)], axis=1)
    writer.animate(CLIP, ROOT + 1, "translation", times, place)
    nod = -0.16 * np.sin(4 * np.pi * phase)
    writer.animate(CLIP, NECK + 1, "rotation", times, turns(nod))
    writer.animate(CLIP, HEAD + 1, "rotation", times, turns(-nod))
    for first, late in zip(LEGS, (0.0, 0.5), strict=True):
        bent = np.array([bend(float(p) + late, float(y)) for p, y in zip(phase, place[:, 1], strict=True)])
        for part in range(3):
            writer.animate(CLIP, first + 1 + part, "rotation", times, turns(bent[:, part]))
