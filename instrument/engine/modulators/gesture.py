"""The gesture: a hand's movement, recorded round a cycle and played again."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.layout import CELLS
from instrument.engine.modulators.modulator_table import MODULATOR_GESTURE
from instrument.engine.numeric.safe_math import choice
from instrument.engine.parameters import MODULATOR, MODULATOR_BASE, MODULATOR_SIZE, offset_in

_HAND = offset_in(MODULATOR, "hand")
_RECORD = offset_in(MODULATOR, "record")
_CLEAR = offset_in(MODULATOR, "clear")

_PLAY, _REPLACE, _OVERDUB = range(3)

_FARTHEST = 64
"""Cells that may be passed between two samples; of a longer way only the cell it left is written."""

_LARGEST = 1e9
"""Largest value that is recorded or played; one beyond it, or no number, could not be played out of the cells again."""


@inlined
def _sound(x):
    return x if abs(x) < _LARGEST else 0.0


@inlined
def _write(cells, k, hand, way):
    cells[k] = _sound(cells[k] + hand) if way == _OVERDUB else hand


@compiled
def _leave_behind(cells, before, here, hand, way):
    # From the cell of the sample before up to, not including, the present one; round the end whichever way is shorter.
    steps = (here - before + CELLS) % CELLS
    direction = 1
    if steps > CELLS // 2:
        steps = CELLS - steps
        direction = -1
    if steps > _FARTHEST:
        steps = 1
    k = before
    for _ in range(steps):
        _write(cells, k, hand, way)
        k = (k + direction + CELLS) % CELLS


@compiled
def start_gesture(m, p, s, before, old, number, goes_on):
    """Fill a gesture's cells: from the instance before, from the patch, or with nothing."""
    cells = s.gestures[p.modulators[number].gesture]
    if goes_on and before.modulators[number].kind == MODULATOR_GESTURE:
        then = old.gestures[before.modulators[number].gesture]
        for k in range(CELLS):
            cells[k] = then[k]
    elif p.modulators[number].count >= CELLS:
        for k in range(CELLS):
            cells[k] = m.pool[p.modulators[number].table + k]
    else:
        for k in range(CELLS):
            cells[k] = 0.0


@compiled
def run_gesture(m, p, s, number, n):
    """Fill a modulator's row for n samples from its cells, recording into those that it leaves.

    `replace` is heard as the hand moves, `overdub` as what was there before and the hand together.
    """
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    hand = s.rows[base + _HAND]
    record = s.rows[base + _RECORD]
    clear = s.rows[base + _CLEAR]
    out = s.modulator_rows[number]
    state = s.modulator[number]
    cells = s.gestures[p.modulators[number].gesture]
    for i in range(n):
        clears = choice(clear[i], 2) != 0
        if (clears and state.cleared == 0) or state.cleared < 0:
            for emptied in range(CELLS):
                cells[emptied] = 0.0
        state.cleared = np.int64(clears)
        place = m.scratch_turns[i] * CELLS
        k = min(np.int64(place), np.int64(CELLS - 1))
        way = choice(record[i], 3)
        held = _sound(hand[i])
        if way != _PLAY and state.step >= 0 and state.step != k:
            _leave_behind(cells, state.step, k, held, way)
        state.step = k if way != _PLAY else np.int64(-1)
        here = cells[k]
        played = here + (cells[(k + 1) % CELLS] - here) * (place - k)
        value = held if way == _REPLACE else played
        out[i] = _sound(played + held) if way == _OVERDUB else value
