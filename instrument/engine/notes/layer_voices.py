"""The life of a layer's voices: which notes it takes, mono and poly, stealing, letting go, and going on in another program."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined, merged
from instrument.engine.memory.layout import LAYER_VOICES, VOICE_SLOTS
from instrument.engine.memory.records import ATTACK, FADE, IDLE, RELEASE, SUSTAIN
from instrument.engine.notes.midi_state import master_of
from instrument.engine.numeric.safe_math import choice, clamp
from instrument.engine.parameters import LAYER, LAYER_SIZE, LIVE_TERMS, offset_in
from instrument.engine.signal.pen import A4_KEY, tuned

MODE = offset_in(LAYER, "notes.mode")
_VOICES = offset_in(LAYER, "notes.voices")
_PRIORITY = offset_in(LAYER, "notes.priority")
_LEGATO = offset_in(LAYER, "notes.legato")
_GLIDE = offset_in(LAYER, "notes.glide")
_CHANNEL = offset_in(LAYER, "notes.channel")
_LOW = offset_in(LAYER, "notes.low")
_HIGH = offset_in(LAYER, "notes.high")
_SOFT = offset_in(LAYER, "notes.soft")
_HARD = offset_in(LAYER, "notes.hard")
_TERMS = offset_in(LAYER, "source.x.1.amplitude")
OFF, MONO, POLY = range(3)
MODES = 3
_LAST, _LOWEST, _HIGHEST = range(3)
_LONGEST = 1e9
_TOP = 127.0
_NOBODY = -1


@compiled
def put(g, value):
    """Let it stand at a value."""
    g.now = g.start = g.target = value
    g.done = g.length = 0


@compiled
def aim(g, target, samples):
    """Send it from where it is to a target, in so many samples."""
    if target == g.target:
        return
    g.start = g.now
    g.target = target
    g.done = 0
    g.length = samples
    if samples <= 0:
        put(g, target)


@compiled
def moves(g):
    """Return whether it is under way."""
    return g.done < g.length


@compiled
def advance(g, out, n):
    """Add its next n samples to a row; the first has already moved, the last of the way is the target itself."""
    if g.done >= g.length:
        for i in range(n):
            out[i] += g.target
        g.now = g.target
        return
    value = g.target
    for i in range(n):
        step = g.done + 1 + i
        weight = step / g.length
        value = g.target if step >= g.length else (1.0 - weight) * g.start + weight * g.target
        out[i] += value
    g.now = value
    g.done += n


@inlined
def is_held(voice):
    """Return whether the key of a voice is down, or a pedal holds it."""
    return (voice.stage >= ATTACK) & (voice.stage <= SUSTAIN)


@inlined
def now(s, index):
    """Return what a parameter is when something happens to notes: where a link moves it, what the latest sample had."""
    return s.rows[index, s.latest - 1] if s.linked[index] != 0 and s.latest > 0 else s.value[index]


@inlined
def mode_of(s, layer):
    """Return how keys sound a layer: OFF, MONO or POLY."""
    return choice(now(s, layer * LAYER_SIZE + MODE), MODES)


@compiled
def hears(m, s, layer, held):
    """Return whether a layer takes a held note."""
    # A layer set to the master channel of a zone hears all channels of the zone (MPE specification 1.0, 2.2).
    base = layer * LAYER_SIZE
    note = m.held_notes[held]
    channel = np.int64(note.channel)
    wanted = choice(now(s, base + _CHANNEL), 17) - 1
    if wanted >= 0 and wanted != channel and wanted != master_of(m, channel):
        return False
    in_keys = (now(s, base + _LOW) <= note.key) & (note.key <= now(s, base + _HIGH))
    return in_keys & (now(s, base + _SOFT) <= note.velocity) & (note.velocity <= now(s, base + _HARD))


@compiled
def move_to(voice, stage):
    """Let a voice begin another stage."""
    # What has not been heard yet has nothing to fall from.
    voice.start = voice.level
    voice.part = 0.0
    voice.stage = stage if voice.level != 0.0 or stage == ATTACK else IDLE


@compiled
def release(s, layer, channel, key):
    """Let a layer's voices of a note fall; channel -1 means all of them."""
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        if is_held(voice) and (channel < 0 or (voice.channel == channel and voice.key == key)):
            move_to(voice, RELEASE)


