"""Starting the voices of a layer: silent, or going on from what sounds in another instance."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import VOICE_SLOTS
from instrument.engine.notes.glide import aim
from instrument.engine.notes.layer_voices import IDLE, samples_of
from instrument.engine.notes.pitch import tuned
from instrument.engine.parameters import LIVE_TERMS


@compiled
def _copy_glide(to, g):
    to.now, to.start, to.target, to.done, to.length = g.now, g.start, g.target, g.done, g.length


@compiled
def _copy_voice(to, voice):
    to.pen, to.wrapped, to.rounds, to.position = voice.pen, voice.wrapped, voice.rounds, voice.position
    _copy_glide(to.pitch, voice.pitch)
    _copy_glide(to.bend, voice.bend)
    _copy_glide(to.pressure, voice.pressure)
    to.velocity, to.level, to.start, to.part = voice.velocity, voice.level, voice.start, voice.part
    to.order, to.stage, to.key, to.channel = voice.order, voice.stage, voice.key, voice.channel


@compiled
def reset_voices(m, s, layer):
    """Let a layer sound nothing, and know no note but the latest that anybody played."""
    s.alive[layer] = 0
    s.sounding[layer] = 0
    s.voice_turn[layer] = 0
    s.last_pitch[layer] = np.nan
    s.newest_octave[layer] = m.note_octave
    s.newest_velocity[layer] = m.note_velocity
    s.newest_channel[layer] = m.note_channel
    for slot in range(VOICE_SLOTS):
        s.layer_voices[layer, slot].stage = IDLE
        s.layer_voices[layer, slot].level = 0.0


@compiled
def carry_voices(m, p, s, old, layer, before):
    """Go on with the voices that a layer has in another instance, tuned as this program says."""
    s.alive[layer] = old.alive[layer]
    s.voice_turn[layer] = old.voice_turn[layer]
    s.last_pitch[layer] = old.last_pitch[layer]
    s.newest_octave[layer] = old.newest_octave[layer]
    s.newest_velocity[layer] = old.newest_velocity[layer]
    s.newest_channel[layer] = old.newest_channel[layer]
    ramp = samples_of(m, p.ramp_seconds)
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        if old.layer_voices[layer, slot].stage == IDLE:
            continue
        _copy_voice(voice, old.layer_voices[layer, slot])
        aim(voice.pitch, tuned(p, voice.key * 1.0), ramp)
        for axis in range(3):
            for term in range(p.layers[layer].terms[axis]):
                used = term < before.layers[layer].terms[axis]
                s.voice_carry[layer, slot, axis, term] = old.voice_carry[layer, slot, axis, term] if used else 0.0
            for term in range(LIVE_TERMS):
                s.voice_ratio[layer, slot, axis, term] = old.voice_ratio[layer, slot, axis, term]
