"""MIDI clock: the line through its latest ticks, and start, stop, continue and song position."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.records import CLOCK_LATEST, CLOCK_TICKS
from instrument.engine.notes.midi_numbers import CLOCK, CONTINUE, SONG_POSITION, START, STOP
from instrument.engine.numeric.fixed_point import as_float
from instrument.engine.numeric.safe_math import clamp

TICKS = 24
"""Clock messages in a beat. MIDI 1.0 Detailed Specification 4.2, System Real Time Messages, Timing Clock."""

_POINTER = 6
"""Clocks in one MIDI beat (a sixteenth), the unit of Song Position Pointer; the same document."""

FASTEST = 0.45
"""Beats that may pass in one sample."""

_HORIZON = 6.0
"""Periods in which the beat comes to where the clock is: short beside a beat, long beside the jitter of one tick."""

_GAP = 4.0
"""Periods without a tick after which ticks count as lost, or as held up if they then come all at once."""

_AT_ONCE = 0.3
"""Periods between ticks that have been held up, at most."""

_COARSEST_TIMER = 0.025
"""Seconds. Some computers send ticks in steps of 20 ms, which must be measured, not taken for strays."""

_FINEST = 0.001
"""Seconds by which ticks may always be off the line: a period of most devices."""

# The estimator's thresholds in standard deviations, found by simulation; `tests/engine/modulators/test_midi_clock.py` holds
# what they reach. Eight ticks in a row off to one side by 1.2 of them come once in some hundred hours by chance.
_OFF, _CLIPPED, _LEVEL, _TREND, _STEP = 1.2, 4.0, 2.5, 3.0, 3.0

_SPREAD_OF_PLACES = CLOCK_LATEST * (CLOCK_LATEST * CLOCK_LATEST - 1) / 12.0
"""Sum of the squared distances of the latest ticks' numbers from their mean."""


@inlined
def _keep(c, number, time):
    at = c.put % CLOCK_TICKS
    c.numbers[at] = number
    c.times[at] = time
    c.put += 1
    c.stored = min(c.stored + 1, np.int64(CLOCK_TICKS))


@compiled
def _fit(c):
    # Least squares for time = origin + period * number, about the latest tick so that no digits are lost in hours.
    latest = (c.put - 1) % CLOCK_TICKS
    if c.stored < 2:
        c.origin = c.times[latest] - c.period * c.numbers[latest]
        return
    number_sum = time_sum = 0.0
    for k in range(c.stored):
        at = (c.put - 1 - k) % CLOCK_TICKS
        number_sum += c.numbers[at] - c.numbers[latest]
        time_sum += c.times[at] - c.times[latest]
    number_mean = number_sum / c.stored
    time_mean = time_sum / c.stored
    both = squares = times = 0.0
    for k in range(c.stored):
        at = (c.put - 1 - k) % CLOCK_TICKS
        x = c.numbers[at] - c.numbers[latest] - number_mean
        y = c.times[at] - c.times[latest] - time_mean
        both += x * y
        squares += x * x
        times += y * y
    c.period = max(both / squares, 1.0) if squares > 0.0 else max(c.period, 1.0)
    c.origin = c.times[latest] + time_mean - c.period * (c.numbers[latest] + number_mean)
    rest = max(times - c.period * both, 0.0)
    c.spread = np.sqrt(rest / (c.stored - 2)) if c.stored >= 6 else 0.5 * c.period


@compiled
def _begin_again(c, number_of_lost, kept):
    # Take the latest ticks out of the fit and put them in again as they came, after so many that were lost; or as all there is.
    c.put -= kept
    c.stored -= kept
    if number_of_lost != 0:
        c.number += number_of_lost
        c.lost_at = c.number
    for k in range(CLOCK_LATEST):
        _keep(c, c.number - CLOCK_LATEST + 1 + k, c.latest[(c.seen + k) % CLOCK_LATEST])
    c.seen = 0
    c.patience = 0


@compiled
def _look_for_a_change(c, rate):
    # Whether the latest ticks all lie off the line to one side: ticks were lost, or the tempo has changed.
    least = max(_OFF * c.spread, _FINEST * rate)
    late = early = kept = 0
    mean = trend = step = before = 0.0
    for k in range(CLOCK_LATEST):
        at = (c.seen + k) % CLOCK_LATEST  # the oldest comes where the next one will be put
        off = c.latest[at] - (c.origin + c.period * (c.number - CLOCK_LATEST + 1 + k))
        kept += c.in_fit[at]
        late += 1 if off > least else 0
        early += 1 if off < -least else 0
        step = max(step, abs(off - before)) if k > 0 else 0.0
        before = off
        mean += off / CLOCK_LATEST
        trend += (k - 0.5 * (CLOCK_LATEST - 1)) * off / _SPREAD_OF_PLACES
    if max(late, early) < CLOCK_LATEST:
        return
    whole = np.floor(mean / c.period + 0.5)
    near = abs(mean - whole * c.period) < 0.05 * c.period + _LEVEL * c.spread / np.sqrt(CLOCK_LATEST)
    level = near and abs(trend) < 0.02 * c.period + _TREND * c.spread / np.sqrt(_SPREAD_OF_PLACES)
    lost = whole != 0.0 and level
    if not lost and step > 0.5 * c.period + _STEP * c.spread and c.patience < CLOCK_LATEST:
        c.patience += 1  # what happened, happened amid them: a few more will tell what it was
        return
    if not lost:
        c.stored = kept if not level else c.stored
        _begin_again(c, np.int64(0), kept)
    elif c.number - c.lost_at < CLOCK_TICKS:
        # What is lost again and again is not lost: these are the steps of a coarse timer, and belong to its spread.
        _begin_again(c, np.int64(0), kept)
    else:
        _begin_again(c, np.int64(clamp(whole, -1e15, 1e15)), kept)


