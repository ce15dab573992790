"""Compiled process callback of JACK, called every period: MIDI in on its frames, the engine, live input, MIDI out.

The state below is one record that the process callback reads and writes. Who writes what besides:

* the thread that owns the driver: the handles of ports, always before the count that lets the callback see them;
* one other thread: ``inbox``, by `push_to_inbox` (messages of other systems' ports);
* the thread that owns the driver: ``outbox``, by `push_to_outbox`;
* JACK's own thread of notices: ``xruns``, ``rate``, ``period``, ``gone``, ``graph``.
"""

from __future__ import annotations

import ctypes
from typing import Any

import llvmlite.binding
import numpy as np
from numba import cfunc, from_dtype, types

from instrument.audio.device_output import FEED_ADDRESS
from instrument.audio.jack.library import PROCESS_FUNCTIONS, process_function
from instrument.engine.compiling.compiled import ENTRY_OPTIONS, compiled, quiet
from instrument.engine.engine import CALLBACK_ADDRESS
from instrument.engine.memory.layout import EVENT, EVENT_MIDI, RING, RING_EVENTS, RING_MIDI
from instrument.engine.memory.machine import address, as_event, as_memory, fence, pointer_to, record_at
from instrument.engine.notes.midi_numbers import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CONTROL_CHANGE,
    NOTE_OFF,
    NOTE_ON,
    PROGRAM_CHANGE,
    RESET_CONTROLLERS,
    SOSTENUTO,
    SUSTAIN,
)
from instrument.engine.signal.events import copy_event
from instrument.engine.signal.render import PUSH_SIGNATURE, STREAM_SIGNATURE, push_callback

PORTS = 32
"""MIDI inputs, and MIDI outputs, open at once."""

CHANNELS = 5
"""As in outlet."""

OUT_EVENTS = 1024
"""Messages that wait to be sent: a second of a MIDI cable's 31,250 baud (MIDI 1.0, Hardware)."""

SLICE = 1024
"""Frames given to the engine at once; a longer period is several slices."""

NONE = np.int64(1) << np.int64(62)

OUT_EVENT = np.dtype(
    [
        ("time", "i8"),  # sample it is to be sent on; anything past means "at once"
        ("port", "i4"),
        ("size", "i4"),
        ("data", "u1", (8,)),  # up to three bytes
    ],
    align=True,
)

STATE = np.dtype(
    [
        ("own", "u8"),  # address of this record
        ("memory", "u8"),  # address of the engine's memory
        ("ready", "i8"),  # 1 once both outputs are there, 0 again when nothing is to be played any more
        ("inside", "i8"),  # 1 while a period is played
        ("outputs", "u8", (CHANNELS,)),
        ("n_outputs", "i8"),  # 2, or more where an outlet makes them
        ("outlet", "u8"),  # address of an outlet's state, or 0
        ("per_frame", "f8"),  # samples of the engine for each frame of the server
        ("inputs", "u8", (2,)),
        ("n_inputs", "i8"),  # channels of live input: 0, 1 or 2
        ("sources", "u8", (PORTS,)),  # MIDI inputs ...
        ("numbers", "u1", (PORTS,)),  # ... and the numbers that their messages carry
        ("n_sources", "i8"),
        ("targets", "u8", (PORTS,)),
        ("n_targets", "i8"),
        ("client", "u8"),  # handle of the client where the count of frames shows lost periods, or 0
        ("due_frame", "i8"),  # of the next period if none is lost; -1 before the first
        ("calls", "i8"),  # periods so far, played or not
        ("fade_left", "i8"),  # frames that are still to be faded in ...
        ("fade_length", "i8"),  # ... of so many
        ("xruns", "i8"),
        ("xruns_told", "i8"),  # those that the engine's counters hold
        ("rate", "i8"),
        ("period", "i8"),
        ("gone", "i8"),  # 1 once the server has ended
        ("graph", "i8"),  # grows whenever a port of any client comes or goes
        ("received", "i8"),  # complete messages
        ("sent", "i8"),
        ("event", "u8", (3,)),  # jack_midi_event_t: time (32 bits), size, address of the bytes
        ("due", "i8", (PORTS,)),  # offset of each input's next message
        ("next", "i8", (PORTS,)),
        ("count", "i8", (PORTS,)),
        ("buffers", "u8", (PORTS,)),
        ("held", "u1", (PORTS, 16, 128)),  # 1 while a key is down
        ("pedals", "u1", (PORTS, 16, 2)),  # latest value of sustain and sostenuto
        ("given", EVENT),
        ("inbox", RING),
        ("out_head", "i8"),
        ("out_tail", "i8"),
        ("outbox", OUT_EVENT, (OUT_EVENTS,)),
        ("rendered", "f4", (CHANNELS * SLICE,)),
        ("taken", "f4", (2 * SLICE,)),
    ],
    align=True,
)

