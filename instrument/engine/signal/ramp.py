"""Parameter values over a chunk: constant rows that cost nothing, and ramps from one value to the next."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import CHUNK


@compiled
def settle(s, index, value):
    """Let a parameter hold one value, throughout its row."""
    s.value[index] = value
    s.target[index] = value
    row = s.rows[index]
    for i in range(CHUNK):
        row[i] = value
    s.moving[index] = s.linked[index]


@compiled
def _forget_ramp(s, index):
    kept = 0
    for k in range(s.n_ramping):
        if s.ramping[k] != index:
            s.ramping[kept] = s.ramping[k]
            kept += 1
    s.n_ramping = kept


@compiled
def set_parameter(s, index, value, samples):
    """Move a parameter to a value over a number of samples; infinities and nan are taken at once."""
    here = s.value[index]
    if samples <= 0 or not (abs(value) < 1e308) or not (abs(here) < 1e308):
        _forget_ramp(s, index)
        settle(s, index, value)
        return
    listed = False
    for k in range(s.n_ramping):
        if s.ramping[k] == index:
            listed = True
    if not listed:
        s.ramping[s.n_ramping] = index
        s.n_ramping += 1
    s.steps[index] = 0
    s.origin[index] = here
    s.target[index] = value
    s.ramp_length[index] = samples
    s.ramp_done[index] = 0


@compiled
def _slide(row, origin, target, done, length, n):
    value = target
    for i in range(n):
        step = done + 1 + i
        weight = step / length
        value = target if step >= length else (1.0 - weight) * origin + weight * target
        row[i] = value
    return value


@compiled
def advance_ramps(s, n):
    """Fill the rows of ramping parameters for the next n samples.

    The first sample has already moved; the last one is exactly the target.
    """
    kept = 0
    for k in range(s.n_ramping):
        index = s.ramping[k]
        length = s.ramp_length[index]
        done = s.ramp_done[index]
        target = s.target[index]
        if done >= length:
            settle(s, index, target)
            continue
        origin = s.origin[index]
        row = s.rows[index]
        value = target
        if s.steps[index] != 0:
            for i in range(n):
                value = origin if 2 * (done + 1 + i) < length else target
                row[i] = value
        else:
            value = _slide(row, origin, target, done, length, n)
        s.value[index] = value
        s.ramp_done[index] = done + n
        s.moving[index] = 1
        s.ramping[kept] = index
        kept += 1
    s.n_ramping = kept
