"""The solids of the factory set, meshes with faces that hide what is behind them: a bell buoy."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Corner = tuple[float, float, float]

SECTORS = 20
"""Sides of what is round: 18 degrees from one to the next, which is smooth and no crease."""


class Solid:
    """Faces in space, seen from outside anticlockwise; x runs to the right, y upwards, z to the front."""

    def __init__(self) -> None:
        self._points: list[Corner] = []
        self._faces: list[list[int]] = []

    def turned(self, *profile: tuple[float, float]) -> None:
        """Turn a profile of radius and height, from below upwards, round the upright axis; its ends lie on it."""
        angles = 2 * np.pi * np.arange(SECTORS) / SECTORS
        rings = []
        for radius, height in profile:
            count = SECTORS if radius > 0 else 1
            rings.append([self._corner(radius * np.cos(a), height, radius * np.sin(a)) for a in angles[:count]])
        for low, high in pairwise(rings):
            for k in range(SECTORS):
                here, there = k, (k + 1) % SECTORS
                corners = [ring[j % len(ring)] for ring, j in ((low, there), (low, here), (high, here), (high, there))]
                self._faces.append(list(dict.fromkeys(corners)))

    def beam(self, low: Corner, high: Corner, width: float) -> None:
        """Set a square beam between two places, upright or leaning."""
        rings = [
            [
                self._corner(x + width * u, y, z + width * v)
                for u, v in ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
            ]
            for x, y, z in (low, high)
        ]
        self._faces += [rings[0], rings[1][::-1]]
        for k in range(4):
            j = (k + 1) % 4
            self._faces.append([rings[0][j], rings[0][k], rings[1][k], rings[1][j]])

    def box(self, low: Corner, high: Corner) -> None:
        """Set a box between two opposite corners."""
        (a, b, c), (d, e, f) = low, high
        corners = [self._corner(x, y, z) for x in (a, d) for y in (b, e) for z in (c, f)]
        for face in ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)):
            self._faces.append([corners[k] for k in face])

    def _corner(self, x: float, y: float, z: float) -> int:
        self._points.append((float(x), float(y), float(z)))
        return len(self._points)

    def obj(self, what: str) -> str:
        """Return an OBJ file."""
        text = [f"# {what}, of faces; made by tools/factory/make_drawings.py."]
        text += [f"v {x:.4f} {y:.4f} {z:.4f}" for x, y, z in self._points]
        text += ["f " + " ".join(map(str, numbers)) for numbers in self._faces]
        return "\n".join(text) + "\n"


def bell_buoy() -> str:
    """Return a buoy whose bell hangs between four legs under a roof with a ball on top."""
    buoy = Solid()
    buoy.turned((0, -0.9), (0.2, -0.9), (0.66, -0.52), (0.66, -0.3), (0, -0.3))
    foot, head = 0.34, 0.2
    for x, z in ((1, 1), (1, -1), (-1, -1), (-1, 1)):
        buoy.beam((x * foot, -0.3, z * foot), (x * head, 0.42, z * head), 0.07)
    bell: Sequence[tuple[float, float]] = (
        (0, -0.1), (0.21, -0.1), (0.165, -0.02), (0.14, 0.08), (0.125, 0.16), (0.09, 0.225), (0, 0.25),
    )  # fmt: skip
    buoy.turned(*bell)
    buoy.box((-0.29, 0.42, -0.29), (0.29, 0.5, 0.29))
    ball = 0.16 * np.array([(np.sin(a), 1 - np.cos(a)) for a in np.linspace(0, np.pi, 11)])
    buoy.turned(*[(max(float(r), 0.0) if 0 < k < 10 else 0.0, 0.5 + float(h)) for k, (r, h) in enumerate(ball)])
    return buoy.obj("A buoy with its bell")


SOLIDS: dict[str, Callable[[], str]] = {"bell_buoy.obj": bell_buoy}
