"""The notes that are held, by a key or by a pedal, oldest first."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.states import KEY_DOWN
from instrument.engine.notes.midi_channel import bend_of, timbre_of


@compiled
def find_voice(m, channel, key):
    """Return the place of a held note, or -1."""
    for k in range(m.n_voices):
        if m.voices[k].channel == channel and m.voices[k].key == key:
            return k
    return -1


@compiled
def _copy_voice(to, voice):
    to.key = voice.key
    to.channel = voice.channel
    to.held = voice.held
    to.velocity = voice.velocity
    to.bend = voice.bend
    to.pressure = voice.pressure
    to.timbre = voice.timbre
    to.began = voice.began


@compiled
def remove_voice(m, at):
    """Take one held note out; the others keep their order."""
    for k in range(at, m.n_voices - 1):
        _copy_voice(m.voices[k], m.voices[k + 1])
    m.n_voices -= 1


@compiled
def add_voice(m, channel, key, velocity):
    """Hold a note; there must be room."""
    voice = m.voices[m.n_voices]
    voice.key = key
    voice.channel = channel
    voice.held = KEY_DOWN
    voice.velocity = velocity
    voice.bend = bend_of(m, channel)
    voice.pressure = m.pressure[channel] / 127.0
    voice.timbre = timbre_of(m, channel)
    voice.began = m.time
    m.n_voices += 1


@compiled
def refresh_voices(m, channel):
    """Give the held notes what their channel now says; channel -1 means all."""
    for k in range(m.n_voices):
        voice = m.voices[k]
        own = np.int64(voice.channel)
        if channel < 0 or own == channel:
            voice.bend = bend_of(m, own)
            voice.timbre = timbre_of(m, own)


@compiled
def press_voices(m, channel, key, pressure):
    """Give held notes a pressure from 0 to 1; key -1 means every key of the channel."""
    for k in range(m.n_voices):
        voice = m.voices[k]
        if voice.channel == channel and (key < 0 or voice.key == key):
            voice.pressure = pressure
