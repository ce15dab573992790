"""Events: raw messages and typed changes, each applied on its own sample, and the copy that readers get."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiled import compiled, inlined, merged
from instrument.engine.control import apply_midi, release_all
from instrument.engine.instance import start_instance
from instrument.engine.layout import (
    EVENT_MIDI,
    EVENT_PANIC,
    EVENT_SET,
    EVENT_SWAP,
    FLAG_AT_ONCE,
    FLAG_CARRY,
    LOG_EVENTS,
    RING_EVENTS,
    RINGS,
    SLOTS,
)
from instrument.engine.machine import fence
from instrument.engine.numeric import clamp
from instrument.engine.parameters import COUNT
from instrument.engine.ramp import set_parameter

LONGEST_FADE = 1e9
"""Samples; hours at any rate, and within what an index holds."""

NEVER = np.int64(1) << np.int64(62)


@compiled
def next_ring(m):
    """Return the ring whose next event is due first, or -1; among equals the lowest ring."""
    best = -1
    earliest = NEVER
    for r in range(RINGS):
        ring = m.rings[r]
        if ring.head < ring.tail:
            time = ring.events[ring.head % RING_EVENTS].time
            if best < 0 or time < earliest:
                best = r
                earliest = time
    return best


@compiled
def next_time(m):
    """Return the sample time of the next event, or a time that never comes."""
    r = next_ring(m)
    if r < 0:
        return NEVER
    ring = m.rings[r]
    return np.int64(ring.events[ring.head % RING_EVENTS].time)


@inlined
def copy_event(to, event):
    """Copy one event record over another."""
    to.time = event.time
    to.value = event.value
    to.kind = event.kind
    to.index = event.index
    to.data[0] = event.data[0]
    to.data[1] = event.data[1]
    to.data[2] = event.data[2]
    to.port = event.port
    to.flags = event.flags


@compiled
def _log(m, event):
    copy = m.log[m.log_at % LOG_EVENTS]
    copy_event(copy, event)
    copy.time = m.time
    fence()
    m.log_at += 1


@compiled
def _swap(m, slot, carry, seconds):
    # Both instances play during the fade; an earlier fade still under way ends here, and is bridged.
    if m.fade_left > 0:
        m.bridging = 1
    old = m.instances[m.active]
    m.active = 1 - m.active
    new = m.instances[m.active]
    program = m.bank[slot]
    start_instance(m, program, new, old, slot, carry)
    fade = seconds if seconds > 0.0 else program.fade_seconds
    m.fade_length = np.int64(clamp(fade * m.rate + 0.5, 1.0, LONGEST_FADE))
    m.fade_left = m.fade_length


@compiled
def _set(m, p, s, event):
    samples = np.int64(p.ramp_seconds * m.rate + 0.5)
    if (event.flags & FLAG_AT_ONCE) != 0 or p.jumps[event.index] != 0:
        samples = np.int64(0)
    set_parameter(s, np.int64(event.index), event.value, samples)


@merged
def _apply(m, event):
    s = m.instances[m.active]
    if event.kind == EVENT_SWAP:
        if 0 <= event.index < SLOTS:
            _swap(m, np.int64(event.index), (event.flags & FLAG_CARRY) != 0, event.value)
        return
    if s.slot < 0:
        return
    p = m.bank[s.slot]
    if event.kind == EVENT_MIDI:
        apply_midi(m, p, s, np.int64(event.data[0]), np.int64(event.data[1]), np.int64(event.data[2]))
    elif event.kind == EVENT_SET and 0 <= event.index < COUNT:
        _set(m, p, s, event)
    elif event.kind == EVENT_PANIC:
        release_all(m, p, s, np.int64(-1))


@merged
def apply_due_events(m):
    """Apply every event whose time has come, in order of time and ring."""
    while True:
        r = next_ring(m)
        if r < 0:
            return
        ring = m.rings[r]
        event = ring.events[ring.head % RING_EVENTS]
        if event.time > m.time:
            return
        if 0 < event.time < m.time:
            m.counters.late_events += 1
        _log(m, event)
        _apply(m, event)
        fence()
        ring.head += 1
