"""Gains and pitches of a layer's voices at every sample of a chunk, and the sample on which each ends."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.layout import VOICE_SLOTS
from instrument.engine.memory.records import ATTACK, DECAY, IDLE, RELEASE, SUSTAIN
from instrument.engine.notes.layer_voices import MODE, MODES, OFF, advance, moves
from instrument.engine.numeric.safe_math import choice, finite
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_BY_VELOCITY = offset_in(LAYER, "notes.size_by_velocity")
_BY_PRESSURE = offset_in(LAYER, "notes.size_by_pressure")
_ATTACK = offset_in(LAYER, "notes.attack")
_DECAY = offset_in(LAYER, "notes.decay")
_SUSTAIN = offset_in(LAYER, "notes.sustain")
_RELEASE = offset_in(LAYER, "notes.release")

_FADE_SECONDS = 0.004
"""In which a stolen voice is gone: short beside a note, long beside a click (common practice, no source)."""


@inlined
def _step(seconds, rate):
    # Part of a stage that passes in a sample; all of it where it has no length.
    samples = seconds * rate
    return 1.0 / samples if samples > 1.0 else 1.0


@compiled
def _run_level(m, s, layer, voice, gain, pressure, pressed, n):
    # Fills how large the voice is, and notes where it ends. Parts run from 0 to 1 and levels between finite ends.
    base = layer * LAYER_SIZE
    rows = s.rows
    stage, level, start, part = voice.stage, voice.level, voice.start, voice.part
    velocity = voice.velocity
    end = n
    moving = (s.moving[base + _SUSTAIN] | s.moving[base + _BY_VELOCITY] | s.moving[base + _BY_PRESSURE]) != 0
    if stage == SUSTAIN and not moving and not pressed:
        by_velocity, by_pressure = rows[base + _BY_VELOCITY, 0], rows[base + _BY_PRESSURE, 0]
        level = finite(rows[base + _SUSTAIN, 0])
        size = (1.0 - by_velocity + by_velocity * velocity) * (1.0 - by_pressure + by_pressure * pressure[0])
        for i in range(n):
            gain[i] = finite(level * size)
        voice.level, voice.end = level, end
        return
    for i in range(n):
        sustain = finite(rows[base + _SUSTAIN, i])
        if stage == ATTACK:
            part += _step(rows[base + _ATTACK, i], m.rate)
            level = start + (1.0 - start) * part
            if part >= 1.0:
                stage, part, level = DECAY, 0.0, 1.0
        elif stage == DECAY:
            part += _step(rows[base + _DECAY, i], m.rate)
            level = 1.0 + (sustain - 1.0) * part
            if part >= 1.0:
                stage, part, level = SUSTAIN, 0.0, sustain
        elif stage == SUSTAIN:
            level = sustain
        else:
            part += _step(rows[base + _RELEASE, i] if stage == RELEASE else _FADE_SECONDS, m.rate)
            level = start * (1.0 - part)
            if part >= 1.0:
                stage, level = IDLE, 0.0
                end = i
                break
        by_velocity = rows[base + _BY_VELOCITY, i]
        by_pressure = rows[base + _BY_PRESSURE, i]
        size = (1.0 - by_velocity + by_velocity * velocity) * (1.0 - by_pressure + by_pressure * pressure[i])
        gain[i] = finite(level * size)
    voice.stage, voice.level, voice.start, voice.part = stage, level, start, part
    voice.end = end


@compiled
def _silence(s, layer):
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        voice.stage = IDLE
        voice.level = 0.0
    s.alive[layer] = 0


@compiled
def _until_off(s, layer, n):
    # Samples of the chunk before the layer's notes are switched off.
    index = layer * LAYER_SIZE + MODE
    if s.moving[index] == 0:
        return n if choice(s.rows[index, 0], MODES) != OFF else np.int64(0)
    for i in range(n):
        if choice(s.rows[index, i], MODES) == OFF:
            return np.int64(i)
    return n


@compiled
def run_voices(m, s, layer, n):
    """Fill gains and pitches of a layer's voices for n samples, whether or not the layer holds the beam.

    In: the layer's rows of `notes`, stages and glides of its voices.
    Out: voice_gain, voice_pitch, and for each voice the sample on which it ends; stages moved on.
    Never: leave a voice sounding behind a sample on which the layer's notes are switched off.
    """
    s.sounding[layer] = 0
    if s.alive[layer] == 0:
        return
    until = _until_off(s, layer, n)
    alive = 0
    pressure = m.scratch_sum_x
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        voice.end = 0
        if voice.stage == IDLE or until == 0:
            continue
        s.sounding[layer] += 1
        voice.moving = 1 if moves(voice.pitch) or moves(voice.bend) else 0
        pitch = m.voice_pitch[layer, slot]
        for i in range(until):
            pitch[i] = 0.0
            pressure[i] = 0.0
        advance(voice.pitch, pitch, until)
        advance(voice.bend, pitch, until)
        pressed = moves(voice.pressure)
        advance(voice.pressure, pressure, until)
        _run_level(m, s, layer, voice, m.voice_gain[layer, slot], pressure, pressed, until)
        alive += 1 if voice.stage != IDLE else 0
    s.alive[layer] = alive
    if until < n:
        _silence(s, layer)
