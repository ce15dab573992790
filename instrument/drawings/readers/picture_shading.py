"""Pictures shaded by one closed line that is dense where they are dark: stipples, and a short tour through them."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.jump_order import shorten_jumps

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ROUNDS = 25
"""Times that every stipple moves to the middle of what is nearest to it; later ones move it by less than a pixel."""

_PALEST = 0.04
"""Darkness that counts as white: paper is never quite white in a photograph."""

_TOUR_SHARE = 0.25
"""Part of the time for a drawing that the tour may take; it is mostly done long before."""


def shading_line(brightness: NDArray[np.float64], stipples: int, seconds: float) -> NDArray[np.float64]:
    """Lay one closed line over a picture, with as much of it to an area as that is dark.

    A short tour through points of density d has a length in proportion to sqrt(d) in each area (J. Beardwood,
    J. H. Halton, J. M. Hammersley, The shortest path through many points, Mathematical Proceedings of the Cambridge
    Philosophical Society 55 (1959), 299 to 327), so the points are set by the square of the darkness. They are spread
    evenly by weighted Voronoi stippling: A. Secord, Weighted Voronoi stippling, NPAR 2002, 37 to 43. Tours through
    stipples: C. S. Kaplan and R. Bosch, TSP art, Bridges 2005, 301 to 308 (from memory).

    Parameters
    ----------
    brightness : ndarray of float64, shape (rows, columns)
        0 (black) to 1 (white).
    stipples : int
        Points of the line.
    seconds : float
        Time that reading and routing may take together.

    Returns
    -------
    ndarray of float64, shape (n + 1, 2)
        Columns and rows; the last point is the first again. Empty where the picture is white.
    """
    darkness = np.clip((1.0 - brightness - _PALEST) / (1.0 - _PALEST), 0.0, 1.0)
    weight = darkness**2
    if weight.sum() < 1e-9 * weight.size:
        return np.zeros((0, 2))
    points = _settled(weight, _sown(weight, stipples))
    # From the order along the curve that they were sown by, which is a fair tour already.
    order = _order_along_curve(points, weight.shape)
    points = points[order]
    deep = np.column_stack([points, np.zeros(len(points))])
    tour = [k for k, _ in shorten_jumps(deep, deep, time.monotonic() + _TOUR_SHARE * seconds)]
    return points[[*tour, tour[0]]]


def _sown(weight: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Points [shape=(count, 2)] with equal shares of the weight from one to the next, along a curve that fills the picture."""
    rows, columns = np.indices(weight.shape)
    order = np.argsort(_place_on_curve(columns.ravel(), rows.ravel(), weight.shape), kind="stable")
    total = np.cumsum(weight.ravel()[order])
    chosen = order[np.searchsorted(total, (np.arange(count) + 0.5) / count * total[-1])]
    # Two that fall on one pixel must part, or they would stay together for ever.
    apart = np.random.default_rng(1).uniform(0.2, 0.8, (count, 2))
    return np.column_stack([columns.ravel()[chosen], rows.ravel()[chosen]]) + apart


def _settled(weight: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.spatial import cKDTree

    rows, columns = np.nonzero(weight)
    pixels = np.column_stack([columns, rows]) + 0.5
    weights = weight[rows, columns]
    for _ in range(_ROUNDS):
        _, nearest = cKDTree(points).query(pixels)
        share = np.bincount(nearest, weights, len(points))
        moved = [np.bincount(nearest, weights * pixels[:, axis], len(points)) for axis in (0, 1)]
        kept = share > 0
        points = np.column_stack(moved)[kept] / share[kept, None]
    return points


def _order_along_curve(points: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.intp]:
    whole = points.astype(np.int64)
    return np.argsort(_place_on_curve(whole[:, 0], whole[:, 1], shape), kind="stable")


def _place_on_curve(x: NDArray[np.int64], y: NDArray[np.int64], shape: tuple[int, ...]) -> NDArray[np.int64]:
    """Place of pixels along D. Hilbert's curve (Mathematische Annalen 38, 1891) through the least square that holds them."""
    x, y = x.astype(np.int64).copy(), y.astype(np.int64).copy()
    place = np.zeros_like(x)
    side = 1 << (max(shape) - 1).bit_length()
    step = side // 2
    while step:
        right, up = (x & step) > 0, (y & step) > 0
        place += step * step * ((3 * right) ^ up)
        # A quarter is turned so that it begins where the one before has ended.
        turned = ~up
        flip = turned & right
        x[flip], y[flip] = side - 1 - x[flip], side - 1 - y[flip]
        x[turned], y[turned] = y[turned], x[turned]
        step //= 2
    return place
