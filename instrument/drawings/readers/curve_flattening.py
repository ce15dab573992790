"""Curves become straight pieces that leave them by no more than a tolerance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

# A curve never becomes more pieces than this, whatever its size against the tolerance.
MOST_PIECES = 4096


def flatten_bezier(control: ArrayLike, tolerance: float) -> NDArray[np.float64]:
    """Replace a Bezier curve of degree 1 to 3 by points joined by straight lines.

    Parameters
    ----------
    control : array_like of float, shape (degree + 1, 2)
        Control points, ends included.
    tolerance : float
        Largest distance between curve and lines, in the units of the points, above 0.

    Returns
    -------
    ndarray of float64, shape (k, 2)
        Both ends included.

    Notes
    -----
    The number of pieces is from the largest second difference: G. Wang (1984), as in R. Goldman, Pyramid
    Algorithms (2003), section 5.6.3.

    Examples
    --------
    >>> flatten_bezier([(0, 0), (1, 2), (2, 0)], 0.3).tolist()
    [[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]]
    """
    points = np.asarray(control, np.float64)
    degree = len(points) - 1
    if degree == 1:
        return points
    bend = float(np.linalg.norm(np.diff(points, 2, axis=0), axis=1).max())
    pieces = _pieces(math.sqrt(degree * (degree - 1) / 8 * bend / tolerance))
    t = np.linspace(0.0, 1.0, pieces + 1)[:, None]
    weights = [math.comb(degree, i) * t**i * (1 - t) ** (degree - i) for i in range(degree + 1)]
    curve = np.asarray(sum(weight * point for weight, point in zip(weights, points, strict=True)))
    # The ends are met exactly, so that neighbouring curves join.
    curve[[0, -1]] = points[[0, -1]]
    return curve


def arc_pieces(radius: float, sweep: float, tolerance: float) -> int:
    """Count the chords that keep within a tolerance of an arc: each may cover 2 arccos(1 - tolerance / radius).

    Parameters
    ----------
    radius : float
        The larger one of an ellipse, at least 0.
    sweep : float
        Radians, of either sign.
    tolerance : float

    Returns
    -------
    int
        At least 1.

    Examples
    --------
    >>> arc_pieces(1.0, 2 * math.pi, 1 - math.cos(math.pi / 8))
    8
    """
    if radius <= tolerance:
        return _pieces(abs(sweep) / (0.5 * math.pi))
    return _pieces(abs(sweep) / (2 * math.acos(1 - tolerance / radius)))


def _pieces(wanted: float) -> int:
    # A hair less, so that rounding does not add a piece to a whole number of them.
    return int(min(max(math.ceil(wanted - 1e-9), 1), MOST_PIECES)) if math.isfinite(wanted) else MOST_PIECES
