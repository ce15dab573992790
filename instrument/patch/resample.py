"""Resampling of closed paths: corners become points at equal distances, with every corner among them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

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