STATE_TYPE = from_dtype(STATE)


def _offset(field: str) -> int:
    fields = STATE.fields
    return int(fields[field][1]) if fields is not None else 0


_EVENT, _GIVEN, _OUTBOX = _offset("event"), _offset("given"), _offset("outbox")
_RENDERED, _TAKEN = _offset("rendered"), _offset("taken")
_OUT_SIZE = OUT_EVENT.itemsize
_DATA = int(OUT_EVENT.fields["data"][1]) if OUT_EVENT.fields is not None else 0

_UNDERFLOW = 0x4
"""paOutputUnderflow of portaudio.h: what the engine's callback is told of a period that was lost."""

_LONGEST_LOSS = 48_000
"""Frames; a longer jump of their count, or one back, is that of another device's clock."""

for _name in PROCESS_FUNCTIONS:
    llvmlite.binding.add_symbol(f"beamhand_{_name}", process_function(_name))
llvmlite.binding.add_symbol("beamhand_stream", CALLBACK_ADDRESS)
llvmlite.binding.add_symbol("beamhand_feed", FEED_ADDRESS)
llvmlite.binding.add_symbol("beamhand_push", int(push_callback.address))

# Named symbols, unlike addresses, may be kept in the compile cache.
_get_buffer = types.ExternalFunction("beamhand_jack_port_get_buffer", types.voidptr(types.voidptr, types.uint32))
_event_count = types.ExternalFunction("beamhand_jack_midi_get_event_count", types.uint32(types.voidptr))
_event_get = types.ExternalFunction(
    "beamhand_jack_midi_event_get", types.int32(types.voidptr, types.voidptr, types.uint32)
)
_clear_buffer = types.ExternalFunction("beamhand_jack_midi_clear_buffer", types.void(types.voidptr))
_event_write = types.ExternalFunction(
    "beamhand_jack_midi_event_write", types.int32(types.voidptr, types.uint32, types.voidptr, types.uint64)
)
_last_frame_time = types.ExternalFunction("beamhand_jack_last_frame_time", types.uint32(types.voidptr))
_stream = types.ExternalFunction("beamhand_stream", STREAM_SIGNATURE)
_feed = types.ExternalFunction("beamhand_feed", STREAM_SIGNATURE)
_push = types.ExternalFunction("beamhand_push", PUSH_SIGNATURE)


as_state = record_at(STATE_TYPE)
"""Reads an untyped pointer as the record above."""

_untyped = pointer_to(types.voidptr)
_floats = pointer_to(types.CPointer(types.float32))
_bytes = pointer_to(types.CPointer(types.uint8))


@compiled
def _note_down(s, source, status, first, second):
    # What a controller holds, so that it can be let go of when the controller goes.
    channel = status & 0x0F
    kind = status & 0xF0
    if kind == NOTE_ON and second > 0:
        s.held[source, channel, first] = 1
    elif NOTE_OFF <= kind <= NOTE_ON:
        s.held[source, channel, first] = 0
    elif kind == CONTROL_CHANGE:
        if first == SUSTAIN:
            s.pedals[source, channel, 0] = second
        elif first == SOSTENUTO:
            s.pedals[source, channel, 1] = second
        elif first == RESET_CONTROLLERS:
            s.pedals[source, channel, 0] = 0
            s.pedals[source, channel, 1] = 0
        elif first == ALL_SOUND_OFF or first >= ALL_NOTES_OFF:
            for key in range(128):
                s.held[source, channel, key] = 0


@compiled
def _deliver(s, source, time, status, first, second):
    given = s.given
    given.time = time
    given.value = 0.0
    given.kind = EVENT_MIDI
    given.index = 0
    given.data[0] = status
    given.data[1] = first
    given.data[2] = second
    given.port = s.numbers[source]
    given.flags = 0
    _push(_untyped(s.memory), RING_MIDI, _untyped(s.own + np.uint64(_GIVEN)))
    s.received += 1
    if status < 0xF0:
        _note_down(s, source, status, first, second)


