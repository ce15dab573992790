"""State of MIDI: the settings of each channel, and the notes that are held."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.layout import BEND_RANGE
from instrument.engine.memory.records import KEY_DOWN
from instrument.engine.notes.midi_numbers import (
    BEND_CENTRE,
    NO_PARAMETER,
    RPN_BEND_RANGE,
    RPN_COARSE_TUNING,
    RPN_FINE_TUNING,
    RPN_ZONE,
    TIMBRE,
)

_BEND_CENTRE = float(BEND_CENTRE)

MEMBER_BEND_RANGE = 48.0
"""Semitones of a member channel (MPE specification 1.0, 2.4)."""

LAST_CHANNEL = 15


@inlined
def bend_to_unit(raw):
    """Return a 14-bit bend, 0 to 16383, as 0 to 1 with 8192 exactly in the middle."""
    span = _BEND_CENTRE if raw < _BEND_CENTRE else _BEND_CENTRE - 1.0
    return 0.5 + 0.5 * ((raw - _BEND_CENTRE) / span)


@compiled
def master_of(m, channel):
    """Return the master channel of the zone that a member channel belongs to, or -1 (MPE specification 1.0, 2.1)."""
    if 0 < channel <= m.zones[0]:
        return np.int64(0)
    if LAST_CHANNEL - m.zones[1] <= channel < LAST_CHANNEL:
        return np.int64(LAST_CHANNEL)
    return np.int64(-1)


@compiled
def _own_bend(m, channel):
    c = m.channels[channel]
    return (2.0 * bend_to_unit(m.bend[channel] * 1.0) - 1.0) * c.bend_range + c.fine + c.coarse


@compiled
def bend_of(m, channel):
    """Return the bend of a note on a channel in semitones, its zone's master and its tuning included."""
    semitones = _own_bend(m, channel)
    master = master_of(m, channel)
    if master >= 0:
        semitones += _own_bend(m, master)
    return semitones


@compiled
def timbre_of(m, channel):
    """Return the third dimension of a note on a channel, 0 to 1."""
    return m.cc[channel, TIMBRE] / 127.0


@compiled
def set_zone(m, channel, members):
    """Apply an MPE Configuration Message; the newer zone takes channels away from the other one."""
    lower = channel == 0
    here = 0 if lower else 1
    m.zones[here] = members
    if members > 0 and m.zones[1 - here] > LAST_CHANNEL - 1 - members:
        m.zones[1 - here] = max(LAST_CHANNEL - 1 - members, 0)
    m.channels[channel].bend_range = BEND_RANGE
    for k in range(1, members + 1):
        m.channels[k if lower else LAST_CHANNEL - k].bend_range = MEMBER_BEND_RANGE


@compiled
def select_parameter(m, channel, number, value):
    """Take controller 98 to 101: half of the number of a registered or other parameter."""
    c = m.channels[channel]
    registered = np.int32(1 if number >= 100 else 0)
    before = c.selected if c.selected >= 0 and c.registered == registered else np.int32(NO_PARAMETER)
    high = value if number % 2 == 1 else before >> 7
    low = value if number % 2 == 0 else before & 0x7F
    c.registered = registered
    c.selected = (high << 7) | low
    if c.selected == NO_PARAMETER:
        c.selected = -1
    c.entry = _entry_now(c)


@compiled
def _entry_now(c):
    # Increments go on from what the registered parameter is.
    if c.registered == 0:
        return 0
    if c.selected == RPN_BEND_RANGE:
        whole = np.floor(c.bend_range)
        return (np.int64(whole) << 7) + np.int64((c.bend_range - whole) * 100.0 + 0.5)
    if c.selected == RPN_FINE_TUNING:
        return np.int64(c.fine * _BEND_CENTRE + _BEND_CENTRE)
    if c.selected == RPN_COARSE_TUNING:
        return np.int64(c.coarse + 64.0) << 7
    return 0


@compiled
def enter_data(m, channel, number, value):
    """Take data entry (6, 38), increment (96) or decrement (97); return whether a parameter was meant."""
    c = m.channels[channel]
    if c.selected < 0:
        return False
    if number == 6:
        c.entry = value << 7
    elif number == 38:
        c.entry = (c.entry & 0x3F80) | value
    elif number == 96:
        c.entry = min(c.entry + 1, 0x3FFF)
    else:
        c.entry = max(c.entry - 1, 0)
    if c.registered != 0:
        _set_registered(m, channel, c)
    return True


@compiled
def _set_registered(m, channel, c):
    coarse = c.entry >> 7
    fine = c.entry & 0x7F
    if c.selected == RPN_BEND_RANGE:
        c.bend_range = coarse + fine / 100.0
    elif c.selected == RPN_FINE_TUNING:
        c.fine = (c.entry - _BEND_CENTRE) / _BEND_CENTRE
    elif c.selected == RPN_COARSE_TUNING:
        c.coarse = coarse - 64.0
    elif c.selected == RPN_ZONE and (channel == 0 or channel == LAST_CHANNEL):
        set_zone(m, channel, np.int64(min(coarse, LAST_CHANNEL)))


@compiled
def reset_controllers(m, channel):
    """Put a channel's controllers back as Reset All Controllers asks (MIDI Association RP-015)."""
    m.cc[channel, 1] = 0
    m.cc[channel, 11] = 127
    for pedal in range(64, 68):
        m.cc[channel, pedal] = 0
    m.pressure[channel] = 0
    m.bend[channel] = np.int32(_BEND_CENTRE)
    m.channels[channel].selected = -1
    m.channels[channel].entry = 0


@compiled
def find_held_note(m, channel, key):
    """Return the place of a held note, or -1."""
    for k in range(m.n_held_notes):
        if m.held_notes[k].channel == channel and m.held_notes[k].key == key:
            return k
    return -1


@compiled
def _copy_held_note(to, note):
    to.key = note.key
    to.channel = note.channel
    to.held = note.held
    to.velocity = note.velocity
    to.bend = note.bend
    to.pressure = note.pressure
    to.timbre = note.timbre
    to.began = note.began


@compiled
def remove_held_note(m, at):
    """Take one held note out; the others keep their order."""
    for k in range(at, m.n_held_notes - 1):
        _copy_held_note(m.held_notes[k], m.held_notes[k + 1])
    m.n_held_notes -= 1


@compiled
def hold_note(m, channel, key, velocity):
    """Hold a note; there must be room."""
    note = m.held_notes[m.n_held_notes]
    note.key = key
    note.channel = channel
    note.held = KEY_DOWN
    note.velocity = velocity
    note.bend = bend_of(m, channel)
    note.pressure = m.pressure[channel] / 127.0
    note.timbre = timbre_of(m, channel)
    note.began = m.time
    m.n_held_notes += 1


@compiled
def refresh_held_notes(m, channel):
    """Give the held notes what their channel now says; channel -1 means all."""
    for k in range(m.n_held_notes):
        note = m.held_notes[k]
        own = np.int64(note.channel)
        if channel < 0 or own == channel:
            note.bend = bend_of(m, own)
            note.timbre = timbre_of(m, own)


@compiled
def press_held_notes(m, channel, key, pressure):
    """Give held notes a pressure from 0 to 1; key -1 means every key of the channel."""
    for k in range(m.n_held_notes):
        note = m.held_notes[k]
        if note.channel == channel and (key < 0 or note.key == key):
            note.pressure = pressure
