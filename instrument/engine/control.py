"""From raw MIDI bytes to parameters, in compiled code: the patch's table of controls."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiled import compiled, inlined
from instrument.engine.layout import CURVES, MESSAGES, VOICES
from instrument.engine.ramp import set_parameter
from instrument.engine.tempo import hear_clock

CC = MESSAGES.index("cc")
NOTE = MESSAGES.index("note")
VELOCITY = MESSAGES.index("velocity")
GATE = MESSAGES.index("gate")
PAD = MESSAGES.index("pad")
BEND = MESSAGES.index("bend")
PRESSURE = MESSAGES.index("pressure")
_EXP = CURVES.index("exp")
_LOG = CURVES.index("log")
_POINTS = CURVES.index("points")

BEND_CENTRE = 8192.0
"""MIDI 1.0 Detailed Specification, Pitch Bend Change: 2000H is the centre, 3FFFH the top."""

_A4_KEY = 69.0

_SILENT_RELEASE = 64.0
"""Release velocity of a note-on of velocity 0. MIDI 1.0 Detailed Specification, Note-Off."""

_LOG_STEEPNESS = 9.0
"""log10(1 + 9 t) runs from 0 to 1 as t does: fast at first, then slow."""


@inlined
def bend_to_unit(raw):
    """Return a 14-bit bend, 0 to 16383, as 0 to 1 with 8192 exactly in the middle."""
    span = BEND_CENTRE if raw < BEND_CENTRE else BEND_CENTRE - 1.0
    return 0.5 + 0.5 * ((raw - BEND_CENTRE) / span)


@compiled
def _through_points(p, first, count, t):
    # Straight lines between the patch's own points, whose first column grows from 0 to 1.
    k = first
    while k < first + count - 2 and t > p.curve_points[k + 1, 0]:
        k += 1
    x0 = p.curve_points[k, 0]
    x1 = p.curve_points[k + 1, 0]
    y0 = p.curve_points[k, 1]
    y1 = p.curve_points[k + 1, 1]
    if x1 <= x0:
        return y1
    return y0 + (t - x0) / (x1 - x0) * (y1 - y0)


@compiled
def sweep(p, control, raw, top):
    """Return the parameter value for a raw value between 0 and `top`, by the control's range and curve.

    `exp` takes equal ratios per step (as pitch does), `log` is fast at first and slow at the end.
    Linear sweeps multiply before they divide, so that a key number maps to itself exactly.
    """
    t = raw / top
    if control.curve == _EXP:
        return control.lo * (control.hi / control.lo) ** t
    if control.curve == _LOG:
        t = np.log10(1.0 + _LOG_STEEPNESS * t)
        return control.lo + (control.hi - control.lo) * t
    if control.curve == _POINTS:
        t = _through_points(p, control.first_point, control.points, t)
        return control.lo + (control.hi - control.lo) * t
    return control.lo + (control.hi - control.lo) * raw / top


@inlined
def _listens(control, channel, number):
    # Whether a control takes messages of this channel and this controller or key.
    right_channel = control.channel < 0 or control.channel == channel
    return right_channel and (control.number < 0 or control.number == number)


@compiled
def _move(m, p, s, control, raw, top):
    samples = np.int64(p.ramp_seconds * m.rate + 0.5)
    if p.jumps[control.param] != 0:
        samples = np.int64(0)
    set_parameter(s, np.int64(control.param), sweep(p, control, raw, top), samples)


@compiled
def _drive(m, p, s, message, channel, number, raw, top):
    # Every control that listens to this message moves its parameter.
    for k in range(p.n_controls):
        control = p.controls[k]
        if control.message == message and _listens(control, channel, number):
            _move(m, p, s, control, raw, top)


@compiled
def _remove_voice(m, channel, key):
    # Without a key, all voices of the channel; channel -1 is every channel.
    kept = 0
    for k in range(m.n_voices):
        voice = m.voices[k]
        gone = (channel < 0 or voice.channel == channel) and (key < 0 or voice.key == key)
        if not gone:
            if kept != k:
                held = m.voices[kept]
                held.key = voice.key
                held.channel = voice.channel
                held.velocity = voice.velocity
                held.release_velocity = voice.release_velocity
                held.bend = voice.bend
                held.pressure = voice.pressure
                held.timbre = voice.timbre
                held.began = voice.began
            kept += 1
    m.n_voices = kept


@compiled
def _add_voice(m, channel, key, velocity):
    voice = m.voices[m.n_voices]
    voice.key = key
    voice.channel = channel
    voice.velocity = velocity
    voice.release_velocity = 0.0
    voice.bend = 0.0
    voice.pressure = 0.0
    voice.timbre = 0.0
    voice.began = m.time
    m.n_voices += 1


@compiled
def _remember_newest(m):
    # What note modulators are; behind the last note they stay what it was.
    if m.n_voices > 0:
        voice = m.voices[m.n_voices - 1]
        m.note_key = voice.key * 1.0
        m.note_octave = (voice.key - _A4_KEY) / 12.0
        m.note_velocity = voice.velocity / 127.0
        m.note_channel = voice.channel


@compiled
def _newest_for(m, control):
    # The newest held note that a control listens to, or -1.
    newest = -1
    for k in range(m.n_voices):
        if _listens(control, m.voices[k].channel, m.voices[k].key):
            newest = k
    return newest


@compiled
def _note_off(m, p, s, channel, key):
    # For each control, the newest note that it still hears takes over; its gate closes behind the last.
    held = m.n_voices
    _remove_voice(m, channel, key)
    _drive(m, p, s, PAD, channel, key, 0.0, 127.0)
    if m.n_voices == held:
        return
    _remember_newest(m)
    for k in range(p.n_controls):
        control = p.controls[k]
        if not _listens(control, channel, key):
            continue
        newest = _newest_for(m, control)
        if control.message == NOTE and newest >= 0:
            _move(m, p, s, control, m.voices[newest].key * 1.0, 127.0)
        elif control.message == GATE and newest < 0:
            _move(m, p, s, control, 0.0, 1.0)


@compiled
def _note_on(m, p, s, channel, key, velocity):
    _remove_voice(m, channel, key)
    if m.n_voices == VOICES:
        _note_off(m, p, s, np.int64(m.voices[0].channel), np.int64(m.voices[0].key))
    _add_voice(m, channel, key, velocity)
    _remember_newest(m)
    s.notes += 1
    _drive(m, p, s, NOTE, channel, key, key * 1.0, 127.0)
    _drive(m, p, s, VELOCITY, channel, key, velocity, 127.0)
    _drive(m, p, s, PAD, channel, key, velocity, 127.0)
    _drive(m, p, s, GATE, channel, key, 1.0, 1.0)


@compiled
def release_all(m, p, s, channel):
    """Let go of every held note of a channel (-1: of all), oldest first, and close what they held open."""
    while m.n_voices > 0:
        found = -1
        for k in range(m.n_voices - 1, -1, -1):
            if channel < 0 or m.voices[k].channel == channel:
                found = k
        if found < 0:
            return
        voice = m.voices[found]
        _note_off(m, p, s, np.int64(voice.channel), np.int64(voice.key))


@compiled
def apply_midi(m, p, s, status, first, second):
    """Apply one message of three raw bytes (MIDI 1.0 Detailed Specification, tables I, III and IV)."""
    channel = np.int64(status & 0x0F)
    kind = status & 0xF0
    first = first & 0x7F
    second = second & 0x7F
    if kind == 0x90 and second > 0:
        _note_on(m, p, s, channel, first, second * 1.0)
    elif kind == 0x80 or kind == 0x90:
        m.note_release = (second if kind == 0x80 else _SILENT_RELEASE) / 127.0
        _note_off(m, p, s, channel, first)
    elif kind == 0xB0:
        m.cc[channel, first] = second
        if first == 120 or first == 123:  # all sound off, all notes off
            release_all(m, p, s, channel)
        else:
            _drive(m, p, s, CC, channel, first, second * 1.0, 127.0)
    elif kind == 0xD0:
        m.pressure[channel] = first
        _drive(m, p, s, PRESSURE, channel, np.int64(-1), first * 1.0, 127.0)
    elif kind == 0xE0:
        raw = first + 128 * second
        m.bend[channel] = raw
        _drive(m, p, s, BEND, channel, np.int64(-1), bend_to_unit(raw * 1.0), 1.0)
    elif kind == 0xF0:
        hear_clock(m, s, status, first, second)
