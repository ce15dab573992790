"""Named figures as sums of sines or as corners, and closed paths resampled to points at equal distances."""

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


FEWEST = 2048
"""Points of a table unless the path says otherwise: no step is longer than 1/2048 of the whole."""

MOST = 1 << 17
"""Points of a table at most; eight such layers fit into the engine's pool, and nobody sees the difference."""


def resample(corners: Floats, count: int | None = None) -> Floats:
    """Return points along a closed path for a pen of constant speed.

    Each edge is cut into a whole number of equal steps, as near as possible to its share of the length, so that
    corners stay exact; the speed then differs from edge to edge by at most one part in twice the steps of the edge.
    Edges too short for a step of their own are left out.

    Parameters
    ----------
    corners : np.ndarray [shape=(m, 3), dtype=float64]
        Finite; the last is joined to the first.
    count : int, optional
        Points to return; by default the least multiple of the number of edges that is at least `FEWEST` and four
        for each edge.

    Returns
    -------
    np.ndarray [shape=(n, 3), dtype=float64]
        The first point is not repeated.

    Raises
    ------
    ValueError
        If there are no corners, or one is not finite.

    Examples
    --------
    >>> resample(np.array([[0.0, 0, 0], [1, 0, 0]]), 4)[:, 0].tolist()
    [0.0, 0.5, 1.0, 0.5]
    """
    table = np.ascontiguousarray(corners, np.float64)
    if table.ndim != 2 or table.shape[1] != 3 or len(table) == 0:
        raise ValueError(f"a path is (n, 3) points with n > 0, not {table.shape}")
    if not np.isfinite(table).all():
        raise ValueError("a path holds a coordinate that is not finite")
    table = table[np.any(table != np.roll(table, 1, axis=0), axis=1)]
    if len(table) < 2:
        return np.ascontiguousarray(corners[:1], np.float64)
    steps = _steps_for(_lengths(table), count or default_count(len(table)))
    edges = np.repeat(np.arange(len(table)), steps)
    within = np.arange(len(edges)) - np.repeat(np.cumsum(steps) - steps, steps)
    share = (within / steps[edges])[:, None]
    # Weighted, not start plus difference: the difference of two large numbers might not be one.
    begin, end = table[edges], np.roll(table, -1, axis=0)[edges]
    points = (1.0 - share) * begin + share * end
    # The two weights may round to a little more than one.
    return np.clip(points, np.minimum(begin, end), np.maximum(begin, end))


def default_count(edges: int) -> int:
    """Return how many points a path of so many edges gets by default."""
    wanted = min(max(FEWEST, 4 * edges), MOST)
    return max(1, -(-wanted // edges)) * edges


def _lengths(table: Floats) -> Floats:
    # Only proportions matter, so huge and tiny drawings are measured at a size where squares are numbers.
    unit = table / np.abs(table).max()
    difference = np.roll(unit, -1, axis=0) - unit
    return np.asarray(np.sqrt((difference**2).sum(axis=1)), np.float64)


def _steps_for(lengths: Floats, count: int) -> npt.NDArray[np.int64]:
    # Largest remainders: whole steps for each edge, adding up to the count, nearest to the shares.
    shares = lengths * (count / lengths.sum()) if lengths.sum() > 0 else np.full(len(lengths), count / len(lengths))
    steps = np.floor(shares + 1e-9).astype(np.int64)
    missing = count - int(steps.sum())
    order = np.argsort(-(shares - steps), kind="stable")
    steps[order[: max(missing, 0)]] += 1
    return steps