@compiled
def _decode(s, source, time, data, size):
    # As midi.decode.complete_messages, to which a test compares it.
    status = 0
    first = -1
    for i in range(size):
        byte = int(data[i])
        if byte >= 0xF8:
            if byte == 0xF8 or 0xFA <= byte <= 0xFC:
                _deliver(s, source, time, byte, 0, 0)
        elif byte >= NOTE_OFF:
            status = byte if byte <= 0xF2 and byte != 0xF0 and byte != 0xF1 else 0
            first = -1
        elif status == 0:
            continue
        elif (status & 0xE0) == PROGRAM_CHANGE:
            _deliver(s, source, time, status, byte, 0)
        elif first < 0:
            first = byte
        else:
            _deliver(s, source, time, status, first, byte)
            first = -1
            if status == 0xF2:
                status = 0


@compiled
def _look_at_next(s, source, frames):
    # When, within this period, an input's next message is due.
    s.due[source] = NONE
    event = _untyped(s.own + np.uint64(_EVENT))
    while s.next[source] < s.count[source]:
        if _event_get(event, _untyped(s.buffers[source]), np.uint32(s.next[source])) == 0:
            s.due[source] = min(np.int64(s.event[0] & np.uint64(0xFFFFFFFF)), frames - 1)
            return
        s.next[source] += 1


@compiled
def _take_inbox(s, until):
    # Messages of other systems' ports, whose samples lie before `until`, go before JACK's of the same sample.
    inbox = s.inbox
    while inbox.head < inbox.tail:
        event = inbox.events[inbox.head % RING_EVENTS]
        if event.time >= until:
            return
        copy_event(s.given, event)
        _push(_untyped(s.memory), RING_MIDI, _untyped(s.own + np.uint64(_GIVEN)))
        fence()
        inbox.head += 1


@compiled
def _take_midi(s, now, frames):
    # All inputs merged in order of time; among equals the lowest comes first.
    n = s.n_sources
    for k in range(n):
        s.buffers[k] = address(_get_buffer(_untyped(s.sources[k]), np.uint32(frames)))
        s.next[k] = 0
        s.count[k] = np.int64(_event_count(_untyped(s.buffers[k])))
        _look_at_next(s, k, frames)
    while True:
        best = 0
        for k in range(1, n):
            if s.due[k] < s.due[best]:
                best = k
        if n == 0 or s.due[best] == NONE:
            break
        time = now + np.int64(s.due[best] * s.per_frame)
        _take_inbox(s, time + 1)
        event = _untyped(s.own + np.uint64(_EVENT))
        if _event_get(event, _untyped(s.buffers[best]), np.uint32(s.next[best])) == 0:
            _decode(s, best, time, _bytes(s.event[2]), np.int64(s.event[1]))
        s.next[best] += 1
        _look_at_next(s, best, frames)
    _take_inbox(s, now + np.int64(frames * s.per_frame))


@compiled
def _send_midi(s, now, frames):
    # What finds no room in a period's buffer waits for the next one.
    for k in range(s.n_targets):
        s.buffers[k] = address(_get_buffer(_untyped(s.targets[k]), np.uint32(frames)))
        _clear_buffer(_untyped(s.buffers[k]))
    at = np.int64(0)
    while s.out_head < s.out_tail:
        slot = s.out_head % OUT_EVENTS
        event = s.outbox[slot]
        at = max(at, np.int64((event.time - now) / s.per_frame))
        if at >= frames:
            return
        if 0 <= event.port < s.n_targets:
            data = s.own + np.uint64(_OUTBOX + _DATA + slot * _OUT_SIZE)
            buffer = _untyped(s.buffers[event.port])
            if _event_write(buffer, np.uint32(at), _untyped(data), np.uint64(event.size)) != 0:
                return
            s.sent += 1
        fence()
        s.out_head += 1


@compiled
def _render(s, frames, flags):
    # JACK has a buffer for each channel, the engine one for all.
    channels = s.n_inputs
    outputs = s.n_outputs
    taken = _floats(s.own + np.uint64(_TAKEN))
    rendered = _floats(s.own + np.uint64(_RENDERED))
    as_memory(_untyped(s.memory)).input_channels = channels
    nothing = _untyped(np.uint64(0))
    done = np.int64(0)
    while done < frames:
        n = min(np.int64(SLICE), frames - done)
        for channel in range(channels):
            live = _floats(address(_get_buffer(_untyped(s.inputs[channel]), np.uint32(frames))))
            for i in range(n):
                taken[channels * i + channel] = live[done + i]
        if s.ready == 0:
            for i in range(outputs * n):
                rendered[i] = np.float32(0.0)
        elif s.outlet != 0:
            _feed(taken, rendered, np.uint64(n), nothing, flags, _untyped(s.outlet))
        else:
            _stream(taken, rendered, np.uint64(n), nothing, flags, _untyped(s.memory))
        flags = np.uint64(0)
        for channel in range(outputs):
            out = _floats(address(_get_buffer(_untyped(s.outputs[channel]), np.uint32(frames))))
            for i in range(n):
                out[done + i] = rendered[outputs * i + channel]
            left = s.fade_left - done
            for i in range(min(n, left)):
                out[done + i] *= np.float32(1.0 - (left - i) / s.fade_length)
        done += n
    s.fade_left = max(s.fade_left - frames, 0)