@compiled
def measure(c, now, rate):
    """Take a tick into the line through the latest ones.

    In: state of a clock, sample of the tick, samples a second. Out: period and origin of the line, the tick's number.
    Never: a period below a sample; a line bent by one tick, late however much.

    The line is fitted by least squares to at most `CLOCK_TICKS` ticks, two bars of four; so it has no lag at a steady tempo,
    and jitter comes down by half the root of their number. Distances from it are clipped (P. J. Huber, Robust estimation of
    a location parameter, 1964, from memory). Ticks that all lie to one side tell of a change: off by whole periods and level,
    they were lost; anything else is another tempo, and the line begins anew with them.
    """
    gap = np.float64(now - c.time)
    c.time = now
    if c.stored > 1 and gap > _GAP * c.period:
        skipped = np.floor(clamp((now - c.origin) / c.period, -1e15, 1e15) + 0.5) - 1 - c.number
        c.held_up = np.int64(max(skipped, 0.0))
        c.number += c.held_up
        c.came_at_once = 0
    elif c.held_up > 0 and gap < _AT_ONCE * c.period:
        c.held_up -= 1
        c.came_at_once = 1
        return
    elif c.held_up > 0:
        # They were not lost, then, and all have been counted.
        c.number -= c.held_up if c.came_at_once != 0 else np.int64(0)
        c.held_up = 0
    c.number += 1
    off = now - (c.origin + c.period * c.number)
    known = c.stored >= 2 * CLOCK_LATEST
    stray = known and abs(off) > max(1.25 * c.period, _COARSEST_TIMER * rate)
    at = c.seen % CLOCK_LATEST
    c.latest[at] = now
    c.in_fit[at] = 0 if stray else 1
    c.seen += 1
    if not stray:
        widest = max(_CLIPPED * c.spread, 0.5 * c.period)
        _keep(c, np.float64(c.number), now - off + clamp(off, -widest, widest) if c.stored >= CLOCK_LATEST else now)
    if known and c.seen >= CLOCK_LATEST:
        _look_for_a_change(c, rate)
    _fit(c)


@compiled
def _tick(t, now, rate):
    c = t.clock
    measure(c, now, rate)
    if t.waiting == 1 and t.follows != 0:
        t.whole, t.part = np.int64(0), np.uint64(0)
        t.arrived = 1
    # Where the song goes on, the beat is there with the next tick; later on a single tick says little.
    horizon = 1.0 if t.waiting != 0 else _HORIZON
    place = clamp(as_float(t.whole, t.part) * TICKS, -1e15, 1e15)
    if t.waiting == 1:
        t.offset = -c.number
    elif t.waiting == 2:
        t.offset = np.int64(np.ceil(place - 0.01)) - c.number
    elif t.joining != 0 or t.follows == 0:
        t.offset = np.int64(np.floor(place + 0.5)) - c.number
    t.waiting = 0
    t.joining = 0
    if c.stored > 1:
        t.period = c.period
        # Nothing ever jumps: a speed beside the clock's own makes up for what is missing, and ends when it has.
        missing = (now - c.origin) / c.period + t.offset - place
        own = 1.0 / (TICKS * c.period)
        t.speed = clamp(own, 0.0, FASTEST)
        t.extra = clamp(missing * own / horizon, -t.speed, FASTEST - t.speed)
        t.extra_left = np.int64(horizon * c.period)


@compiled
def hear_clock(m, s, status, first, second):
    """Apply a real-time message or song position of MIDI; where `tempo.source` is own, it is measured alone."""
    t = s.tempo
    if status == CLOCK:
        _tick(t, m.time, m.rate)
    elif status == START:
        t.rolling = 1
        t.waiting = 1
        if t.follows != 0:
            t.whole, t.part = np.int64(0), np.uint64(0)
            t.arrived = 1
    elif status == CONTINUE:
        t.rolling = 1
        t.waiting = 2
    elif status == STOP:
        t.rolling = 0
        t.waiting = 0
    elif status == SONG_POSITION and t.follows != 0:
        clocks = _POINTER * (first + 128 * second)
        t.whole, t.part = clocks // TICKS, np.uint64(clocks % TICKS // _POINTER) << np.uint64(62)
        t.arrived = 1
        t.joining = 1


@compiled
def forget_clock(c):
    """Begin with no tick heard."""
    c.stored = c.put = c.number = c.time = c.seen = c.patience = c.held_up = c.came_at_once = 0
    c.lost_at = -CLOCK_TICKS
    c.origin = c.period = c.spread = 0.0


@compiled
def carry_clock(c, old):
    """Go on with what another instance has heard."""
    c.stored, c.put, c.number, c.time, c.seen = old.stored, old.put, old.number, old.time, old.seen
    c.patience, c.held_up, c.came_at_once, c.lost_at = old.patience, old.held_up, old.came_at_once, old.lost_at
    c.origin, c.period, c.spread = old.origin, old.period, old.spread
    for k in range(CLOCK_TICKS):
        c.numbers[k] = old.numbers[k]
        c.times[k] = old.times[k]
    for k in range(CLOCK_LATEST):
        c.latest[k] = old.latest[k]
        c.in_fit[k] = old.in_fit[k]
