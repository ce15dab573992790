"""Where a closed line turns."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def corner_steps(line: NDArray[np.float64], angle: float) -> NDArray[np.bool_]:
    """Mark the points at which a closed line has turned by `angle` since the last such point.

    Counted like this, a curve has as many corners as it needs straight pieces, however finely it is sampled.

    Parameters
    ----------
    line : ndarray of float64, shape (k, 3)
        The first point is not repeated. Points that coincide with the one before are no corners.
    angle : float
        Degrees, more than 0 and less than 180.

    Returns
    -------
    ndarray of bool, shape (k,)

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    >>> int(corner_steps(square, 10.0).sum())
    4
    """
    step = np.roll(line, -1, axis=0) - line
    length = np.sqrt(np.einsum("ij,ij->i", step, step))
    moves = np.flatnonzero(length > 0)
    corner = np.zeros(len(line), bool)
    if len(moves) < 2:
        return corner
    heading = step[moves] / length[moves, None]
    limit = math.cos(math.radians(angle))
    # A sharp turn is a corner whatever came before; only the gentle stretches between are followed one by one.
    sharp = np.einsum("ij,ij->i", heading, np.roll(heading, 1, axis=0)) < limit
    corner[moves[sharp]] = True
    gentle = ~sharp
    begin = int(np.argmax(sharp)) if sharp.any() else 0
    places = np.flatnonzero(gentle)
    places = np.roll(places, -int(np.searchsorted(places, begin)))
    headings = heading[places].tolist()
    # Behind a sharp turn its heading is the one to hold against.
    fresh = sharp[places - 1].tolist()
    hx, hy, hz = heading[-1].tolist()
    for place, new, (x, y, z) in zip(places.tolist(), fresh, headings, strict=True):
        if new:
            hx, hy, hz = heading[place - 1].tolist()
        if hx * x + hy * y + hz * z < limit:
            corner[moves[place]] = True
            hx, hy, hz = x, y, z
    return corner
