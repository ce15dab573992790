"""The meshes of the factory set, drawn as lines in space: lighthouse, boat, crane, house, fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Corner = tuple[float, float, float]

STATIONS = np.linspace(0.0, 1.0, 9)
"""Places along the boat where its frames stand, from stern to bow."""


class Wire:
    """Lines in space that share their corners; x runs to the right, y upwards, z to the front."""

    def __init__(self) -> None:
        self._points: list[Corner] = []
        self._lines: list[list[int]] = []

    def line(self, *corners: Corner) -> None:
        """Draw through corners; one where another already is, is the same, so that lines that meet stay joined."""
        numbers = []
        for corner in corners:
            place = (round(corner[0], 4), round(corner[1], 4), round(corner[2], 4))
            if place not in self._points:
                self._points.append(place)
            numbers.append(self._points.index(place) + 1)
        self._lines.append(numbers)

    def ring(self, corners: Sequence[Corner]) -> Sequence[Corner]:
        """Draw through corners and back to the first."""
        self.line(*corners, corners[0])
        return corners

    def join(self, *rings: Sequence[Corner], every: int = 1) -> None:
        """Draw along like corners of several rings, each or every so many."""
        for along in list(zip(*rings, strict=True))[::every]:
            self.line(*along)

    def obj(self, what: str) -> str:
        """Return an OBJ file of lines alone."""
        text = [f"# {what}, of lines alone; made by tools/factory/make_drawings.py."]
        text += [f"v {x:.4f} {y:.4f} {z:.4f}" for x, y, z in self._points]
        text += ["l " + " ".join(map(str, numbers)) for numbers in self._lines]
        return "\n".join(text) + "\n"


def around(height: float, radius: float, count: int, start: float = 0.0) -> list[Corner]:
    """Return the corners of a level regular polygon round the upright axis; `start` in turns."""
    angles = 2 * np.pi * (start + np.arange(count) / count)
    return [(radius * float(np.cos(a)), height, radius * float(np.sin(a))) for a in angles]


def box(low: Corner, high: Corner) -> tuple[list[Corner], list[Corner]]:
    """Return the four lower and the four upper corners of a box."""
    sides = ((low[0], low[2]), (high[0], low[2]), (high[0], high[2]), (low[0], high[2]))
    return [(x, low[1], z) for x, z in sides], [(x, high[1], z) for x, z in sides]


def lighthouse() -> str:
    """Return a six-sided lighthouse on its rock, with gallery, lantern and roof."""
    wire = Wire()
    shore = [
        (r * float(np.cos(a)), -0.95, r * float(np.sin(a)))
        for r, a in zip((0.7, 0.5, 0.62, 0.74, 0.52, 0.66), 2 * np.pi * np.arange(6) / 6, strict=True)
    ]
    foot, waist, neck = around(-0.74, 0.27, 6), around(-0.2, 0.22, 6), around(0.34, 0.17, 6)
    gallery, rail = around(0.34, 0.27, 6), around(0.44, 0.27, 6)
    lamp, eaves = around(0.44, 0.12, 6), around(0.68, 0.12, 6)
    for corners in (shore, foot, waist, gallery, rail, lamp, eaves):
        wire.ring(corners)
    wire.join(shore, foot, waist, neck, gallery, rail)
    wire.join(lamp, eaves, every=2)
    for corner in eaves[::2]:
        wire.line(corner, (0, 0.95, 0))
    wire.line(lamp[0], rail[0])
    return wire.obj("A lighthouse on its rock")


def boat() -> str:
    """Return a fishing boat: frames, planks, wheelhouse, mast and boom; x runs to the bow."""
    wire = Wire()
    frames = [_frame(float(along)) for along in STATIONS]
    for frame in frames:
        wire.line(*frame)
    wire.join(*frames)
    house = [(-0.55, -0.22), (-0.15, -0.22), (-0.15, 0.22), (-0.55, 0.22)]
    foot: list[Corner] = [(x, 0.18, z) for x, z in house]
    roof: list[Corner] = [(x * 1.02, 0.52, z * 1.05) for x, z in house]
    wire.ring(foot)
    wire.ring(roof)
    wire.join(foot, roof)
    wire.ring([(-0.15, 0.3, -0.16), (-0.15, 0.46, -0.16), (-0.15, 0.46, 0.16), (-0.15, 0.3, 0.16)])
    bow, masthead = frames[-1][0], (0.15, 1.05, 0.0)
    wire.line((0.15, 0.1, 0.0), masthead)
    wire.line(masthead, bow)
    wire.line((0.15, 0.35, 0.0), (0.75, 0.75, 0.0), masthead)
    wire.line(masthead, (-0.35, 0.52, 0.0))
    return wire.obj("A fishing boat")


def _frame(along: float) -> list[Corner]:
    # Gunwale to gunwale round the keel; narrow at the bow, a little at the stern, with a sheer that rises to the bow.
    x = -0.95 + 2.0 * along
    half = 0.36 * np.sqrt(max(0.0, 1.0 - along**3)) * (0.75 + 0.5 * along * (1.0 - along))
    rail = 0.12 + 0.3 * (along - 0.35) ** 2
    keel = -0.32 + 0.18 * along**4
    angles = np.linspace(0.0, np.pi, 7)
    return [(x, float(rail + (keel - rail) * np.sin(a) ** 0.7), float(half * np.cos(a))) for a in angles.tolist()]


def crane() -> str:
    """Return a harbour crane: a portal on four legs, a cab, a lattice jib with stay, rope and hook."""
    wire = Wire()
    feet, deck = box((-0.42, -0.95, -0.3), (0.22, -0.25, 0.3))
    deck = [(0.75 * x - 0.02, y, 0.7 * z) for x, y, z in deck]
    wire.ring(deck)
    wire.join(feet, deck)
    wire.line(feet[0], feet[3])
    wire.line(feet[1], feet[2])
    floor, roof = box((-0.4, -0.15, -0.17), (0.02, 0.16, 0.17))
    wire.ring(floor)
    wire.ring(roof)
    wire.join(floor, roof)
    wire.line(deck[0], floor[0])
    wire.line(deck[2], floor[2])
    masthead: Corner = (-0.3, 0.86, 0.0)
    wire.line(roof[0], masthead, roof[3])
    lower = [(0.02 + 0.98 * k / 6, 0.06 + 0.5 * k / 6, 0.0) for k in range(7)]
    upper = [(x - 0.04, y + 0.15 - 0.1 * k / 6, 0.0) for k, (x, y, _) in enumerate(lower)]
    wire.line(*lower)
    wire.line(*upper)
    wire.line(*(corner for pair in zip(lower, upper, strict=True) for corner in pair))
    wire.line(masthead, upper[-1])
    wire.line(masthead, (-0.4, 0.0, 0.0))
    wire.line(lower[-1], (1.0, -0.3, 0.0), (1.06, -0.36, 0.0), (1.0, -0.44, 0.0), (0.94, -0.38, 0.0))
    return wire.obj("A harbour crane")


def house() -> str:
    """Return a gabled harbour house with a door, three windows, a chimney and a hoist beam."""
    wire = Wire()
    foot, eaves = box((-0.5, -0.9, -0.42), (0.5, 0.2, 0.42))
    wire.ring(foot)
    wire.join(foot, eaves)
    front, back = (0.0, 0.85, 0.42), (0.0, 0.85, -0.42)
    wire.line(eaves[3], front, eaves[2], eaves[1], back, eaves[0], eaves[3])
    wire.line(front, back)
    wire.line((-0.12, -0.9, 0.42), (-0.12, -0.42, 0.42), (0.12, -0.42, 0.42), (0.12, -0.9, 0.42))
    for x, y in ((-0.27, -0.08), (0.27, -0.08), (0.0, 0.36)):
        wire.ring(
            [
                (x - 0.1, y - 0.12, 0.42),
                (x + 0.1, y - 0.12, 0.42),
                (x + 0.1, y + 0.12, 0.42),
                (x - 0.1, y + 0.12, 0.42),
            ]
        )
    wire.line((0.0, 0.66, 0.42), (0.0, 0.66, 0.66), (0.0, 0.5, 0.66))
    low, high = box((0.2, 0.4, -0.22), (0.36, 0.95, -0.06))
    wire.ring(high)
    wire.join([(x, 0.59 if x < 0.3 else 0.382, z) for x, _, z in low], high)
    return wire.obj("A harbour house")


def fish() -> str:
    """Return a fish: six-sided sections from the gills to the tail, fins and an eye on either side."""
    wire = Wire()
    sections = ((-0.62, 0.2, 0.11), (-0.3, 0.34, 0.17), (0.08, 0.33, 0.16), (0.42, 0.2, 0.09))
    rings = [
        [(x, h * float(np.sin(a)), w * float(np.cos(a))) for a in 2 * np.pi * (np.arange(6) + 0.5) / 6 + np.pi / 6]
        for x, h, w in sections
    ]
    for ring in rings:
        wire.ring(ring)
    mouth, root = [(-0.92, -0.02, 0.0)] * 6, [(0.66, 0.0, 0.0)] * 6
    wire.join(mouth, *rings, root)
    wire.line((0.66, 0, 0), (0.98, 0.34, 0), (0.86, 0.0, 0), (0.98, -0.34, 0), (0.66, 0, 0))
    back = max(rings[1], key=lambda corner: corner[1])
    wire.line(back, (0.0, 0.6, 0.0), (0.3, 0.46, 0.0), max(rings[2], key=lambda corner: corner[1]))
    for side in (-1, 1):
        wire.line(
            (-0.3, -0.17, side * 0.147),
            (-0.12, -0.42, side * 0.3),
            (-0.02, -0.26, side * 0.2),
            (-0.3, -0.17, side * 0.147),
        )
        wire.ring([(-0.72 + 0.05 * dx, 0.08 + 0.05 * dy, side * 0.09) for dx, dy in ((1, 0), (0, 1), (-1, 0), (0, -1))])
    return wire.obj("A fish")


MESHES: dict[str, Callable[[], str]] = {
    "lighthouse.obj": lighthouse,
    "boat.obj": boat,
    "crane.obj": crane,
    "house.obj": house,
    "fish.obj": fish,
}
"""Every mesh by its file."""
