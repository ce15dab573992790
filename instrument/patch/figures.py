"""Figures by name: as sums of sines and cosines, or as corners that a pen runs along."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Iterable

Floats = npt.NDArray[np.float64]
Axes = tuple[Floats, Floats, Floats]
"""Rows of amplitude, ratio and phase (turns) for x, y and z."""

QUARTER = 0.25
"""Turns by which a cosine is ahead of a sine."""


def _rows(*rows: tuple[float, float, float]) -> Floats:
    return np.array(rows, np.float64).reshape(-1, 3)


def circle() -> Axes:
    """Return a circle of radius 1, begun on the right and run counterclockwise."""
    return _rows((1, 1, QUARTER)), _rows((1, 1, 0)), _rows()


def lissajous(a: float, b: float, phase: float) -> Axes:
    """Return x = sin(2 pi (a t + phase)), y = sin(2 pi b t).

    Source
    ------
    J. A. Lissajous, Mémoire sur l'étude optique des mouvements vibratoires, 1857 (from memory): the figure of
    frequencies a : b touches the vertical sides a times and the horizontal ones b times.
    """
    return _rows((1, a, phase)), _rows((1, b, 0)), _rows()


def rose(petals: int, over: int) -> Axes:
    """Return the rose r = cos(k theta), k = petals / over, as the sum of two circles on each axis.

    cos(k t) cos(t) = (cos((k - 1) t) + cos((k + 1) t)) / 2, and the same with sines for y. The curve closes
    after `over` turns, or after half of them where both numbers of the reduced fraction are odd.
    """
    shrink = math.gcd(petals, over)
    n, d = petals // shrink, over // shrink
    both_odd = n % 2 == 1 and d % 2 == 1
    half = 2 if both_odd else 1
    slow, fast = (n - d) / half, (n + d) / half
    return (
        _rows((0.5, slow, QUARTER), (0.5, fast, QUARTER)),
        _rows((-0.5, slow, 0), (0.5, fast, 0)),
        _rows(),
    )


def epicycles(circles: Iterable[tuple[float, float, float]]) -> Axes:
    """Return the sum of circles, each running on the one before.

    Parameters
    ----------
    circles : iterable of (radius, ratio, phase)
        A negative ratio runs clockwise; phase in turns.
    """
    rows = list(circles)
    x = _rows(*[(radius, ratio, phase + QUARTER) for radius, ratio, phase in rows])
    return x, _rows(*rows), _rows()


def soft_polygon(corners: int, terms: int) -> Axes:
    """Return a regular polygon with rounded corners: the first terms of its Fourier series.

    The polygon run through at constant speed is the sum of circles of ratio 1 + k corners, k = 0, 1, -1, 2 ...,
    with radii in proportion to 1 / ratio**2; all begin upwards, where the first corner is.

    Source
    ------
    From memory; checked in the tests against a discrete Fourier transform of the polygon.
    """
    orders = [(k + 1) // 2 * (1 if k % 2 else -1) for k in range(terms)]
    ratios = [1 + corners * order for order in orders]
    whole = sum(1 / ratio**2 for ratio in ratios)
    return epicycles((1 / ratio**2 / whole, ratio, QUARTER) for ratio in ratios)


def torus_knot(p: int, q: int, tube: float) -> Axes:
    """Return the closed line that winds p times round the axis of a ring and q times through its hole.

    x = (1 + tube cos(q t)) cos(p t), y = (1 + tube cos(q t)) sin(p t), z = tube sin(q t), all over 1 + tube.
    Two and three make the trefoil, the simplest knot.
    """
    size = 1 / (1 + tube)
    half = 0.5 * tube * size
    return (
        _rows((size, p, QUARTER), (half, p + q, QUARTER), (half, p - q, QUARTER)),
        _rows((size, p, 0), (half, p + q, 0), (half, p - q, 0)),
        _rows((tube * size, q, 0)),
    )


def polygon(corners: int, step: int) -> Floats:
    """Return the corners of a regular polygon in the unit circle, the first at the top, counterclockwise.

    With `step` 2 and more every second, third ... corner is next, which draws a star of straight lines.

    Raises
    ------
    ValueError
        If such a star is not one line.
    """
    if math.gcd(corners, step) != 1:
        raise ValueError(
            f"{corners} corners taken {step} at a time are {math.gcd(corners, step)} separate figures; "
            "the two numbers must have no common divisor"
        )
    turns = QUARTER + step * np.arange(corners) / corners
    return _on_circle(turns, np.ones(corners))


def star(corners: int, inner: float) -> Floats:
    """Return the outline of a star: points on the unit circle, the first at the top, and notches at `inner`."""
    turns = QUARTER + np.arange(2 * corners) / (2 * corners)
    return _on_circle(turns, np.where(np.arange(2 * corners) % 2 == 0, 1.0, inner))


def rectangle(width: float, height: float) -> Floats:
    """Return the corners of a rectangle about the middle, counterclockwise from the upper right."""
    signs = np.array([[1, 1, 0], [-1, 1, 0], [-1, -1, 0], [1, -1, 0]], np.float64)
    return signs * [width / 2, height / 2, 0]


def cube() -> Floats:
    """Return all twelve edges of a cube in the unit sphere as one closed line.

    Every one of its eight corners joins three edges, so four edges must be drawn twice (Euler: a closed line
    needs an even number at each corner); sixteen steps are the fewest.
    """
    walk = (0, 1, 3, 2, 0, 4, 5, 1, 5, 7, 3, 7, 6, 2, 6, 4)
    corners = [[(k & 1) * 2 - 1, (k >> 1 & 1) * 2 - 1, (k >> 2 & 1) * 2 - 1] for k in walk]
    return np.array(corners, np.float64) / math.sqrt(3)


def _on_circle(turns: Floats, radius: Floats) -> Floats:
    angle = 2 * np.pi * turns
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(len(turns))], axis=1)
