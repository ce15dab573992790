"""Tempo: the place of every sample in beats, by a speed of our own or a tapped one, or by MIDI clock; swing."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.records import TAPS
from instrument.engine.modulators.links import apply_link, begin_target
from instrument.engine.modulators.midi_clock import FASTEST, TICKS, carry_clock, forget_clock
from instrument.engine.numeric.fixed_point import as_float, distance, moved_often, moved_on
from instrument.engine.numeric.safe_math import choice, clamp, finite, turns_to_phase
from instrument.engine.parameters import PATCH, PATCH_BASE, offset_in
from instrument.engine.signal.ramp import set_parameter

BPM = PATCH_BASE + offset_in(PATCH, "tempo.bpm")
RUNNING = PATCH_BASE + offset_in(PATCH, "tempo.running")
SOURCE = PATCH_BASE + offset_in(PATCH, "tempo.source")
SWING = PATCH_BASE + offset_in(PATCH, "tempo.swing")
PAIR = PATCH_BASE + offset_in(PATCH, "tempo.pair")
TAP = PATCH_BASE + offset_in(PATCH, "tempo.tap")
RESTART = PATCH_BASE + offset_in(PATCH, "tempo.restart")

_AHEAD, _AHEAD_OF_ROUNDING = 2.5e-19, 4e-16
"""Beats added to every step, at least and as a share of it: more than rounding takes away, so that a beat that falls
on a sample is there on that sample and not one later. An hour of it is a few millionths of a sample."""

_LONGEST_TAP = 2.0
"""Seconds between taps; a longer pause begins a new row of taps."""

_STRONGEST_SWING = 0.9
_SHORTEST_PAIR, _LONGEST_PAIR = 1e-6, 1e9


@inlined
def _swing(x, swing, pair):
    # The place at which a straight player would be: slow through the first half of a pair, fast through the second.
    middle = 0.5 + 0.5 * clamp(swing, -_STRONGEST_SWING, _STRONGEST_SWING)
    quotient = x / pair
    number = np.floor(quotient)
    u = quotient - number
    straight = 0.5 * (u / middle) if u < middle else 0.5 + 0.5 * ((u - middle) / (1.0 - middle))
    return (number + straight) * pair


@compiled
def _tap(m, p, s, now, n):
    t = s.tempo
    interval = np.float64(now - t.tapped)
    if t.taps > 0 and 0.0 < interval < _LONGEST_TAP * m.rate:
        t.intervals[(t.taps - 1) % TAPS] = interval
        count = min(t.taps, np.int64(TAPS))
        t.taps += 1
        total = 0.0
        for k in range(count):
            total += t.intervals[k]
        set_parameter(s, np.int64(BPM), 60.0 * m.rate * count / total, np.int64(0))
        if s.linked[BPM] != 0:
            s.filled[BPM] = 0
            begin_target(s, np.int64(BPM), n)
            for number in range(p.n_links):
                if p.links[number].param == BPM:
                    apply_link(m, p, s, np.int64(number), n)
    else:
        t.taps = 1
    t.tapped = now


@inlined
def _own_step(bpm, rate):
    step = bpm / (60.0 * rate)
    step = step if step == step else 0.0
    ahead = step + (step * _AHEAD_OF_ROUNDING + _AHEAD) if step > 0.0 else step
    return clamp(ahead, -FASTEST, FASTEST)


@compiled
def _jump(t, whole, part):
    t.whole, t.part = whole, part
    t.arrived = 1
    t.joining = 1


@compiled
def _is_steady(s, t):
    # Our own beat, straight, and nothing that moves it or asks for anything.
    moving = s.moving[BPM] | s.moving[RUNNING] | s.moving[SOURCE] | s.moving[SWING]
    if (moving | s.moving[TAP] | s.moving[RESTART]) != 0:
        return False
    asks = choice(s.rows[TAP, 0], 2) != t.tapping or choice(s.rows[RESTART, 0], 2) != t.restarting
    follows = choice(s.rows[SOURCE, 0], 2) != 0 or t.follows != 0
    asks = asks or t.asked != 0
    return not asks and not follows and s.rows[SWING, 0] == 0.0 and t.arrived == 0 and t.moved != 0


@compiled
def _run_steadily(m, s, t, n, read):
    # Every position follows from the first; only what somebody reads is worked out.
    step = _own_step(s.rows[BPM, 0], m.rate)
    if choice(s.rows[RUNNING, 0], 2) == 0:
        step = 0.0
    change = turns_to_phase(step)
    whole, part = t.whole, t.part
    if read:
        last_whole, last_part = t.swung_whole, t.swung_part
        for i in range(n):
            now_whole, now_part = moved_often(whole, part, change, i)
            here = as_float(now_whole, now_part)
            gained = distance(now_whole, now_part, last_whole, last_part)
            last_whole, last_part = now_whole, now_part
            m.beat_whole[i] = now_whole
            m.beat_part[i] = now_part
            m.beat_row[i] = here
            m.beat_step[i] = gained
            m.beat_before[i] = here - gained
            m.bpm_row[i] = finite(s.rows[BPM, i])
    t.swung_whole, t.swung_part = moved_often(whole, part, change, n - 1)
    t.whole, t.part = moved_often(whole, part, change, n)
    t.moved = np.int64(step != 0.0)


@compiled
def run_tempo(m, p, s, n):
    """Fill the rows of the beat for n samples and move on; links have already moved the rows of `tempo`.

    In: rows of `tempo`, taps and clock messages heard so far. Out: the six rows of the beat; the position moved on.
    Never: a jump to meet a clock tick; the speed is chosen so that the beat comes to where the clock is.
    """
    t = s.tempo
    if _is_steady(s, t):
        _run_steadily(m, s, t, n, p.n_steps > 0 or p.n_code > 0 or p.clips != 0)
        return
    bpm = s.rows[BPM]
    for i in range(n):
        if t.asked != 0:
            t.asked = 0
            _tap(m, p, s, m.time + i, n)
        taps = choice(s.rows[TAP, i], 2)
        if taps != 0 and t.tapping == 0:
            _tap(m, p, s, m.time + i, n)
        t.tapping = np.int64(taps)
        restarts = choice(s.rows[RESTART, i], 2)
        if restarts != 0 and t.restarting == 0:
            _jump(t, np.int64(0), np.uint64(0))
        t.restarting = np.int64(restarts)
        follows = choice(s.rows[SOURCE, i], 2) != 0
        if follows and t.follows == 0:
            t.joining = 1
        t.follows = np.int64(follows)
        step = _own_step(bpm[i], m.rate)
        runs = choice(s.rows[RUNNING, i], 2) != 0
        if follows:
            step = t.speed if t.period > 0.0 else step
            if t.extra_left > 0:
                step += t.extra
                t.extra_left -= 1
            runs = runs and t.rolling != 0 and t.waiting == 0
        m.bpm_row[i] = 60.0 * m.rate / t.period / TICKS if follows and t.period > 0.0 else finite(bpm[i])
        step = step if runs else 0.0
        if step != 0.0 and t.moved == 0:
            t.arrived = 1
        whole, part = t.whole, t.part
        swing = s.rows[SWING, i]
        pair = s.rows[PAIR, i]
        if swing != 0.0 and swing == swing and _SHORTEST_PAIR < pair < _LONGEST_PAIR:
            swung = _swing(as_float(whole, part), swing, pair)
            floor = np.floor(swung)
            whole, part = np.int64(floor), turns_to_phase(swung - floor)
        here = as_float(whole, part)
        gained = distance(whole, part, t.swung_whole, t.swung_part)
        m.beat_whole[i] = whole
        m.beat_part[i] = part
        m.beat_row[i] = here
        m.beat_step[i] = gained if t.arrived == 0 else 0.0
        m.beat_before[i] = here - (gained if t.arrived == 0 else step)
        t.arrived = 0
        t.moved = np.int64(step != 0.0)
        t.swung_whole, t.swung_part = whole, part
        t.whole, t.part = moved_on(t.whole, t.part, step)


@compiled
def hold_tempo(m, p, s, n):
    """Fill the rows of the beat for n samples where it stands still; the clock finds it there when it goes on."""
    t = s.tempo
    if t.asked != 0:
        t.asked = 0
        _tap(m, p, s, m.time, n)
    t.joining = 1
    here = as_float(t.swung_whole, t.swung_part)
    for i in range(n):
        m.beat_whole[i] = t.swung_whole
        m.beat_part[i] = t.swung_part
        m.beat_row[i] = m.beat_before[i] = here
        m.beat_step[i] = 0.0
        follows = t.follows != 0 and t.period > 0.0
        m.bpm_row[i] = 60.0 * m.rate / t.period / TICKS if follows else finite(s.rows[BPM, i])


@compiled
def reset_tempo(t):
    """Begin at beat 0, with no clock heard."""
    t.whole, t.part = np.int64(0), np.uint64(0)
    t.swung_whole, t.swung_part = np.int64(0), np.uint64(0)
    t.arrived = 1
    t.moved = t.restarting = t.tapping = t.asked = t.follows = t.waiting = 0
    t.tapped = t.taps = t.offset = t.extra_left = 0
    t.rolling = 1
    t.joining = 1
    t.period = t.speed = t.extra = 0.0
    forget_clock(t.clock)


@compiled
def carry_tempo(t, old):
    """Go on where another instance's tempo is."""
    t.whole, t.part = old.whole, old.part
    t.swung_whole, t.swung_part = old.swung_whole, old.swung_part
    t.arrived, t.moved = old.arrived, old.moved
    t.asked = old.asked
    t.restarting, t.tapping, t.tapped, t.taps = old.restarting, old.tapping, old.tapped, old.taps
    for k in range(TAPS):
        t.intervals[k] = old.intervals[k]
    t.follows, t.rolling, t.waiting, t.joining = old.follows, old.rolling, old.waiting, old.joining
    t.offset, t.period, t.speed = old.offset, old.period, old.speed
    t.extra, t.extra_left = old.extra, old.extra_left
    carry_clock(t.clock, old.clock)