@compiled
def _slot_to_steal(s, layer):
    # The voice released first, or else the one begun first, of those that are not fading already.
    found = _NOBODY
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        if voice.stage == IDLE or voice.stage == FADE:
            continue
        if found < 0:
            found = slot
            continue
        best = s.layer_voices[layer, found]
        released = voice.stage == RELEASE
        if released != (best.stage == RELEASE):
            found = slot if released else found
        elif voice.order < best.order:
            found = slot
    return found


@compiled
def _free_slot(s, layer):
    # There are twice as many as may sound; if all of them fade, the one that is least heard is cut off.
    found = 0
    least = np.inf
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        if voice.stage == IDLE:
            return slot
        if voice.stage == FADE and abs(voice.level) < least:
            least = abs(voice.level)
            found = slot
    return found


@compiled
def _make_room(s, layer, limit):
    sounding = 0
    for slot in range(VOICE_SLOTS):
        stage = s.layer_voices[layer, slot].stage
        if stage != IDLE and stage != FADE:
            sounding += 1
    while sounding >= limit:
        move_to(s.layer_voices[layer, _slot_to_steal(s, layer)], FADE)
        sounding -= 1
    return _free_slot(s, layer)


@compiled
def newest_held(s, layer):
    """Return the slot of a layer's newest held voice, or -1."""
    found = _NOBODY
    for slot in range(VOICE_SLOTS):
        voice = s.layer_voices[layer, slot]
        if is_held(voice) and (found < 0 or voice.order > s.layer_voices[layer, found].order):
            found = slot
    return found


@merged
def remember_newest(s, layer):
    """Keep what the newest note of a layer is."""
    # What note modulators of this layer read; behind its last note it stays what it was.
    slot = newest_held(s, layer)
    if slot >= 0:
        voice = s.layer_voices[layer, slot]
        s.newest_octave[layer] = (voice.key - A4_KEY) / 12.0
        s.newest_velocity[layer] = voice.velocity
        s.newest_channel[layer] = voice.channel


@inlined
def samples_of(m, seconds):
    """Return a time in whole samples."""
    return np.int64(clamp(seconds * m.rate + 0.5, 0.0, _LONGEST))


@compiled
def _reset_terms(p, s, layer, slot):
    for axis in range(3):
        count = np.int64(p.layers[layer].terms[axis])
        for term in range(count):
            s.voice_carry[layer, slot, axis, term] = 0.0
        for term in range(min(count, LIVE_TERMS)):
            index = layer * LAYER_SIZE + _TERMS + (axis * LIVE_TERMS + term) * 3 + 1
            s.voice_ratio[layer, slot, axis, term] = s.value[index]


@compiled
def _name(m, voice, held):
    # A voice becomes that of a held note.
    note = m.held_notes[held]
    voice.key = note.key
    voice.channel = note.channel
    voice.velocity = note.velocity / _TOP


@compiled
def _begin(m, p, s, layer, slot, held, start):
    # At the start of the drawing; from the pitch `start`, unless that is nan.
    voice = s.layer_voices[layer, slot]
    _name(m, voice, held)
    voice.pen = np.uint64(0)
    voice.wrapped = voice.position = 0.0
    voice.rounds = 0
    voice.side = 0
    voice.page, voice.page_round = 0.0, np.nan
    voice.level = 0.0
    voice.order = s.voice_order
    s.voice_order += 1
    move_to(voice, ATTACK)
    _reset_terms(p, s, layer, slot)
    pitch = tuned(p, voice.key * 1.0)
    put(voice.pitch, pitch if start != start else start)
    aim(voice.pitch, pitch, samples_of(m, now(s, layer * LAYER_SIZE + _GLIDE)))
    put(voice.bend, m.held_notes[held].bend)
    put(voice.pressure, m.held_notes[held].pressure)
    s.last_pitch[layer] = pitch
    s.alive[layer] = 1


