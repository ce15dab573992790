"""How a knob takes hold of its parameter: at once, when it meets the value, by scaling, or click by click."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled
from instrument.engine.controls.control_curve import place_in_sweep, sweep
from instrument.engine.memory.layout import MANNERS, MESSAGES, TAKEOVERS
from instrument.engine.numeric.safe_math import clamp

_SWITCHED = (MESSAGES.index("cc"), MESSAGES.index("cc14"), MESSAGES.index("rpn"), MESSAGES.index("nrpn"))
_TWOS = MANNERS.index("relative_twos")
_OFFSET = MANNERS.index("relative_offset")
_PICKUP = TAKEOVERS.index("pickup")
_SCALED = TAKEOVERS.index("scaled")

_NEAR = 1.001
"""Steps of the knob that count as being there; a little more than one, which is inexact in the numbers used."""

_FAST_SECONDS = 0.1
"""Clicks of an endless knob that follow within this time count as fast."""


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
    place = place_in_sweep(p, control, low, high, s.target[control.param])
    step = _clicks(control.manner, raw) * control.step * (1.0 + control.acceleration * haste)
    return sweep(p, control, low, high, clamp(place + step, 0.0, 1.0), 1.0)


@compiled
def _meets(p, s, k, low, high, before, raw, top):
    # A knob takes hold where it has just passed the value; one that waits for it also where it stands beside it.
    control = p.controls[k]
    target = s.target[control.param]
    place = place_in_sweep(p, control, low, high, target)
    here = raw / top
    near = control.takeover == _PICKUP and abs(here - place) <= _NEAR / top
    passed = before >= 0.0 and (before - place) * (here - place) <= 0.0
    return near or passed


@compiled
def _scaled_place(place, before, here):
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
    value = sweep(p, control, low, high, raw, top)
    target = s.target[control.param]
    if control.takeover != _PICKUP and control.takeover != _SCALED:
        return True, value
    if state.holds == 0 or state.value != target:
        state.holds = 1 if _meets(p, s, k, low, high, before, raw, top) else 0
    if state.holds != 0:
        return True, value
    if control.takeover == _PICKUP or before < 0.0:
        return False, value
    place = place_in_sweep(p, control, low, high, target)
    return True, sweep(p, control, low, high, _scaled_place(place, before, raw / top), 1.0)