@compiled
def _has_lost_periods(s, frames):
    # The count of frames is of 32 bits and starts anew.
    now = np.int64(_last_frame_time(_untyped(s.client)))
    missed = (now - s.due_frame) & np.int64(0xFFFFFFFF)
    known = s.due_frame >= 0
    s.due_frame = (now + frames) & np.int64(0xFFFFFFFF)
    return known and 0 < missed <= _LONGEST_LOSS


@compiled
def run_period(s, frames):
    """Play one period.

    What comes in: the state, the period's length in frames.
    What goes out: both outputs filled, always; messages taken and sent on their frames.
    What it must never do: allocate, raise, wait, call Python.
    """
    s.calls += 1
    lost = s.client != 0 and _has_lost_periods(s, frames)
    s.inside = 1
    fence()
    xruns = np.int64(s.xruns)
    flags = np.uint64(_UNDERFLOW) if lost or xruns != s.xruns_told else np.uint64(0)
    s.xruns_told = xruns
    if s.ready != 0:
        now = np.int64(as_memory(_untyped(s.memory)).time)
        _send_midi(s, now, frames)
        _take_midi(s, now, frames)
    _render(s, frames, flags)
    fence()
    s.inside = 0


_run_period = quiet(run_period)


@cfunc(types.int32(types.uint32, types.voidptr), cache=True, **ENTRY_OPTIONS)
def process(frames: Any, state: Any) -> Any:
    """JackProcessCallback: the state's address is the argument."""
    _run_period((as_state(state), np.int64(frames)))
    return 0


@cfunc(types.int32(types.voidptr), cache=True, **ENTRY_OPTIONS)
def count_xrun(state: Any) -> Any:
    """JackXRunCallback."""
    as_state(state).xruns += 1
    return 0


@cfunc(types.int32(types.uint32, types.voidptr), cache=True, **ENTRY_OPTIONS)
def note_period(frames: Any, state: Any) -> Any:
    """JackBufferSizeCallback."""
    as_state(state).period = frames
    return 0


@cfunc(types.int32(types.uint32, types.voidptr), cache=True, **ENTRY_OPTIONS)
def note_rate(rate: Any, state: Any) -> Any:
    """JackSampleRateCallback."""
    as_state(state).rate = rate
    return 0


@cfunc(types.void(types.uint32, types.int32, types.voidptr), cache=True, **ENTRY_OPTIONS)
def note_port(port: Any, registered: Any, state: Any) -> None:
    """JackPortRegistrationCallback."""
    as_state(state).graph += 1


@cfunc(types.void(types.voidptr), cache=True, **ENTRY_OPTIONS)
def note_shutdown(state: Any) -> None:
    """JackShutdownCallback."""
    as_state(state).gone = 1


@cfunc(types.void(types.voidptr), cache=True, **ENTRY_OPTIONS)
def be_quiet(text: Any) -> None:
    """Take what the library would print, and print nothing."""


@compiled
def _copy_in(s, event):
    inbox = s.inbox
    if inbox.tail - inbox.head >= RING_EVENTS:
        return
    copy_event(inbox.events[inbox.tail % RING_EVENTS], event)
    fence()
    inbox.tail += 1


_put_in = quiet(_copy_in)


@cfunc(types.void(types.voidptr, types.voidptr), cache=True, **ENTRY_OPTIONS)
def push_to_inbox(state: Any, event: Any) -> None:
    """Copy an event into the inbox and only then let the callback see it; its caller has looked for room."""
    _put_in((as_state(state), as_event(event)))


@cfunc(types.void(types.voidptr), cache=True, **ENTRY_OPTIONS)
def publish_outbox(state: Any) -> None:
    """Let the callback see the message that has been written at the outbox's tail."""
    fence()
    as_state(state).out_tail += 1


push = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_void_p)(int(push_to_inbox.address))
"""`push_to_inbox` for Python: addresses of a state and of an event."""

publish = ctypes.CFUNCTYPE(None, ctypes.c_void_p)(int(publish_outbox.address))
"""`publish_outbox` for Python: address of a state."""
