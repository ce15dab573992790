"""Drawings as every reader hands them over: points, the edges between them, and curves made straight."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_TOLERANCES, DrawingError, Tolerances

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import ArrayLike, NDArray


def no_edges() -> NDArray[np.int64]:
    """Empty edge list.

    Examples
    --------
    >>> no_edges().shape
    (0, 2)
    """
    return np.zeros((0, 2), np.int64)


@dataclass(frozen=True)
class Drawing:
    """Points and the straight edges between them, in the drawing's own units.

    Attributes
    ----------
    points : ndarray of float64, shape (n, 3)
        A flat drawing has z = 0.
    edges : ndarray of int64, shape (m, 2)
        The edges drawn, as pairs of rows of `points`, in the order and direction they were drawn.
    bridges : ndarray of int64, shape (b, 2)
        Edges that are not drawn but that a route may run along, such as a mesh's smooth edges.
    warnings : tuple of str
        What was left out or mended, for the person who brought the drawing.
    """

    points: NDArray[np.float64]
    edges: NDArray[np.int64]
    bridges: NDArray[np.int64] = field(default_factory=no_edges)
    warnings: tuple[str, ...] = ()


def from_strokes(strokes: Iterable[ArrayLike], warnings: Sequence[str] = ()) -> Drawing:
    """Make a drawing of strokes, each a list of points joined in order.

    Parameters
    ----------
    strokes : iterable of array_like, each of shape (k, 2) or (k, 3)
        A stroke that ends where it began is closed. A stroke of one point draws nothing.
    warnings : sequence of str
        Handed on.

    Returns
    -------
    Drawing

    Examples
    --------
    >>> from_strokes([[(0, 0), (1, 0), (1, 1)]]).edges.tolist()
    [[0, 1], [1, 2]]
    """
    arrays = [np.asarray(stroke, np.float64) for stroke in strokes]
    arrays = [with_depth(array) for array in arrays if len(array)]
    if not arrays:
        return Drawing(np.zeros((0, 3)), no_edges(), warnings=tuple(warnings))
    lengths = np.array([len(array) for array in arrays])
    starts = np.cumsum(lengths) - lengths
    index = np.arange(lengths.sum())
    not_last = np.ones(len(index), bool)
    not_last[starts + lengths - 1] = False
    first = index[not_last]
    return Drawing(np.concatenate(arrays), np.stack([first, first + 1], axis=1), warnings=tuple(warnings))


def with_depth(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points with three columns, z = 0 where there was none."""
    if points.ndim != 2 or points.shape[1] not in {2, 3}:
        raise DrawingError(f"points must have 2 or 3 coordinates each (got shape {points.shape})")
    if points.shape[1] == 3:
        return points
    return np.column_stack([points, np.zeros(len(points))])


def check_finite(drawing: Drawing, tolerances: Tolerances = DEFAULT_TOLERANCES) -> None:
    """Refuse points that are not numbers or too large to be measured.

    Raises
    ------
    DrawingError
        Names the first such point, counted from 1.
    """
    bad = np.flatnonzero(~np.all(np.abs(drawing.points) <= tolerances.largest, axis=1))
    if len(bad):
        x, y, z = drawing.points[bad[0]]
        raise DrawingError(
            f"point {bad[0] + 1} is ({x:g}, {y:g}, {z:g}); every coordinate must be a finite number "
            f"of at most {tolerances.largest:g}. Correct or remove that point"
        )


def edge_lengths(points: NDArray[np.float64], edges: NDArray[np.int64]) -> NDArray[np.float64]:
    """Length of each edge, float64, shape (m,), in the units of `points`.

    Examples
    --------
    >>> edge_lengths(np.array([[0.0, 0, 0], [3, 4, 0]]), np.array([[0, 1]])).tolist()
    [5.0]
    """
    step = points[edges[:, 0]] - points[edges[:, 1]]
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", step, step)))


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
