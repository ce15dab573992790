"""Actions upon the instance that plays or upon the whole: tap, blackout, freeze and gestures."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import ACTIONS, CHANGE_OVER, SWITCH_ON
from instrument.engine.modulators.modulator_table import MODULATOR_GESTURE
from instrument.engine.numeric.safe_math import choice, clamp
from instrument.engine.parameters import MODULATOR, MODULATOR_BASE, MODULATOR_SIZE, MODULATORS, offset_in
from instrument.engine.signal.ramp import set_parameter

_TAP = ACTIONS.index("tap")
_BLACKOUT = ACTIONS.index("blackout")
_FREEZE = ACTIONS.index("freeze")
_GESTURE = ACTIONS.index("gesture")
_OVERDUB = ACTIONS.index("overdub")
_CLEAR = ACTIONS.index("clear")

_RECORD = offset_in(MODULATOR, "record")
_WAYS = 3
_PLAY, _REPLACE, _ADD = range(_WAYS)

_SECONDS = 0.005
"""In which a blackout comes and goes: no click, and at once to the eye (common practice, no source)."""


@compiled
def _switched(before, value):
    which = choice(value, 3)
    if which == CHANGE_OVER:
        return 1 - before
    return np.int64(1 if which == SWITCH_ON else 0)


@compiled
def _modulator_of(p, number):
    # The modulator that plays a gesture, counted from 1 in the order of the patch, or -1; 0 means the first.
    wanted = max(np.int64(clamp(number + 0.5, 0.0, 1e6)), np.int64(1))
    for k in range(MODULATORS):
        if p.modulators[k].kind == MODULATOR_GESTURE:
            wanted -= 1
            if wanted == 0:
                return k
    return -1


@compiled
def _record_or_play(s, modulator, way):
    index = np.int64(MODULATOR_BASE + modulator * MODULATOR_SIZE + _RECORD)
    records = choice(s.target[index], _WAYS) == way
    set_parameter(s, index, np.float64(_PLAY if records else way), np.int64(0))


@compiled
def act_on_all(m, action, value):
    """Carry out an action that needs no program."""
    if action == _BLACKOUT:
        m.blackout = _switched(m.blackout, value)
    elif action == _FREEZE:
        m.frozen = _switched(m.frozen, value)


@compiled
def act_on_instance(p, s, action, value):
    """Carry out an action upon the tempo or a gesture of the instance that plays."""
    if action == _TAP:
        s.tempo.asked = 1
    elif _GESTURE <= action <= _CLEAR:  # overdub lies between
        modulator = _modulator_of(p, value)
        if modulator < 0:
            return
        if action == _CLEAR:
            s.modulator[modulator].cleared = -1
        else:
            _record_or_play(s, modulator, _REPLACE if action == _GESTURE else _ADD)


@compiled
def black_out(m, x, y, n):
    """Fade both channels to 0 and keep them there, or let them come back."""
    if m.blackout == 0 and m.dark == 0:
        return
    length = max(np.int64(_SECONDS * m.rate + 0.5), np.int64(1))
    dark = m.dark
    for i in range(n):
        dark = min(dark + 1, length) if m.blackout != 0 else max(dark - 1, np.int64(0))
        keep = (length - dark) / length
        x[i] *= keep
        y[i] *= keep
    m.dark = dark
