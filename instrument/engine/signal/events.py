"""Events: raw messages and typed changes, each applied on its own sample, and the copy that readers get."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined, merged
from instrument.engine.compiling.units import MESSAGE, RELEASE_ALL, START
from instrument.engine.controls.actions import act_on_all, act_on_instance
from instrument.engine.controls.snapshots import morph_samples, move_parameter, recall
from instrument.engine.memory.layout import (
    ACTIONS,
    EVENT_ACTION,
    EVENT_MIDI,
    EVENT_PANIC,
    EVENT_SET,
    EVENT_SWAP,
    FLAG_ASKED,
    FLAG_AT_ONCE,
    FLAG_CARRY,
    LOG_EVENTS,
    RING_EVENTS,
    RINGS,
    SLOTS,
)
from instrument.engine.memory.machine import address_of, fence
from instrument.engine.numeric.safe_math import clamp
from instrument.engine.parameters import COUNT
from instrument.engine.signal.ramp import set_parameter

LONGEST_FADE = 1e9
"""Samples; hours at any rate, and within what an index holds."""

_play_message = MESSAGE.call
_start = START.call

_NEXT = ACTIONS.index("next")
_PREVIOUS = ACTIONS.index("previous")
_PATCH = ACTIONS.index("patch")
_SNAPSHOT = ACTIONS.index("snapshot")
_MORPH = ACTIONS.index("morph")
_PANIC = ACTIONS.index("panic")

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
    before = m.active
    m.active = 1 - before
    program = m.bank[slot]
    _start(address_of(m), np.int64(m.active), np.int64(before), slot, np.int64(carry))
    fade = seconds if seconds > 0.0 else program.fade_seconds
    m.fade_length = np.int64(clamp(fade * m.rate + 0.5, 1.0, LONGEST_FADE))
    m.fade_left = m.fade_length


@compiled
def _set(m, p, s, event):
    index = np.int64(event.index)
    if (event.flags & FLAG_AT_ONCE) != 0:
        set_parameter(s, index, event.value, np.int64(0))
    else:
        move_parameter(m, p, s, index, event.value)


@compiled
def _log_asked(m, kind, index, value):
    copy = m.log[m.log_at % LOG_EVENTS]
    copy.time = m.time
    copy.value = value
    copy.kind = kind
    copy.index = index
    for k in range(3):
        copy.data[k] = np.uint8(0)
    copy.port = np.uint8(0)
    copy.flags = FLAG_ASKED
    fence()
    m.log_at += 1


@compiled
def _go_to_patch(m, number):
    # A patch of the set list whose program is not there yet is left to Python, which reads it in the log.
    if 0 <= number < m.set_count and m.set_slots[number] >= 0:
        m.set_at = number
        slot = np.int64(m.set_slots[number])
        # Which program that was is known here alone: Python fills the set list while it plays.
        _log_asked(m, EVENT_SWAP, slot, 0.0)
        _swap(m, slot, False, 0.0)


@compiled
def _act(m, action, value):
    count = max(np.int64(m.set_count), np.int64(1))
    number = np.int64(clamp(value + 0.5, 0.0, 1e6)) - 1
    if action == _NEXT:
        _go_to_patch(m, (m.set_at + 1) % count)
    elif action == _PREVIOUS:
        _go_to_patch(m, (m.set_at + count - 1) % count)
    elif action == _PATCH:
        _go_to_patch(m, number)
    act_on_all(m, action, value)
    s = m.instances[m.active]
    if s.slot < 0:
        return
    p = m.bank[s.slot]
    act_on_instance(p, s, action, value)
    if action == _SNAPSHOT:
        recall(m, p, s, value, np.int64(0))
    elif action == _MORPH:
        recall(m, p, s, value, morph_samples(m, s))
    elif action == _PANIC:
        _play_message(address_of(m), np.int64(RELEASE_ALL), np.int64(0), np.int64(0))


@compiled
def _answer(m):
    # What controls have asked for; a recall may change the program, so it comes after the message itself.
    count = m.asked_at if m.replaying == 0 else np.int64(0)
    for k in range(count):
        _log_asked(m, EVENT_ACTION, np.int64(m.asked[k].action), m.asked[k].value)
        _act(m, m.asked[k].action, m.asked[k].value)
    m.asked_at = 0


@merged
def _apply(m, event):
    s = m.instances[m.active]
    if event.kind == EVENT_SWAP:
        if 0 <= event.index < SLOTS:
            _swap(m, np.int64(event.index), (event.flags & FLAG_CARRY) != 0, event.value)
        return
    if event.kind == EVENT_ACTION:
        _act(m, event.index, event.value)
        return
    if s.slot < 0:
        return
    p = m.bank[s.slot]
    if event.kind == EVENT_MIDI:
        data = event.data
        _play_message(address_of(m), np.int64(data[0]), np.int64(data[1]), np.int64(data[2]))
        _answer(m)
    elif event.kind == EVENT_SET and 0 <= event.index < COUNT:
        _set(m, p, s, event)
    elif event.kind == EVENT_PANIC:
        _play_message(address_of(m), np.int64(RELEASE_ALL), np.int64(0), np.int64(0))


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
