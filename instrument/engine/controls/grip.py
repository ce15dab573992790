"""From the place of a knob to the value of its parameter: control curves, and how a knob takes hold."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import CURVES, GRIPS, MANNERS, MESSAGES
from instrument.engine.numeric.safe_math import clamp

_EXP = CURVES.index("exp")
_LOG = CURVES.index("log")
_POINTS = CURVES.index("points")
_LOG_STEEPNESS = 9.0
"""log10(1 + 9 t) runs from 0 to 1 as t does: fast at first, then slow."""

_HALVINGS = 48
"""Steps of the search for a place; 2**-48 of the range is far below what a parameter can show."""

_SWITCHED = (MESSAGES.index("cc"), MESSAGES.index("cc14"), MESSAGES.index("rpn"), MESSAGES.index("nrpn"))
_TWOS = MANNERS.index("relative_twos")
_OFFSET = MANNERS.index("relative_offset")
_CATCH = GRIPS.index("catch")
_PROPORTIONAL = GRIPS.index("proportional")
_NEAR = 1.001
"""Steps of the knob that count as being there; a little more than one, which is inexact in the numbers used."""

_FAST_SECONDS = 0.1
"""Clicks of an endless knob that follow within this time count as fast."""


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
def value_on_curve(p, control, low, high, raw, top):
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
def position_on_curve(p, control, low, high, value):
    """Return the place of the knob, 0 to 1, at which the sweep gives a value; the nearest end beyond it.

    Curves of the patch's own points may turn back; of several places one is found.
    """
    a = 0.0
    b = 1.0
    rising = value_on_curve(p, control, low, high, 1.0, 1.0) >= value_on_curve(p, control, low, high, 0.0, 1.0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (a + b)
        here = value_on_curve(p, control, low, high, middle, 1.0)
        past = here > value if rising else here < value
        if past:
            b = middle
        else:
            a = middle
    return clamp(0.5 * (a + b), 0.0, 1.0)


@compiled
def is_down(control, raw, top):
    """Return whether a button is down: controllers switch at 64 of 127, everything else is down above 0."""
    if (
        control.message == _SWITCHED[0]
        or control.message == _SWITCHED[1]
        or control.message == _SWITCHED[2]
        or control.message == _SWITCHED[3]
    ):
        return 2.0 * raw > top
    return raw > 0.0


@compiled
def _clicks(manner, raw):
    # Steps to the right: two's complement in seven bits, offset from 64, or a sign in bit 6.
    if manner == _TWOS:
        return raw if raw < 64.0 else raw - 128.0
    if manner == _OFFSET:
        return raw - 64.0
    return raw if raw < 64.0 else 64.0 - raw  # relative_sign


@compiled
def _clicked(m, p, s, k, low, high, raw):
    control = p.controls[k]
    state = s.controls[k]
    since = (m.time - state.heard) / m.rate
    haste = clamp(1.0 - since / _FAST_SECONDS, 0.0, 1.0) if state.at >= 0.0 else 0.0
    state.at = 0.0
    state.heard = m.time
    place = position_on_curve(p, control, low, high, s.target[control.param])
    step = _clicks(control.manner, raw) * control.step * (1.0 + control.acceleration * haste)
    return value_on_curve(p, control, low, high, clamp(place + step, 0.0, 1.0), 1.0)


@compiled
def _meets(p, s, k, low, high, before, raw, top):
    # A knob takes hold where it has just passed the value; one that waits for it also where it stands beside it.
    control = p.controls[k]
    target = s.target[control.param]
    place = position_on_curve(p, control, low, high, target)
    here = raw / top
    near = control.grip == _CATCH and abs(here - place) <= _NEAR / top
    passed = before >= 0.0 and (before - place) * (here - place) <= 0.0
    return near or passed


@compiled
def _proportional_place(place, before, here):
    # What is left of the knob's way runs through what is left of the parameter's, so that both ends meet.
    if here > before:
        return place + (1.0 - place) * (here - before) / (1.0 - before)
    if here < before:
        return place - place * (before - here) / before
    return place


@compiled
def turned(m, p, s, k, low, high, raw, top):
    """Return whether a controller moves its parameter, and the new value."""
    control = p.controls[k]
    if control.manner >= _TWOS:
        return True, _clicked(m, p, s, k, low, high, raw)
    state = s.controls[k]
    before = state.at
    state.at = raw / top
    value = value_on_curve(p, control, low, high, raw, top)
    target = s.target[control.param]
    if control.grip != _CATCH and control.grip != _PROPORTIONAL:
        return True, value
    if state.holds == 0 or state.value != target:
        state.holds = 1 if _meets(p, s, k, low, high, before, raw, top) else 0
    if state.holds != 0:
        return True, value
    if control.grip == _CATCH or before < 0.0:
        return False, value
    place = position_on_curve(p, control, low, high, target)
    return True, value_on_curve(p, control, low, high, _proportional_place(place, before, raw / top), 1.0)
