"""Snapshots: sets of values that are recalled at once, moved to over a time, or morphed between by a control."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.numeric.safe_math import clamp
from instrument.engine.parameters import PATCH, PATCH_BASE, offset_in
from instrument.engine.signal.ramp import set_parameter

_FROM = PATCH_BASE + offset_in(PATCH, "morph.from")
_TO = PATCH_BASE + offset_in(PATCH, "morph.to")
_POSITION = PATCH_BASE + offset_in(PATCH, "morph.position")
_TIME = PATCH_BASE + offset_in(PATCH, "morph.time")

_TEMPO = PATCH_BASE + offset_in(PATCH, "tempo.bpm")

_LONGEST = 1e9
"""Samples of a morph at most: hours at any rate."""


@compiled
def _ramp(m, p, param):
    if p.jumps[param] != 0:
        return np.int64(0)
    return np.int64(p.ramp_seconds * m.rate + 0.5)


@compiled
def _short_way(here, value):
    # The same angle as `value`, at most half a turn from `here`.
    away = here - value
    return value + (away - np.floor(away + 0.5)) if abs(away) < 1e15 else here


@compiled
def _morph_to(m, p, s, param, value, samples):
    # An angle starts from where it is, told in other turns, so that it goes the short way and still arrives.
    if p.circles[param] != 0 and samples > 0:
        s.value[param] = _short_way(s.value[param], value)
    set_parameter(s, np.int64(param), value, samples)
    s.steps[param] = p.jumps[param]


@compiled
def _snapshot(p, number):
    # The row of a snapshot counted from 1, or -1.
    n = np.int64(clamp(number + 0.5, 0.0, 1e6)) - 1
    return n if n < p.n_snapshots else np.int64(-1)


@compiled
def recall(m, p, s, number, samples):
    """Move all parameters of a snapshot, counted from 1, to its values; choices change half-way."""
    n = _snapshot(p, number)
    if n < 0:
        return
    row = p.snapshots[n]
    for k in range(row.first, row.first + row.count):
        given = p.snapshot_values[k]
        length = samples if samples > 0 else _ramp(m, p, np.int64(given.param))
        _morph_to(m, p, s, np.int64(given.param), given.value, length)


@compiled
def morph_samples(m, s):
    """Return the length of a morph in samples, from `morph.time` in beats and `tempo.bpm`."""
    samples = s.value[_TIME] * 60.0 / s.value[_TEMPO] * m.rate
    return np.int64(clamp(samples + 0.5, 0.0, _LONGEST))


@compiled
def _between(p, param, a, b, position):
    if p.jumps[param] != 0:
        return b if position >= 0.5 else a
    if p.circles[param] != 0:
        a = _short_way(a, b)
    if position <= 0.0:
        return a
    return b if position >= 1.0 else a + (b - a) * position


@compiled
def _morph(m, p, s):
    # Both rows are in the order of parameters. What only one of them names meets the patch's own value.
    a = _snapshot(p, s.target[_FROM])
    b = _snapshot(p, s.target[_TO])
    if a < 0 or b < 0:
        return
    position = clamp(s.target[_POSITION], 0.0, 1.0)
    i = np.int64(p.snapshots[a].first)
    j = np.int64(p.snapshots[b].first)
    last_i = i + p.snapshots[a].count
    last_j = j + p.snapshots[b].count
    while i < last_i or j < last_j:
        of_a = np.int64(p.snapshot_values[i].param) if i < last_i else np.int64(1 << 40)
        of_b = np.int64(p.snapshot_values[j].param) if j < last_j else np.int64(1 << 40)
        param = min(of_a, of_b)
        left = p.base[param]
        right = p.base[param]
        if of_a == param:
            left = p.snapshot_values[i].value
            i += 1
        if of_b == param:
            right = p.snapshot_values[j].value
            j += 1
        _morph_to(m, p, s, param, _between(p, param, left, right, position), _ramp(m, p, param))


@compiled
def move_parameter(m, p, s, param, value):
    """Move a parameter by a control or a typed number, with the patch's ramp; some move others with them."""
    set_parameter(s, param, value, _ramp(m, p, param))
    if param == _POSITION:
        _morph(m, p, s)
