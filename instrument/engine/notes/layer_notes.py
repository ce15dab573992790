"""News of notes for the layers: one begins or ends, bends, must be silent, or goes on in another program."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, merged
from instrument.engine.compiling.units import NOTE_BEGINS, NOTE_ENDS, NOTES_BEND, NOTES_SILENT, NOTES_START
from instrument.engine.memory.layout import VOICE_SLOTS
from instrument.engine.memory.records import FADE, IDLE
from instrument.engine.notes.layer_voices import (
    MONO,
    OFF,
    POLY,
    aim,
    carry_voices,
    hears,
    is_held,
    mode_of,
    move_to,
    play_mono,
    play_poly,
    release,
    remember_newest,
    reset_voices,
    samples_of,
)
from instrument.engine.notes.midi_state import bend_of, find_held_note, master_of
from instrument.engine.parameters import LAYERS
from instrument.engine.signal.source_table import SOURCE_NONE


@merged
def _silence(s, layer, channel):
    # However long its release is; channel -1 means all.
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        sounds = voice.stage != IDLE and voice.stage != FADE
        if sounds and (channel < 0 or voice.channel == channel):
            move_to(voice, FADE)


@merged
def _follow_channels(m, p, s, layer, spoke):
    """Send bend and pressure of a layer's voices on a channel (-1: on any) where their notes now are.

    A released note goes on bending with its channel, unless that is one of an MPE zone, where the next note may have
    it already.
    """
    ramp = samples_of(m, p.ramp_seconds)
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        channel = np.int64(voice.channel)
        if spoke >= 0 and channel != spoke:
            continue
        held = find_held_note(m, channel, np.int64(voice.key)) if is_held(voice) else -1
        if held >= 0:
            aim(voice.bend, m.held_notes[held].bend, ramp)
            aim(voice.pressure, m.held_notes[held].pressure, ramp)
        elif voice.stage != IDLE and master_of(m, channel) < 0:
            aim(voice.bend, bend_of(m, channel), ramp)


@merged
def _play(m, p, s, layer, mode, first, last, struck):
    # Held notes first to last, or in mono the one of all that sounds.
    if mode == MONO:
        play_mono(m, p, s, layer, struck)
    elif mode == POLY:
        for held in range(first, last):
            if hears(m, s, layer, held):
                play_poly(m, p, s, layer, held)
    remember_newest(s, layer)


@merged
def _start(m, p, s, layer, mode, old):
    # Keys that are down go on sounding: in the same voices, or in new ones of the new drawing.
    reset_voices(m, s, layer)
    goes_on = old >= 0 and mode != OFF and mode_of(m.instances[max(old, 0)], layer) != OFF
    if goes_on:
        carry_voices(m, p, s, m.instances[old], layer, m.bank[m.instances[old].slot])
    return not goes_on


@compiled
def tell_layers(m, p, s, what, first, second):
    """Tell the layers of an instance what happens to notes.

    The newest held note begins, or the one of a channel and key has ended; a channel bends or falls silent (-1:
    all); a layer starts, going on from what an instance (or -1) sounds.

    In: the held notes of the memory, which have already changed. Out: stages, glides and slots of voices.
    Never: a voice more than `notes.voices`; one that is stolen fades beside the new one instead of ending.
    """
    for k in range(LAYERS):
        layer = np.int64(k)
        mode = mode_of(s, layer)
        plays = what == NOTE_BEGINS and mode != OFF and p.layers[layer].source != SOURCE_NONE
        from_note = m.n_held_notes - 1
        if what == NOTES_SILENT and s.alive[layer] != 0:
            _silence(s, layer, first)
        elif what == NOTES_BEND and s.alive[layer] != 0:
            _follow_channels(m, p, s, layer, first)
        elif what == NOTE_ENDS and s.alive[layer] != 0:
            if mode != MONO:  # there the voice that this note had may be another note's by now
                release(s, layer, first, second)
            plays = True
            from_note = m.n_held_notes
        elif what == NOTES_START and layer == first:
            from_note = np.int64(0)
            plays = _start(m, p, s, layer, mode, second) and p.layers[layer].source != SOURCE_NONE
        if plays and (what != NOTE_BEGINS or hears(m, s, layer, from_note)):
            _play(m, p, s, layer, mode, from_note, m.n_held_notes, what != NOTE_ENDS)