@merged
def play_poly(m, p, s, layer, held):
    """Let a layer sound a held note beside the others."""
    base = layer * LAYER_SIZE
    channel = m.held_notes[held].channel
    if m.channels[channel].mono != 0:  # Mono Mode On: one note on the channel (MIDI 1.0, Channel Mode Messages)
        for slot in range(VOICE_SLOTS):
            voice = s.layer_voices[layer, slot]
            if is_held(voice) and voice.channel == channel:
                move_to(voice, FADE)
    glides = choice(now(s, base + _LEGATO), 2) == 0 or newest_held(s, layer) >= 0
    start = s.last_pitch[layer] if glides else np.nan
    limit = np.int64(clamp(now(s, base + _VOICES) + 0.5, 1.0, np.float64(LAYER_VOICES)))
    _begin(m, p, s, layer, _make_room(s, layer, limit), held, start)


@merged
def _chosen(m, s, layer):
    # The held note that sounds in mono, by the layer's priority, or -1.
    priority = choice(now(s, layer * LAYER_SIZE + _PRIORITY), 3)
    found = np.int64(_NOBODY)
    for k in range(m.n_held_notes):
        if hears(m, s, layer, k):
            best = m.held_notes[found if found >= 0 else k].key
            here = m.held_notes[k].key
            if not ((priority == _LOWEST and here > best) or (priority == _HIGHEST and here < best)):
                found = np.int64(k)
    return found


@merged
def _take_over(m, p, s, layer, slot, held):
    # The voice goes on as that of another note: no new attack, and the pen stays where it is.
    voice = s.layer_voices[layer, slot]
    _name(m, voice, held)
    pitch = tuned(p, voice.key * 1.0)
    aim(voice.pitch, pitch, samples_of(m, now(s, layer * LAYER_SIZE + _GLIDE)))
    ramp = samples_of(m, p.ramp_seconds)
    aim(voice.bend, m.held_notes[held].bend, ramp)
    aim(voice.pressure, m.held_notes[held].pressure, ramp)
    s.last_pitch[layer] = pitch


@compiled
def _is(voice, note):
    return voice.key == note.key and voice.channel == note.channel


@merged
def _sound_in_mono(m, p, s, layer, held, struck):
    slot = newest_held(s, layer)
    legato = choice(now(s, layer * LAYER_SIZE + _LEGATO), 2) != 0
    if slot >= 0 and _is(s.layer_voices[layer, slot], m.held_notes[held]):
        pass  # it sounds already
    elif slot >= 0 and (legato or not struck):
        _take_over(m, p, s, layer, slot, held)
    else:
        start = np.nan if legato else s.last_pitch[layer]
        if slot >= 0:
            start = s.layer_voices[layer, slot].pitch.now
        slot = _make_room(s, layer, np.int64(1))
        _begin(m, p, s, layer, slot, held, start)
    for other in range(VOICE_SLOTS):
        if other != slot and is_held(s.layer_voices[layer, other]):
            move_to(s.layer_voices[layer, other], FADE)


@merged
def play_mono(m, p, s, layer, struck):
    """Let a layer's one voice be that of the held note that its priority says; `struck` where a key has just gone down."""
    held = _chosen(m, s, layer)
    if held < 0:
        release(s, layer, np.int64(-1), np.int64(0))
    else:
        _sound_in_mono(m, p, s, layer, held, struck)


@compiled
def _copy_glide(to, g):
    to.now, to.start, to.target, to.done, to.length = g.now, g.start, g.target, g.done, g.length


@compiled
def _copy_voice(to, voice):
    to.pen, to.wrapped, to.rounds, to.position = voice.pen, voice.wrapped, voice.rounds, voice.position
    to.side, to.side_round, to.side_wait = voice.side, voice.side_round, voice.side_wait
    to.page, to.page_round = voice.page, voice.page_round
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
        # Another program may have other directions.
        voice.side = 0
        aim(voice.pitch, tuned(p, voice.key * 1.0), ramp)
        for axis in range(3):
            for term in range(p.layers[layer].terms[axis]):
                used = term < before.layers[layer].terms[axis]
                s.voice_carry[layer, slot, axis, term] = old.voice_carry[layer, slot, axis, term] if used else 0.0
            for term in range(LIVE_TERMS):
                s.voice_ratio[layer, slot, axis, term] = old.voice_ratio[layer, slot, axis, term]
