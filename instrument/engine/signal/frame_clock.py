"""Clocks of drawings with frames: which frame is due at each sample, by speed, beat or hand, and when the page turns."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.fixed_point import distance, moved_on
from instrument.engine.numeric.safe_math import choice, clamp
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_FRAME = offset_in(LAYER, "source.frame")
_BLEND = offset_in(LAYER, "source.blend")
_PLAY = offset_in(LAYER, "source.play")
_SPEED = offset_in(LAYER, "source.speed")
_BEATS = offset_in(LAYER, "source.beats")
_ONCE = offset_in(LAYER, "source.once")
_BEGIN = offset_in(LAYER, "source.begin")

_OWN, _BEAT = 0, 1
_WAYS = 3
_ON_NOTE = 1

_AHEAD, _AHEAD_OF_ROUNDING = 2.5e-19, 4e-16
"""Clips added to every step, at least and as a share of it, so that a frame that falls on a sample is there on that sample
and not one later, as the beat does it (`modulators.tempo`)."""

_NEAR = 1e-9
"""Frames by which a place may be away from a frame and still be on it: far less than a sample is worth."""

_TURN = 1.0 / 18446744073709551616.0

_SHORTEST, _LONGEST = 1e-9, 1e15
"""Beats of a clip; with others it stands still."""


@inlined
def _on_its_frame(place):
    # Rounding must not show the frame before for a sample.
    nearest = np.floor(place + 0.5)
    return nearest if abs(place - nearest) < _NEAR else place


@inlined
def _place_of(whole, part, single, frames):
    # Frames since the clip's beginning; one that plays once holds its end, which is not the beginning of the next.
    place = _on_its_frame(np.float64(part) * _TURN * frames)
    if single:
        place = frames - 1.0 if whole >= np.int64(1) else min(place, frames - 1.0)
    return place


@inlined
def _place_in_beats(gone, length, single, frames):
    # Multiplied first: a frame that falls on a beat is there on its very sample.
    if not _SHORTEST < length < _LONGEST:
        return 0.0
    if single:
        return _on_its_frame(clamp(gone * frames / length, 0.0, frames - 1.0))
    rest = clamp(gone - np.floor(gone / length) * length, 0.0, length)
    return _on_its_frame(rest * frames / length)


@inlined
def _going_round(place, frames):
    page = place - np.floor(place / frames) * frames
    return page if (page >= 0.0) & (page < frames) else 0.0


@compiled
def run_frame_clock(m, p, s, layer, n):
    """Fill a layer's row of frames for n samples, each from 0 to less than the number of its frames.

    In: rows of frame, play, speed, beats, once and begin; the beat; notes begun so far.
    Out: the layer's row of `frame_rows`; its clock moved on, unless all stands still.
    Never: a step added to a place that follows from the beat, which would drift from it.
    """
    base = layer * LAYER_SIZE
    frame = s.rows[base + _FRAME]
    play = s.rows[base + _PLAY]
    speed = s.rows[base + _SPEED]
    beats = s.rows[base + _BEATS]
    once = s.rows[base + _ONCE]
    begin = s.rows[base + _BEGIN]
    frames = p.layers[layer].frames * 1.0
    seconds = p.layers[layer].seconds
    unit = 1.0 / (seconds * m.rate) if seconds > 0.0 and m.frozen == 0 else 0.0
    out = m.frame_rows[layer]
    clock = s.clips[layer]
    struck = s.notes != clock.notes and choice(begin[0], 2) == _ON_NOTE
    clock.notes = s.notes
    if struck or clock.started == 0:
        # Chunks end where notes begin, so that a note is always at the first sample of one.
        clock.started = 1
        # What plays once and backwards begins at its end.
        clock.whole = np.int64(choice(once[0], 2) != 0 and speed[0] < 0.0)
        clock.part = np.uint64(0)
        clock.origin_whole, clock.origin_part = m.beat_whole[0], m.beat_part[0]
    whole, part = clock.whole, clock.part
    for i in range(n):
        way = choice(play[i], _WAYS)
        single = choice(once[i], 2) != 0
        place = 0.0
        if way == _OWN:
            place = _place_of(whole, part, single, frames)
            step = speed[i] * unit
            step = step + (step * _AHEAD_OF_ROUNDING + _AHEAD) if step > 0.0 else step
            whole, part = moved_on(whole, part, step)
            if single and whole != np.int64(0):
                whole, part = np.int64(whole > np.int64(0)), np.uint64(0)
            if not single:
                whole = np.int64(0)
        elif way == _BEAT:
            gone = m.beat_row[i]
            if single or choice(begin[i], 2) == _ON_NOTE:
                gone = distance(m.beat_whole[i], m.beat_part[i], clock.origin_whole, clock.origin_part)
            place = _place_in_beats(gone, beats[i], single, frames)
        out[i] = _going_round(frame[i] + place, frames)
    clock.whole, clock.part = whole, part


@compiled
def turn_pages(m, p, s, layer, first, last):
    """Fill the frame that is drawn, and the share of the next one in it, for samples first to last.

    Frames that blend follow their clock at once. Where they do not, the frame of a round stays until the pen begins the
    next one: changed amid a round, half of each would be drawn, with a line torn between them.

    In: the layer's row of frames; the number of the pen's round at each sample.
    Out: scratch_page, a whole number; scratch_share; the frame of the latest round.
    Never: a page turned within a round, unless frames blend.
    """
    base = layer * LAYER_SIZE
    blend = s.rows[base + _BLEND]
    due = m.frame_rows[layer]
    frames = p.layers[layer].frames * 1.0
    page = s.page[layer]
    latest = s.page_round[layer]
    for i in range(first, last):
        # nan, which is no round, differs from every one.
        if blend[i] >= 1.0 or m.scratch_rounds[i] != latest:
            page = np.floor(due[i])
            latest = m.scratch_rounds[i]
        gone = due[i] - page
        gone = gone + frames if gone < -0.5 * frames else gone
        m.scratch_page[i] = page
        m.scratch_share[i] = clamp(gone, 0.0, 1.0) * blend[i]
    s.page[layer] = page
    s.page_round[layer] = latest


@compiled
def reset_clip(s, layer):
    """Begin at the first frame, on the next sample."""
    clock = s.clips[layer]
    clock.whole, clock.part = np.int64(0), np.uint64(0)
    clock.origin_whole, clock.origin_part = np.int64(0), np.uint64(0)
    clock.notes = s.notes
    clock.started = 0
    s.page[layer] = 0.0
    s.page_round[layer] = np.nan


@compiled
def carry_clip(s, old, layer):
    """Go on where another instance's clip is."""
    clock, before = s.clips[layer], old.clips[layer]
    clock.whole, clock.part = before.whole, before.part
    clock.origin_whole, clock.origin_part = before.origin_whole, before.origin_part
    clock.notes, clock.started = before.notes, before.started
    s.page[layer] = old.page[layer]
    s.page_round[layer] = old.page_round[layer]
