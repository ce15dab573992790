"""The sweep of a control: from the place of a knob to a value in its range, and back."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import CURVES
from instrument.engine.numeric.safe_math import clamp

_EXP = CURVES.index("exp")
_LOG = CURVES.index("log")
_POINTS = CURVES.index("points")

_LOG_STEEPNESS = 9.0
"""log10(1 + 9 t) runs from 0 to 1 as t does: fast at first, then slow."""

_HALVINGS = 48
"""Steps of the search for a place; 2**-48 of the range is far below what a parameter can show."""


@compiled
def _through_points(p, first, count, t):
    # Straight lines between the patch's own points, whose first column grows from 0 to 1.
    k = first
    while k < first + count - 2 and t > p.curve_points[k + 1, 0]:
        k += 1
    x0 = p.curve_points[k, 0]
    x1 = p.curve_points[k + 1, 0]
    y0 = p.curve_points[k, 1]
    y1 = p.curve_points[k + 1, 1]
    if x1 <= x0:
        return y1
    return y0 + (t - x0) / (x1 - x0) * (y1 - y0)


@compiled
def sweep(p, control, low, high, raw, top):
    """Return the parameter value for a raw value between 0 and `top`, by the control's curve.

    `exp` takes equal ratios per step (as pitch does), `log` is fast at first and slow at the end.
    Linear sweeps multiply before they divide, so that a key number maps to itself exactly.
    """
    t = raw / top
    if control.curve == _EXP:
        return low * (high / low) ** t
    if control.curve == _LOG:
        t = np.log10(1.0 + _LOG_STEEPNESS * t)
        return low + (high - low) * t
    if control.curve == _POINTS:
        t = _through_points(p, control.first_point, control.points, t)
        return low + (high - low) * t
    return low + (high - low) * raw / top


@compiled
def place_in_sweep(p, control, low, high, value):
    """Return the place of the knob, 0 to 1, at which the sweep gives a value; the nearest end beyond it.

    Curves of the patch's own points may turn back; of several places one is found.
    """
    a = 0.0
    b = 1.0
    rising = sweep(p, control, low, high, 1.0, 1.0) >= sweep(p, control, low, high, 0.0, 1.0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (a + b)
        here = sweep(p, control, low, high, middle, 1.0)
        past = here > value if rising else here < value
        if past:
            b = middle
        else:
            a = middle
    return clamp(0.5 * (a + b), 0.0, 1.0)
