"""The pen: pitch, and how a drawing is run through."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.layout import KEYS
from instrument.engine.numeric.safe_math import choice, clamp, exp2, phase_to_turns, turns_to_phase
from instrument.engine.parameters import LAYER, LAYER_SIZE, PATCH, PATCH_BASE, offset_in

A4_KEY = 69.0
"""Key number of A4, 440 Hz. MIDI 1.0 Detailed Specification, key numbers; pitch by ISO 16:1975."""

A4_HERTZ = 440.0
"""Reference at which a pen's frequency is as it is written. ISO 16:1975."""

_LAST = KEYS - 1
_FREQUENCY = offset_in(LAYER, "pen.frequency")
_BEND = offset_in(LAYER, "pen.bend")
_START = offset_in(LAYER, "pen.start")
_LENGTH = offset_in(LAYER, "pen.length")
_DIRECTION = offset_in(LAYER, "pen.direction")
_REFERENCE = PATCH_BASE + offset_in(PATCH, "tuning.reference")
_FARTHEST = 1e15
"""Positions beyond this have no fraction left worth drawing; the pen rests at the start instead."""


@inlined
def key_to_ratio(key):
    """Return the frequency ratio of a key number to A4 in twelve-tone equal temperament."""
    return exp2((key - A4_KEY) / 12.0)


@compiled
def tuned(p, key):
    """Return the pitch of a key number, in semitones; between two keys on the straight line from one to the other.

    Beyond the keys that there are, what the last one is away from equal temperament goes on.
    """
    if p.tuned == 0:
        return key
    place = clamp(key, 0.0, np.float64(_LAST))
    k = min(np.int64(place), np.int64(_LAST - 1))
    f = place - k
    # A key of no pitch must not reach its neighbours, as 0 times infinity would.
    away = p.tuning[k]
    if f == 1.0:
        away = p.tuning[k + 1]
    elif f > 0.0:
        away = away + f * (p.tuning[k + 1] - away)
    return key + away


@inlined
def place_on_drawing(turns, start, length, direction):
    """Return the position along the drawing, in turns, for a place in the pen's cycle (0 to 1)."""
    swing = 1.0 - abs(2.0 * turns - 1.0)
    along = turns if direction == 0 else 1.0 - turns
    along = swing if direction == 2 else along
    position = start + length * along
    return position if abs(position) < _FARTHEST else 0.0


@inlined
def _began_anew(phase, step):
    # Whether the step that led to this phase passed the end of the round, and which way.
    if np.int64(step) >= 0:
        return 1.0 if phase < step else 0.0
    return -1.0 if phase >= step else 0.0


@inlined
def _way_sign(way):
    # The way the position jumps at the end of a round; there and back it does not jump.
    return 1.0 if way == 0 else (-1.0 if way == 1 else 0.0)


@compiled
def _count_steadily(m, s, layer, phase, step, first, last):
    rounds = m.scratch_rounds
    count = s.rounds[layer] + np.int64(s.pen_wrapped[layer])
    rounds[first] = count * 1.0
    for i in range(first + 1, last):
        phase += step
        count += np.int64(_began_anew(phase, step))
        rounds[i] = count * 1.0
    s.rounds[layer] = count


@compiled
def _run_steadily(m, s, layer, phase, step, first, last):
    # One speed throughout: every phase follows from the first, so the loop vectorises.
    base = layer * LAYER_SIZE
    start = s.rows[base + _START]
    length = s.rows[base + _LENGTH]
    way = choice(s.rows[base + _DIRECTION, 0], 3)
    sign = _way_sign(way)
    position = m.scratch_position
    wraps = m.scratch_wraps
    one = np.uint64(1)
    a = np.uint64(first)
    b = np.uint64(last)
    here = phase
    for i in range(a, b):
        position[i] = place_on_drawing(phase_to_turns(here), start[i], length[i], way)
        here += step
    wraps[a] = s.pen_wrapped[layer] * sign
    here = phase
    for i in range(a + one, b):
        here += step
        wraps[i] = _began_anew(here, step) * sign
    here += step
    s.pen[layer] = here
    s.pen_wrapped[layer] = _began_anew(here, step)
    return last


@inlined
def _pace(step, length, way):
    # The share of the drawing that the pen passes in a sample; there and back is twice as fast.
    share = abs(np.int64(step) * 2.0**-64 * length)
    return 2.0 * share if way == 2 else share


@compiled
def _step_at(p, frequency, key, in_tune, bend, scale, rate):
    # What the pen gains in a sample.
    pitch = key if in_tune else tuned(p, key)
    hertz = frequency * key_to_ratio(pitch + bend) * scale
    return turns_to_phase(hertz / rate)


@compiled
def run_pen(m, p, s, layer, first, last, one_round, counts, key, key_moves, in_tune):
    """Fill position, wraps and (if it counts) rounds for samples first to last, and return where it stopped.

    `key` is a row of key numbers, `in_tune` where they are pitches already, `key_moves` where they are not all the same.
    With `one_round` it stops behind the sample that ends a round (or that cannot move at all), so
    that another layer can take the beam, and says so in `round_over`. `wraps` holds how often the position has just begun anew,
    counted in the direction in which it runs.

    In: rows of frequency, bend, start, length and direction; the phase after the latest sample.
    Out: scratch_position, scratch_wraps, scratch_rounds, and scratch_pace where jumps are eased; the phase moved on.
    Never: a step of half a turn or more, which a phase cannot tell from one backward.
    """
    base = layer * LAYER_SIZE
    frequency = s.rows[base + _FREQUENCY]
    bend = s.rows[base + _BEND]
    start = s.rows[base + _START]
    length = s.rows[base + _LENGTH]
    direction = s.rows[base + _DIRECTION]
    position = m.scratch_position
    wraps = m.scratch_wraps
    reference = s.rows[_REFERENCE]
    moving = key_moves | s.moving[base + _FREQUENCY] | s.moving[base + _BEND] | s.moving[_REFERENCE]
    paces = p.layers[layer].jump_rows > 0
    phase = s.pen[layer]
    scale = reference[first] / A4_HERTZ
    step = _step_at(p, frequency[first], key[first], in_tune, bend[first], scale, m.rate)
    if moving == 0 and s.moving[base + _DIRECTION] == 0 and not one_round:
        if paces:
            way = choice(direction[first], 3)
            for i in range(first, last):
                m.scratch_pace[i] = _pace(step, length[i], way)
        if counts:
            _count_steadily(m, s, layer, phase, step, first, last)
        return _run_steadily(m, s, layer, phase, step, first, last)
    wrapped = s.pen_wrapped[layer]
    m.round_over = 0
    count = s.rounds[layer]
    i = first
    while i < last:
        if moving != 0:
            if s.moving[_REFERENCE] != 0:
                scale = reference[i] / A4_HERTZ
            step = _step_at(p, frequency[i], key[i], in_tune, bend[i], scale, m.rate)
        way = choice(direction[i], 3)
        position[i] = place_on_drawing(phase_to_turns(phase), start[i], length[i], way)
        wraps[i] = wrapped * _way_sign(way)
        if paces:
            m.scratch_pace[i] = _pace(step, length[i], way)
        count += np.int64(wrapped)
        m.scratch_rounds[i] = count * 1.0
        phase += step
        wrapped = _began_anew(phase, step)
        i += 1
        if one_round and (wrapped != 0.0 or step == np.uint64(0)):
            m.round_over = 1
            break
    s.pen[layer] = phase
    s.pen_wrapped[layer] = wrapped
    s.rounds[layer] = count
    return i
