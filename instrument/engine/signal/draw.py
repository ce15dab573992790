"""Drawing a layer before forms and place: its pen along its source, once, or once for every voice that sounds."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, kernel_named, one_of
from instrument.engine.memory.layout import VOICE_SLOTS
from instrument.engine.memory.machine import address, copy_words
from instrument.engine.notes.layer_voices import MODE, MODES, OFF
from instrument.engine.numeric.safe_math import choice, finite
from instrument.engine.parameters import LAYER, LAYER_SIZE, LIVE_TERMS, offset_in
from instrument.engine.signal.pen import run_pen
from instrument.engine.signal.source_table import SOURCE_STATE, SOURCE_TABLE

_KEY = offset_in(LAYER, "pen.key")
_SHARE = offset_in(LAYER, "notes.share")

_TURNS = 1
_PLAIN = -1
"""In place of a voice: the layer sounds all the time, by its own pen."""
_NOBODY = -2

_source = one_of({k: kernel_named(f"signal.{kind.kernel}") for k, kind in enumerate(SOURCE_TABLE.values(), start=1)})
_STATE_WORDS = SOURCE_STATE.itemsize // 8


@compiled
def _end_of_span(s, layer, first, last):
    # How far the layer is drawn in the same manner by the same voices.
    index = layer * LAYER_SIZE + MODE
    share = layer * LAYER_SIZE + _SHARE
    end = last
    if s.moving[index] != 0 or s.moving[share] != 0:
        mode = choice(s.rows[index, first], MODES)
        way = choice(s.rows[share, first], 2)
        end = first + 1
        while end < last and choice(s.rows[index, end], MODES) == mode and choice(s.rows[share, end], 2) == way:
            end += 1
    if s.sounding[layer] > 0:
        for slot in range(VOICE_SLOTS):
            gone = s.layer_voices[layer, slot].end
            if first < gone < end:
                end = gone
    return end


@compiled
def _newest(s, layer, at):
    found = np.int64(_NOBODY)
    if s.sounding[layer] > 0:
        for slot in range(VOICE_SLOTS):
            voice = s.layer_voices[layer, slot]
            if voice.end > at and (found < 0 or voice.order > s.layer_voices[layer, found].order):
                found = np.int64(slot)
    return found


@compiled
def sounds(s, layer, at):
    """Return whether a layer draws at a sample: one that notes sound does so only while one of them is heard."""
    if choice(s.rows[layer * LAYER_SIZE + MODE, at], MODES) == OFF:
        return True
    return _newest(s, layer, at) != _NOBODY


@compiled
def _whose_turn(s, layer, at):
    if s.sounding[layer] > 0:
        for k in range(VOICE_SLOTS):
            slot = (s.voice_turn[layer] + k) % VOICE_SLOTS
            if s.layer_voices[layer, slot].end > at:
                s.voice_turn[layer] = slot
                return np.int64(slot)
    return np.int64(_NOBODY)


@compiled
def _next_beside(s, layer, at, slot, leader):
    # The next voice that sounds beside the leading one, or nobody.
    for k in range(slot + 1, VOICE_SLOTS):
        if k != leader and s.layer_voices[layer, k].end > at:
            return np.int64(k)
    return np.int64(_NOBODY)


@compiled
def _rest(m, s, layer, first, last):
    # Nobody sounds: the beam waits in the middle.
    for i in range(first, last):
        m.scratch_x[i] = m.scratch_y[i] = m.scratch_z[i] = 0.0
        m.scratch_position[i] = m.scratch_wraps[i] = m.scratch_rounds[i] = 0.0
        m.presence[layer, i] = 0.0


@compiled
def _take_up(m, p, s, layer, slot):
    # The layer's pen and source go on where this voice has left them.
    voice = s.layer_voices[layer, slot]
    s.pen[layer] = voice.pen
    s.pen_wrapped[layer] = voice.wrapped
    s.rounds[layer] = voice.rounds
    s.last_position[layer] = voice.position
    s.side[layer], s.side_round[layer], s.side_wait[layer] = voice.side, voice.side_round, voice.side_wait
    s.page[layer] = voice.page
    s.page_round[layer] = voice.page_round
    for axis in range(3):
        count = np.int64(p.layers[layer].terms[axis])
        for term in range(count):
            s.carry[layer, axis, term] = s.voice_carry[layer, slot, axis, term]
        for term in range(min(count, LIVE_TERMS)):
            s.last_ratio[layer, axis, term] = s.voice_ratio[layer, slot, axis, term]
    m.note_key = voice.key * 1.0
    m.note_velocity = voice.velocity


@compiled
def _put_down(p, s, layer, slot):
    voice = s.layer_voices[layer, slot]
    voice.pen = s.pen[layer]
    voice.wrapped = s.pen_wrapped[layer]
    voice.rounds = s.rounds[layer]
    voice.position = s.last_position[layer]
    voice.side, voice.side_round, voice.side_wait = s.side[layer], s.side_round[layer], s.side_wait[layer]
    voice.page = s.page[layer]
    voice.page_round = s.page_round[layer]
    for axis in range(3):
        count = np.int64(p.layers[layer].terms[axis])
        for term in range(count):
            s.voice_carry[layer, slot, axis, term] = s.carry[layer, axis, term]
        for term in range(min(count, LIVE_TERMS)):
            s.voice_ratio[layer, slot, axis, term] = s.last_ratio[layer, axis, term]


@compiled
def _measure_presence(m, s, layer, leader, alone, first, last):
    # How large the largest voice is. The voices are added up in proportion to it and all together brought to that
    # size behind forms and place, so that these see a drawing of full size, and the beam rests in the middle when
    # the last voice has gone.
    presence = m.presence[layer]
    gain = m.voice_gain[layer, leader]
    for i in range(first, last):
        presence[i] = gain[i]
    if alone:
        return
    for i in range(first, last):
        presence[i] = abs(presence[i])
    for slot in range(VOICE_SLOTS):
        if slot != leader and s.layer_voices[layer, slot].end > np.int64(first):
            gain = m.voice_gain[layer, slot]
            for i in range(first, last):
                size = abs(gain[i])
                presence[i] = size if size > presence[i] else presence[i]


@compiled
def _add(total, signal, gain, presence, first, last):
    # A voice gone to nan or infinity must not take the others with it.
    for i in range(first, last):
        share = gain[i] / presence[i] if presence[i] > 0.0 else 0.0
        total[i] = total[i] + finite(share * signal[i])


@compiled
def _copy(to, signal, first, last):
    for i in range(first, last):
        to[i] = signal[i]


@compiled
def _clear(out, first, last):
    for i in range(first, last):
        out[i] = 0.0


@compiled
def _begin_sum(m, s, layer, leader, alone, first, last):
    _measure_presence(m, s, layer, leader, alone, first, last)
    if alone:
        return
    _copy(m.scratch_kept_position, m.scratch_position, first, last)
    _copy(m.scratch_kept_wraps, m.scratch_wraps, first, last)
    _copy(m.scratch_kept_rounds, m.scratch_rounds, first, last)
    _clear(m.scratch_sum_x, first, last)
    _clear(m.scratch_sum_y, first, last)
    _clear(m.scratch_sum_z, first, last)


@compiled
def _add_voice(m, layer, slot, first, last):
    gain = m.voice_gain[layer, slot]
    presence = m.presence[layer]
    _add(m.scratch_sum_x, m.scratch_x, gain, presence, first, last)
    _add(m.scratch_sum_y, m.scratch_y, gain, presence, first, last)
    _add(m.scratch_sum_z, m.scratch_z, gain, presence, first, last)


@compiled
def _end_sum(m, first, last):
    # Forms go by the pen of the newest voice.
    _copy(m.scratch_x, m.scratch_sum_x, first, last)
    _copy(m.scratch_y, m.scratch_sum_y, first, last)
    _copy(m.scratch_z, m.scratch_sum_z, first, last)
    _copy(m.scratch_position, m.scratch_kept_position, first, last)
    _copy(m.scratch_wraps, m.scratch_kept_wraps, first, last)
    _copy(m.scratch_rounds, m.scratch_kept_rounds, first, last)


@compiled
def _run_source(m, p, s, layer, first, last):
    _source(np.int64(p.layers[layer].source), (m, p, s, layer, first, last))
    if last > first:
        s.last_position[layer] = m.scratch_position[last - np.uint64(1)]


@compiled
def draw(m, p, s, layer, first, last, one_round):
    """Fill x, y and z of a layer, and its presence where notes sound it; return where it stopped.

    With `one_round` it stops behind the sample that ends a round of the pen, and says so in `round_over`, or where
    nobody sounds it any more.

    In: the layer's rows of parameters, gains and pitches of its voices.
    Out: scratch_x, y and z, the pen's position, wraps and rounds for the forms, presence; pens and sources moved on.
    Never: let one voice change what another draws, or how far the layer's own state moves.
    """
    # The layer is cut into stretches in which the same voices sound in the same manner. In a stretch one voice leads:
    # its pen decides where a round ends and is what forms see. The others are drawn over the same samples and added.
    counts = p.layers[layer].counts != 0
    base = layer * LAYER_SIZE
    note_key, note_velocity = m.note_key, m.note_velocity
    at = first
    while at < last:
        end = _end_of_span(s, layer, at, last)
        notes = choice(s.rows[base + MODE, at], MODES) != OFF
        turns = notes and choice(s.rows[base + _SHARE, at], 2) == _TURNS
        leader = np.int64(_PLAIN)
        if notes:
            leader = _whose_turn(s, layer, at) if turns else _newest(s, layer, at)
        if leader == _NOBODY:
            if one_round:
                m.round_over = 0
                break
            _rest(m, s, layer, at, end)
            at = end
            continue
        alone = not notes or turns or _next_beside(s, layer, at, np.int64(-1), leader) < 0
        copy_words(address(m.source_before), address(s.sources[layer]), _STATE_WORDS)
        slot = leader
        over = np.int64(0)
        while slot != _NOBODY:
            key = s.rows[base + _KEY]
            moving = np.int64(s.moving[base + _KEY])
            if slot >= 0:
                key = m.voice_pitch[layer, slot]
                moving = np.int64(s.layer_voices[layer, slot].moving)
                _take_up(m, p, s, layer, slot)
            leads = slot == leader
            stop = run_pen(m, p, s, layer, at, end, leads and (one_round or turns), counts, key, moving, notes)
            if leads:
                end = stop
                over = m.round_over
            # Unsigned bounds: a signed index might be negative, and checking for that keeps loops from vectorising.
            a, b = np.uint64(at), np.uint64(stop)
            # What a source remembers is the layer's: each voice goes on from the stretch before, not from the last voice.
            copy_words(address(s.sources[layer]), address(m.source_before), _STATE_WORDS)
            _run_source(m, p, s, layer, a, b)
            if slot < 0:
                break
            _put_down(p, s, layer, slot)
            if leads:
                _begin_sum(m, s, layer, leader, alone, a, b)
            if alone:
                break
            _add_voice(m, layer, slot, a, b)
            slot = _next_beside(s, layer, at, np.int64(-1) if leads else slot, leader)
        if not alone:
            _end_sum(m, np.uint64(at), np.uint64(end))
        if not notes and s.moving[base + MODE] != 0:
            for i in range(at, end):
                m.presence[layer, i] = 1.0
        at = end
        m.round_over = over
        if turns and over != 0:
            s.voice_turn[layer] += 1
        if one_round and over != 0:
            break
    m.note_key, m.note_velocity = note_key, note_velocity
    return at
