"""Modulators that go round: what triggers them, where in their cycle they are, and the waveforms of the LFO."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.fixed_point import between, moved_often, moved_on, multiplied
from instrument.engine.numeric.safe_math import (
    choice,
    finite,
    phase_to_turns,
    sincos_turn,
    turns_to_phase,
    wrap_turn,
)
from instrument.engine.parameters import MODULATOR, MODULATOR_BASE, MODULATOR_SIZE, offset_in

_SHAPE = offset_in(MODULATOR, "shape")
_RATE = offset_in(MODULATOR, "rate")
_PHASE = offset_in(MODULATOR, "phase")
_WIDTH = offset_in(MODULATOR, "width")
_SYNC = offset_in(MODULATOR, "sync")
_ONCE = offset_in(MODULATOR, "once")
_TRIGGER = offset_in(MODULATOR, "trigger")
_GATE = offset_in(MODULATOR, "gate")
_EVERY = offset_in(MODULATOR, "every")

_SHAPES = 5
_ON_NOTE, _ON_BEAT = 1, 2

_FASTEST = 1048576.0
"""Cycles in one sample; faster ones stand still, or the number of the cycle would lose its last digits for good."""

_ENDED = 2
"""`started` of a single cycle that is over; a beat that jumps back does not bring it back."""

REST = 64
"""Samples after which a rate that has not changed counts as resting, and its cycle is locked to the beat again. A
smooth rate stands still for a few samples at its turning points; those must not count."""


@compiled
def run_trigger(m, s, number, n, wanted):
    """Fill `fires` and `open` for n samples and return whether anything may happen in them.

    Where nothing can, the rows are filled only if they are `wanted`.
    """
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    gate = s.rows[base + _GATE]
    trigger = s.rows[base + _TRIGGER]
    every = s.rows[base + _EVERY]
    width = s.rows[base + _WIDTH]
    state = s.modulator[number]
    held = state.held != 0
    new_note = s.notes != state.notes
    state.notes = s.notes
    rests = s.moving[base + _GATE] == 0 and s.moving[base + _TRIGGER] == 0
    if rests and choice(trigger[0], 3) == 0 and (gate[0] >= 0.5) == held:
        if wanted:
            for i in range(n):
                m.fires[i] = np.uint8(0)
                m.open[i] = np.uint8(held)
        return False
    for i in range(n):
        way = choice(trigger[i], 3)
        is_open = gate[i] >= 0.5
        fires = False
        if way == _ON_NOTE:
            is_open = is_open or m.n_held_notes > 0
            fires = new_note and i == 0
        elif way == _ON_BEAT and every[i] > 0.0:
            place = m.beat_row[i] / every[i]
            before = m.beat_before[i] / every[i]
            if place != before:
                fires = np.floor(place) != np.floor(before)
                is_open = is_open or place - np.floor(place) < width[i]
        m.fires[i] = np.uint8(fires or (is_open and not held))
        held = is_open
        m.open[i] = np.uint8(held)
    state.held = np.int64(held)
    return True


@inlined
def _spread(cycle, start):
    # The cycle that a place lies in once its start is added.
    whole = np.floor(start)
    return np.float64(cycle) + (whole if abs(whole) < 1e15 else 0.0)


@inlined
def _within_reach(speed):
    return speed if abs(speed) < _FASTEST else 0.0


@compiled
def _run_steadily(m, s, number, n, counts):
    # One speed throughout and nothing that starts it anew: every place follows from the first.
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    start = s.rows[base + _PHASE]
    turns = m.scratch_turns
    state = s.modulator[number]
    speed = _within_reach(s.rows[base + _RATE, 0] / m.rate)
    change = turns_to_phase(speed)
    phase = state.phase
    for i in range(np.uint64(n)):
        turns[i] = wrap_turn(phase_to_turns(phase + np.uint64(i) * change) + start[i])
    if counts:
        cycle, here = state.cycle, phase
        for i in range(n):
            m.scratch_cycles[i] = _spread(cycle, phase_to_turns(here) + start[i])
            cycle, here = moved_on(cycle, here, speed)
    whole = np.int64(np.floor(speed + 0.5))
    cycle, phase = moved_often(state.cycle, phase, change, n)
    state.cycle = cycle + whole * n
    state.phase = phase
    state.rate = s.rows[base + _RATE, 0]


@compiled
def run_cycle(m, s, number, n, fired, counts):
    """Fill turns (0 to 1) and, if it counts, cycles for n samples; `fired` is what `run_trigger` said.

    A free cycle gains rate / sample rate at every sample. One in beats is at exactly rate times beats since its
    trigger (or since beat 0) while its rate rests, so that it stays locked; while the rate moves it gains what passes.

    In: rows of rate, phase, sync and once; the beat. Out: scratch_turns, scratch_cycles; the place moved on.
    Never: a jump when a rate that moved comes to rest: it rests for REST samples first, and then is locked.
    """
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    rate = s.rows[base + _RATE]
    start = s.rows[base + _PHASE]
    sync = s.rows[base + _SYNC]
    once = s.rows[base + _ONCE]
    still = s.moving[base + _RATE] == 0 and s.moving[base + _SYNC] == 0 and s.moving[base + _ONCE] == 0
    if still and not fired and choice(sync[0], 2) == 0 and choice(once[0], 2) == 0:
        _run_steadily(m, s, number, n, counts)
        return
    state = s.modulator[number]
    cycle, phase = state.cycle, state.phase
    for i in range(n):
        single = choice(once[i], 2) != 0
        if (fired and m.fires[i] != 0) or (single and state.started == 0):
            state.started = np.int64(fired and m.fires[i] != 0)
            state.origin_whole = m.beat_whole[i]
            state.origin_part = m.beat_part[i]
            cycle, phase = np.int64(0), np.uint64(0)
        elif single and state.started == _ENDED:
            pass
        elif choice(sync[i], 2) != 0:
            if rate[i] == state.rate:
                state.rest += 1
            else:
                state.rest = np.int64(0)
            if state.rest >= REST:
                whole, part = between(m.beat_whole[i], m.beat_part[i], state.origin_whole, state.origin_part)
                cycle, phase = multiplied(rate[i], whole, part)
            else:
                cycle, phase = moved_on(cycle, phase, _within_reach(state.rate * m.beat_step[i]))
        state.rate = finite(rate[i])
        place = phase_to_turns(phase)
        from_start = place + start[i]
        number_of = _spread(cycle, from_start)
        turns = wrap_turn(from_start)
        if single and (cycle >= np.int64(1) or cycle < np.int64(-1)):
            # Behind its one cycle it holds the end of it, which is not the beginning of the next.
            turns = wrap_turn(start[i])
            state.started = np.int64(_ENDED)
            ends = cycle >= np.int64(1)
            turns = 1.0 if ends and turns == 0.0 else turns
            number_of = 0.0 if ends else -1.0
        m.scratch_turns[i] = turns
        m.scratch_cycles[i] = number_of
        if choice(sync[i], 2) == 0 and not (single and state.started == _ENDED):
            cycle, phase = moved_on(cycle, phase, _within_reach(rate[i] / m.rate))
    state.cycle = cycle
    state.phase = phase


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
    value = square if shape == 3 else value
    return -saw if shape == 4 else value


@compiled
def run_lfo(m, p, s, number, n):
    """Fill a modulator's row for n samples from its place in the cycle, shape and width."""
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    shape = s.rows[base + _SHAPE]
    width = s.rows[base + _WIDTH]
    out = s.modulator_rows[number]
    turns = m.scratch_turns
    end = np.uint64(n)
    if s.moving[base + _SHAPE] == 0 and choice(shape[0], _SHAPES) == 0:
        for i in range(end):
            out[i], _ = sincos_turn(turns[i])
        return
    for i in range(end):
        out[i] = finite(lfo_value(choice(shape[i], _SHAPES), turns[i], width[i]))
