"""From a parameter's value back to the place of the knob that would give it: the inverse of a control's sweep."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

from instrument.engine.memory.layout import CURVES

if TYPE_CHECKING:
    from collections.abc import Sequence

_EXP, _LOG, _POINTS = CURVES.index("exp"), CURVES.index("log"), CURVES.index("points")

_LOG_STEEPNESS = 9.0
"""As in engine.sweep; a test compares the two."""


def place_of(
    value: float, low: float, high: float, curve: int, points: Sequence[tuple[float, float]] = ()
) -> float | None:
    """Return the place of the knob, 0 to 1, at which a control gives a value; the nearest end beyond its range.

    Parameters
    ----------
    value : float
        Any number.
    low, high : float
        Both ends of the range, in either order.
    curve : int
        Its index in `layout.CURVES`.
    points : sequence of (float, float)
        Of the curve ``points``: pairs of place and share of the range. Where it turns back, the first of several
        places is found; where it never comes to the value, the place where it comes nearest.

    Returns
    -------
    float or None
        None where every place gives the same, or the value is no number.

    Examples
    --------
    >>> place_of(440.0, 110.0, 1760.0, CURVES.index("exp"))
    0.5
    """
    if math.isnan(value) or low == high or not (math.isfinite(low) and math.isfinite(high)):
        return None
    share = min(max((value - low) / (high - low), 0.0), 1.0)
    if curve == _POINTS:
        return _through(points, share)
    if share in {0.0, 1.0}:
        return share
    if curve == _EXP:
        return math.log(value / low) / math.log(high / low)
    if curve == _LOG:
        return (math.pow(10.0, share) - 1.0) / _LOG_STEEPNESS
    return share


def _through(points: Sequence[tuple[float, float]], share: float) -> float | None:
    best, distance = None, math.inf
    for (x0, y0), (x1, y1) in pairwise(points):
        nearest = min(max(share, min(y0, y1)), max(y0, y1))
        if abs(nearest - share) < distance:
            distance = abs(nearest - share)
            best = x0 if y1 == y0 else x0 + (nearest - y0) / (y1 - y0) * (x1 - x0)
    return best
