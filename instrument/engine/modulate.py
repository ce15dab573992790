"""Modulators and links: moving values, sample by sample, added to or multiplied into parameters."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiled import compiled, inlined
from instrument.engine.layout import LINK_MULTIPLY, STEP_BASE, STEP_LINK
from instrument.engine.numeric import choice, phase_to_turns, sincos_turn, turns_to_phase, wrap_turn
from instrument.engine.parameters import (
    LINK,
    LINK_BASE,
    LINK_SIZE,
    MODULATOR,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    offset_in,
)

_SHAPE = offset_in(MODULATOR, "shape")
_RATE = offset_in(MODULATOR, "rate")
_PHASE = offset_in(MODULATOR, "phase")
_WIDTH = offset_in(MODULATOR, "width")
_DEPTH = offset_in(LINK, "depth")
_OFFSET = offset_in(LINK, "offset")


@inlined
def lfo_value(shape, turns, width):
    """Return an LFO's value, -1 to 1, at a place in its cycle (0 to 1)."""
    sine, _ = sincos_turn(turns)
    falling = 1.0 - 2.0 * ((turns - width) / (1.0 - width))
    triangle = 2.0 * (turns / width) - 1.0 if turns < width else falling
    saw = 2.0 * turns - 1.0
    square = 1.0 if turns < width else -1.0
    value = sine if shape == 0 else triangle
    value = saw if shape == 2 else value
    return square if shape == 3 else value


@compiled
def run_lfo(m, s, number, n):
    """Fill a modulator's row for n samples from its shape, rate, phase and width."""
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    shape = s.rows[base + _SHAPE]
    rate = s.rows[base + _RATE]
    start = s.rows[base + _PHASE]
    width = s.rows[base + _WIDTH]
    out = s.modulator_rows[number]
    phase = s.modulator[number]
    for i in range(n):
        turns = wrap_turn(phase_to_turns(phase) + start[i])
        out[i] = lfo_value(choice(shape[i], 4), turns, width[i])
        phase += turns_to_phase(rate[i] / m.rate)
    s.modulator[number] = phase


@compiled
def _begin_target(s, index, n):
    # A ramp has already filled the row; otherwise links of the last chunk are still in it.
    ramping = False
    for k in range(s.n_ramping):
        if s.ramping[k] == index:
            ramping = True
    if not ramping:
        row = s.rows[index]
        value = s.value[index]
        for i in range(n):
            row[i] = value


@compiled
def _apply_link(p, s, number, n):
    link = p.links[number]
    row = s.rows[link.param]
    moved_by = s.modulator_rows[link.modulator]
    depth = s.rows[LINK_BASE + number * LINK_SIZE + _DEPTH]
    offset = s.rows[LINK_BASE + number * LINK_SIZE + _OFFSET]
    if link.operation == LINK_MULTIPLY:
        for i in range(n):
            row[i] = row[i] * (offset[i] + depth[i] * moved_by[i])
    else:
        for i in range(n):
            row[i] = row[i] + (offset[i] + depth[i] * moved_by[i])


@compiled
def run_schedule(m, p, s, n):
    """Evaluate modulators and links for n samples in the order that the program lists."""
    for k in range(p.n_steps):
        step = p.schedule[k]
        index = np.int64(step.index)
        if step.operation == STEP_BASE:
            _begin_target(s, index, n)
        elif step.operation == STEP_LINK:
            _apply_link(p, s, index, n)
        else:
            run_lfo(m, s, index, n)
