"""From raw MIDI bytes to held notes, channels and controls, in compiled code."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.compiling.units import (
    CONTROLS_UNIT,
    NOTE_BEGINS,
    NOTE_ENDS,
    NOTES,
    NOTES_BEND,
    NOTES_SILENT,
)
from instrument.engine.controls.control import CC, CC14, GATE, LET_GO, NOTE
from instrument.engine.memory.layout import HELD_NOTES, MESSAGES
from instrument.engine.memory.machine import address_of
from instrument.engine.memory.records import KEY_DOWN, LATCHED, PEDAL_DOWN
from instrument.engine.modulators.midi_clock import hear_clock
from instrument.engine.notes.midi_numbers import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    MONO_ON,
    RESET_CONTROLLERS,
    SOSTENUTO,
    SUSTAIN,
)
from instrument.engine.notes.midi_state import (
    bend_to_unit,
    enter_data,
    find_held_note,
    hold_note,
    master_of,
    press_held_notes,
    refresh_held_notes,
    remove_held_note,
    reset_controllers,
    select_parameter,
)

RPN = MESSAGES.index("rpn")
NRPN = MESSAGES.index("nrpn")
VELOCITY = MESSAGES.index("velocity")
RELEASE = MESSAGES.index("release")
PAD = MESSAGES.index("pad")
KEY_PRESSURE = MESSAGES.index("key_pressure")
BEND = MESSAGES.index("bend")
PRESSURE = MESSAGES.index("pressure")
PROGRAM_CHANGE = MESSAGES.index("program")

_TOP = 127.0
_TOP14 = 16383.0
_A4_KEY = 69.0

_SILENT_RELEASE = 64.0
"""Release velocity of a note-on of velocity 0. MIDI 1.0 Detailed Specification, Note-Off."""

_drive_controls = CONTROLS_UNIT.call
_tell_layers = NOTES.call


@compiled
def _drive(m, s, message, channel, number, raw, top):
    _drive_controls(
        address_of(m),
        np.int64(s.number),
        np.int64(message),
        np.int64(channel),
        np.int64(number),
        raw,
        top,
    )


@compiled
def _remember_newest(m):
    # What note modulators and formulas read; behind the last note it stays what it was.
    if m.n_held_notes > 0:
        note = m.held_notes[m.n_held_notes - 1]
        m.note_key = note.key * 1.0
        m.note_octave = (note.key - _A4_KEY) / 12.0
        m.note_velocity = note.velocity / _TOP
        m.note_channel = note.channel


@compiled
def _tell_all(m, what, channel, key):
    # What is fading out after a change of program lets go as well.
    for number in range(2):
        if m.instances[number].slot >= 0:
            _tell_layers(address_of(m), np.int64(number), np.int64(what), channel, key)


@compiled
def _let_go(m, s, at):
    channel = np.int64(m.held_notes[at].channel)
    key = np.int64(m.held_notes[at].key)
    remove_held_note(m, at)
    _remember_newest(m)
    _tell_all(m, NOTE_ENDS, channel, key)
    _drive(m, s, LET_GO, channel, key, 0.0, _TOP)


@compiled
def _drop(m, s, at):
    # A held note is taken from under its key: what the key moved by itself comes back too.
    note = m.held_notes[at]
    _drive(m, s, PAD, np.int64(note.channel), np.int64(note.key), 0.0, _TOP)
    _let_go(m, s, at)


@compiled
def _note_off(m, s, channel, key, velocity):
    m.note_release = velocity / _TOP
    _drive(m, s, PAD, channel, key, 0.0, _TOP)
    at = find_held_note(m, channel, key)
    if at < 0:
        return
    _drive(m, s, RELEASE, channel, key, velocity, _TOP)
    note = m.held_notes[at]
    note.held &= ~KEY_DOWN
    if m.channels[channel].sustain != 0:
        note.held |= PEDAL_DOWN
    if note.held == 0:
        _let_go(m, s, at)


@compiled
def _note_on(m, s, channel, key, velocity):
    at = find_held_note(m, channel, key)
    if at >= 0:
        remove_held_note(m, at)
        _tell_all(m, NOTE_ENDS, channel, key)
    if m.n_held_notes == HELD_NOTES:
        _drop(m, s, 0)
    hold_note(m, channel, key, velocity)
    _remember_newest(m)
    s.notes += 1
    _tell_layers(address_of(m), np.int64(s.number), np.int64(NOTE_BEGINS), np.int64(0), np.int64(0))
    _drive(m, s, NOTE, channel, key, key * 1.0, _TOP)
    _drive(m, s, VELOCITY, channel, key, velocity, _TOP)
    _drive(m, s, PAD, channel, key, velocity, _TOP)
    _drive(m, s, GATE, channel, key, 1.0, 1.0)


@compiled
def _first_of(m, channel):
    for k in range(m.n_held_notes):
        if channel < 0 or m.held_notes[k].channel == channel:
            return k
    return -1


@compiled
def release_all(m, s, channel):
    """Let go of every held note of a channel (-1: of all), oldest first, and close what they held open."""
    for c in range(16):
        if channel < 0 or c == channel:
            m.channels[c].sustain = 0
            m.channels[c].sostenuto = 0
    at = _first_of(m, channel)
    while at >= 0:
        _drop(m, s, at)
        at = _first_of(m, channel)
    _tell_all(m, NOTES_SILENT, channel, np.int64(0))


@compiled
def _lift_keys(m, s, channel):
    # All Notes Off: as if every key came up, oldest first, so that what a pedal holds goes on until it comes up.
    k = 0
    while k < m.n_held_notes:
        note = m.held_notes[k]
        if note.channel == channel and (note.held & KEY_DOWN) != 0:
            _note_off(m, s, channel, np.int64(note.key), 0.0)
            k = 0
        else:
            k += 1


@compiled
def _lift_pedal(m, s, channel, pedal):
    at = 0
    while at < m.n_held_notes:
        note = m.held_notes[at]
        if note.channel == channel:
            note.held &= ~pedal
            if note.held == 0:
                _let_go(m, s, at)
                continue
        at += 1


@compiled
def _sustain(m, s, channel, down):
    m.channels[channel].sustain = 1 if down else 0
    if not down:
        _lift_pedal(m, s, channel, PEDAL_DOWN)


@compiled
def _sostenuto(m, s, channel, down):
    # The middle pedal holds the notes whose keys are down at that moment, and no later ones.
    before = m.channels[channel].sostenuto
    m.channels[channel].sostenuto = 1 if down else 0
    if down and before == 0:
        for k in range(m.n_held_notes):
            if m.held_notes[k].channel == channel and (m.held_notes[k].held & KEY_DOWN) != 0:
                m.held_notes[k].held |= LATCHED
    elif not down:
        _lift_pedal(m, s, channel, LATCHED)


@compiled
def _bend_layers(m, s, channel):
    # Bend or pressure of a channel have changed; -1 means of any.
    _tell_layers(address_of(m), np.int64(s.number), np.int64(NOTES_BEND), channel, np.int64(0))


@compiled
def _reset(m, s, channel):
    reset_controllers(m, channel)
    _sustain(m, s, channel, False)
    _sostenuto(m, s, channel, False)
    refresh_held_notes(m, np.int64(-1))
    press_held_notes(m, channel, np.int64(-1), 0.0)
    _bend_layers(m, s, np.int64(-1))
    _drive(m, s, CC, channel, np.int64(1), 0.0, _TOP)
    _drive(m, s, CC, channel, np.int64(11), _TOP, _TOP)
    for pedal in range(64, 68):
        _drive(m, s, CC, channel, np.int64(pedal), 0.0, _TOP)
    _drive(m, s, PRESSURE, channel, np.int64(-1), 0.0, _TOP)
    _drive(m, s, BEND, channel, np.int64(-1), 0.5, 1.0)


@compiled
def _mode(m, s, channel, number, value):
    # Channel mode messages; from 123 on each of them also lifts all keys (MIDI 1.0, Channel Mode Messages).
    if number == ALL_SOUND_OFF:
        release_all(m, s, channel)
    elif number == RESET_CONTROLLERS:
        _reset(m, s, channel)
    elif number >= ALL_NOTES_OFF:
        _lift_keys(m, s, channel)
        if number >= MONO_ON:
            m.channels[channel].mono = 1 if number == MONO_ON else 0


@compiled
def _enter(m, s, channel, number, value):
    if not enter_data(m, channel, number, value):
        return
    c = m.channels[channel]
    refresh_held_notes(m, np.int64(-1))
    _bend_layers(m, s, np.int64(-1))
    message = RPN if c.registered != 0 else NRPN
    _drive(m, s, message, channel, np.int64(c.selected), c.entry * 1.0, _TOP14)


@compiled
def _controller(m, s, channel, number, value):
    m.cc[channel, number] = value
    if number >= ALL_SOUND_OFF:
        _mode(m, s, channel, number, value)
        return
    if number == SUSTAIN:
        _sustain(m, s, channel, value >= 64)
    elif number == SOSTENUTO:
        _sostenuto(m, s, channel, value >= 64)
    elif 98 <= number <= 101:
        select_parameter(m, channel, number, value)
    elif number == 6 or number == 38 or number == 96 or number == 97:
        _enter(m, s, channel, number, value)
    elif number == 74:
        refresh_held_notes(m, channel)
    elif number == 0 or number == 32:
        m.channels[channel].bank = 128 * m.cc[channel, 0] + m.cc[channel, 32]
    _drive(m, s, CC, channel, number, value * 1.0, _TOP)
    if number < 32:
        m.cc[channel, number + 32] = 0  # a new high byte sets the low one to 0 (MIDI 1.0, Control Change)
        _drive(m, s, CC14, channel, number, 128.0 * value, _TOP14)
    elif number < 64:
        high = m.cc[channel, number - 32]
        _drive(m, s, CC14, channel, number - 32, 128.0 * high + value, _TOP14)


@compiled
def _bend(m, s, channel, raw):
    m.bend[channel] = raw
    bent = np.int64(-1) if master_of(m, channel) < 0 else channel
    refresh_held_notes(m, bent)
    _bend_layers(m, s, bent)
    _drive(m, s, BEND, channel, np.int64(-1), bend_to_unit(raw * 1.0), 1.0)


@compiled
def apply_midi(m, s, status, first, second):
    """Apply one message of three raw bytes (MIDI 1.0 Detailed Specification, tables I, III and IV).

    In: any three bytes; data bytes are taken modulo 128. Out: channels, held notes, voices, and what controls move.
    Never: more than HELD_NOTES notes; the oldest is let go for a new one.
    """
    channel = np.int64(status & 0x0F)
    kind = status & 0xF0
    first = first & 0x7F
    second = second & 0x7F
    if kind == 0x90 and second > 0:
        _note_on(m, s, channel, first, second * 1.0)
    elif kind == 0x80 or kind == 0x90:
        _note_off(m, s, channel, first, second * 1.0 if kind == 0x80 else _SILENT_RELEASE)
    elif kind == 0xA0:
        press_held_notes(m, channel, first, second / 127.0)
        _bend_layers(m, s, channel)
        _drive(m, s, KEY_PRESSURE, channel, first, second * 1.0, _TOP)
    elif kind == 0xB0:
        _controller(m, s, channel, first, second)
    elif kind == 0xC0:
        c = m.channels[channel]
        c.program = first
        _drive(m, s, PROGRAM_CHANGE, channel, np.int64(-1), first + 128.0 * c.bank, _TOP)
    elif kind == 0xD0:
        m.pressure[channel] = first
        press_held_notes(m, channel, np.int64(-1), first / 127.0)
        _bend_layers(m, s, channel)
        _drive(m, s, PRESSURE, channel, np.int64(-1), first * 1.0, _TOP)
    elif kind == 0xE0:
        _bend(m, s, channel, first + 128 * second)
    elif kind == 0xF0:
        hear_clock(m, s, status, first, second)
