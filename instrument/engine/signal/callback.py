"""C entry points of the engine: the stream callback that every driver and the offline renderer call."""

from __future__ import annotations

import numpy as np
from numba import cfunc, types

from instrument.engine.compiling import (  # noqa: F401 - loads what the callback calls by name
    unit_controls,
    unit_forms,
    unit_formula,
    unit_layer_draw,
    unit_layer_notes,
    unit_layers,
    unit_message,
    unit_modulate,
    unit_start,
)
from instrument.engine.compiling.compiled import ENTRY_OPTIONS, compiled, keep_text, quiet
from instrument.engine.memory.layout import HISTOGRAM, RING_EVENTS
from instrument.engine.memory.machine import as_event, as_memory, fence, monotonic_ns
from instrument.engine.signal.events import copy_event
from instrument.engine.signal.render import render

_UNDERFLOW = 0x4
_OVERFLOW = 0x8
"""paOutputUnderflow and paOutputOverflow, from portaudio.h (PaStreamCallbackFlags)."""

_CONTINUE = 0


@compiled
def _anchor(m, now):
    # Readers take the pair again when the count is odd or has changed meanwhile.
    m.anchor_count += 1
    fence()
    m.anchor_time = m.time
    m.anchor_ns = now
    fence()
    m.anchor_count += 1


@compiled
def _count(m, frames, took, flags):
    c = m.counters
    c.callbacks += 1
    c.frames += frames
    if flags & _UNDERFLOW:
        c.underflows += 1
    if flags & _OVERFLOW:
        c.overflows += 1
    c.total_ns += took
    c.longest_ns = max(c.longest_ns, took)
    c.smallest_block = frames if c.smallest_block == 0 else min(c.smallest_block, frames)
    c.largest_block = max(c.largest_block, frames)
    c.histogram[min(took // 1000, HISTOGRAM - 1)] += 1


@compiled
def run_block(m, incoming, out, frames, flags):
    """Render one block and note when it began, how long it took and what the device reported."""
    began = monotonic_ns()
    _anchor(m, began)
    render(m, incoming, out, frames)
    _count(m, frames, monotonic_ns() - began, flags)


_run_block = quiet(run_block)

STREAM_SIGNATURE = types.int32(
    types.CPointer(types.float32),
    types.CPointer(types.float32),
    types.uint64,
    types.voidptr,
    types.uint64,
    types.voidptr,
)
"""PaStreamCallback of portaudio.h: input, output, frames, time information, status flags, user data."""

PUSH_SIGNATURE = types.int32(types.voidptr, types.int64, types.voidptr)
"""Memory, number of the ring, event to copy."""


@cfunc(STREAM_SIGNATURE, cache=True, **ENTRY_OPTIONS)
def stream_callback(incoming, outgoing, frames, time_info, flags, memory):
    """Fill `outgoing` with interleaved stereo frames; `memory` is the address of the engine's memory."""
    _run_block((as_memory(memory), incoming, outgoing, np.int64(frames), np.int64(flags)))
    return _CONTINUE


@cfunc(PUSH_SIGNATURE, cache=True, **ENTRY_OPTIONS)
def push_callback(memory, ring, event):
    """Copy an event into a ring and only then let the reader see it; 0 if the ring is full."""
    m = as_memory(memory)
    row = m.rings[ring]
    if row.tail - row.head >= RING_EVENTS:
        m.counters.refused_events += 1
        return 0
    given = as_event(event)
    copy_event(row.events[row.tail % RING_EVENTS], given)
    fence()
    row.tail += 1
    return 1


keep_text("stream", stream_callback)
keep_text("push", push_callback)
