"""Modulators that follow what is there: the level of the live input or of a layer, and the notes."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.notes.midi_numbers import BEND_CENTRE, TIMBRE
from instrument.engine.numeric.safe_math import choice, clamp, exp2
from instrument.engine.parameters import LAYERS, MODULATOR, MODULATOR_BASE, MODULATOR_SIZE, offset_in

_OF = offset_in(MODULATOR, "of")
_ATTACK = offset_in(MODULATOR, "attack")
_RELEASE = offset_in(MODULATOR, "release")
_VALUE = offset_in(MODULATOR, "value")
_GLIDE = offset_in(MODULATOR, "glide")
_WHOSE = offset_in(MODULATOR, "whose")

_LOG2_E = 1.4426950408889634

_SILENCE = 1e-30
"""Levels below this are 0, before they become subnormal."""

_BEND_CENTRE = float(BEND_CENTRE)

_KEY, _VELOCITY, _RELEASED, _BEND, _PRESSURE = range(5)
_VALUES = 6


@inlined
def _share(seconds, rate):
    # What of a step is left behind in one sample: 1 - e**(-1 / (seconds * rate)), all of it for no time.
    samples = seconds * rate
    return 1.0 - exp2(-_LOG2_E / samples) if samples > 0.0 else 1.0


@inlined
def _louder(a, b):
    level = max(abs(a), abs(b))
    return level if level < 1.0 else 1.0


@compiled
def run_follower(m, p, s, number, n):
    """Fill a modulator's row for n samples with a level, 0 to 1, that rises and falls with its two time constants.

    Layers are read FEEDBACK_DELAY_SAMPLES samples late; of two channels the louder one counts.
    """
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    of = s.rows[base + _OF]
    attack = s.rows[base + _ATTACK]
    release = s.rows[base + _RELEASE]
    out = s.modulator_rows[number]
    rise, fall = _share(attack[0], m.rate), _share(release[0], m.rate)
    moving = (s.moving[base + _ATTACK] | s.moving[base + _RELEASE]) != 0
    level = s.modulator[number].level
    for i in range(n):
        which = choice(of[i], 3 + LAYERS)
        left, right = m.input_rows[0, i], m.input_rows[1, i]
        if which >= 3:
            left, right = s.delayed_rows[which - 3, 0, i], s.delayed_rows[which - 3, 1, i]
        elif which == 1:
            right = left
        elif which == 2:
            left = right
        now = _louder(left, right)
        if moving:
            rise, fall = _share(attack[i], m.rate), _share(release[i], m.rate)
        level += (now - level) * (rise if now > level else fall)
        level = level if level > _SILENCE else 0.0
        out[i] = level
    s.modulator[number].level = level


@compiled
def _note_value(m, s, which, whose):
    # Of the newest note of all, or of the newest that a layer plays (counted from 1).
    layer = max(whose - 1, 0)
    channel = m.note_channel if whose == 0 else s.newest_channel[layer]
    if which == _KEY:
        return m.note_octave if whose == 0 else s.newest_octave[layer]
    if which == _VELOCITY:
        return m.note_velocity if whose == 0 else s.newest_velocity[layer]
    if which == _RELEASED:
        return m.note_release
    if which == _BEND:
        # MIDI 1.0 Detailed Specification, Pitch Bend Change: 2000H is the centre, 3FFFH the top.
        raw = m.bend[channel] - _BEND_CENTRE
        return raw / (_BEND_CENTRE if raw < 0.0 else _BEND_CENTRE - 1.0)
    if which == _PRESSURE:
        return m.pressure[channel] / 127.0
    return m.cc[channel, TIMBRE] / 127.0


@compiled
def run_note(m, p, s, number, n):
    """Fill a modulator's row for n samples with a value of the newest note, gliding there in a straight line."""
    base = MODULATOR_BASE + number * MODULATOR_SIZE
    value = s.rows[base + _VALUE]
    glide = s.rows[base + _GLIDE]
    whose = s.rows[base + _WHOSE]
    out = s.modulator_rows[number]
    state = s.modulator[number]
    which = owner = np.int64(-1)
    now = 0.0
    for i in range(n):
        if choice(value[i], _VALUES) != which or choice(whose[i], 1 + LAYERS) != owner:
            which = choice(value[i], _VALUES)
            owner = choice(whose[i], 1 + LAYERS)
            now = _note_value(m, s, which, owner)
        if state.started == 0:
            state.level = state.target = now
            state.started = 1
        if now != state.target:
            state.start, state.target = state.level, now
            state.elapsed = 0
        samples = glide[i] * m.rate
        state.elapsed += 1
        weight = clamp(state.elapsed / samples, 0.0, 1.0) if samples > 0.0 else 1.0
        if weight >= 1.0:
            state.start = state.level = now
        else:
            state.level = (1.0 - weight) * state.start + weight * now
        out[i] = state.level
