"""The loop over a block, and the C entry points that every driver and the offline renderer call."""

from __future__ import annotations

import numpy as np
from numba import cfunc, types

from instrument.engine.compiling import unit_entries  # noqa: F401 - loads what the callback calls by name
from instrument.engine.compiling.compiled import ENTRY_OPTIONS, compiled, keep_text, merged, quiet
from instrument.engine.compiling.units import LAYERS, MODULATE
from instrument.engine.controls.actions import black_out
from instrument.engine.memory.layout import CHUNK, FEEDBACK_DELAY_SAMPLES, HISTOGRAM, INPUT_FRAMES, RING_EVENTS
from instrument.engine.memory.machine import (
    address_of,
    as_event,
    as_memory,
    fence,
    flush_subnormals,
    monotonic_ns,
    restore_subnormals,
)
from instrument.engine.numeric.safe_math import finite
from instrument.engine.signal.events import apply_due_events, copy_event, next_time
from instrument.engine.signal.output import KNEE, LIMIT, run_guard, run_output
from instrument.engine.signal.ramp import advance_ramps

_modulate = MODULATE.call
_draw_layers = LAYERS.call

_UNDERFLOW = 0x4
_OVERFLOW = 0x8
"""paOutputUnderflow and paOutputOverflow, from portaudio.h (PaStreamCallbackFlags)."""

_CONTINUE = 0
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


@merged
def _run_instance(m, number, n):
    # Leaves the instance's two channels in mix_x and mix_y.
    s = m.instances[number]
    if s.slot < 0:
        for i in range(n):
            m.scratch_mix_x[i] = 0.0
            m.scratch_mix_y[i] = 0.0
        return
    advance_ramps(s, n)
    _modulate(address_of(m), number, n)
    _draw_layers(address_of(m), number, n)
    run_output(m, s, n)


@compiled
def _blend(new, old, left, length, n):
    for i in range(n):
        weight = (left - 1 - i) / length  # the first sample has already moved, the last one arrived
        new[i] = old[i] * weight + new[i] * (1.0 - weight)


@compiled
def _bridge(x, y, m, n):
    # A change amid a fade drops what was still fading out; the step that leaves is spread over the new fade.
    if m.bridging != 0:
        m.bridging = 0
        m.bridge[0] = m.latest[0] - x[0]
        m.bridge[1] = m.latest[1] - y[0]
        m.bridge_length = m.fade_length
        m.bridge_left = m.bridge_length
    if m.bridge_left > 0:
        for i in range(n):
            weight = max(m.bridge_left - i, 0) / m.bridge_length
            x[i] = x[i] + m.bridge[0] * weight
            y[i] = y[i] + m.bridge[1] * weight
        m.bridge_left = max(m.bridge_left - n, 0)
    m.latest[0] = x[n - 1]
    m.latest[1] = y[n - 1]


@merged
def _run_chunk(m, n):
    if m.fade_left > 0:
        _run_instance(m, 1 - m.active, n)
        for i in range(n):
            m.scratch_old_x[i] = m.scratch_mix_x[i]
            m.scratch_old_y[i] = m.scratch_mix_y[i]
    _run_instance(m, m.active, n)
    if m.fade_left > 0:
        _blend(m.scratch_mix_x, m.scratch_old_x, m.fade_left, m.fade_length, n)
        _blend(m.scratch_mix_y, m.scratch_old_y, m.fade_left, m.fade_length, n)
        m.fade_left -= n
        if m.fade_left == 0:
            m.instances[1 - m.active].slot = -1
    _bridge(m.scratch_mix_x, m.scratch_mix_y, m, n)
    s = m.instances[m.active]
    if s.slot >= 0:
        run_guard(m.scratch_mix_x, s.rows[KNEE], s.rows[LIMIT], n)
        run_guard(m.scratch_mix_y, s.rows[KNEE], s.rows[LIMIT], n)
    black_out(m, m.scratch_mix_x, m.scratch_mix_y, n)
    if m.frozen != 0:
        m.still_time += n


@compiled
def _emit(m, out, at, n):
    # To the device and to the ring that everybody else reads.
    mask = m.ring_frames - 1  # the length is a power of two
    peak_x = m.peak[0]
    peak_y = m.peak[1]
    for i in range(n):
        x = m.scratch_mix_x[i]
        y = m.scratch_mix_y[i]
        out[2 * (at + i)] = np.float32(x)
        out[2 * (at + i) + 1] = np.float32(y)
        slot = (m.ring_at + i) & mask
        m.ring[slot, 0] = np.float32(x)
        m.ring[slot, 1] = np.float32(y)
        peak_x = max(peak_x, abs(x))
        peak_y = max(peak_y, abs(y))
    m.peak[0] = peak_x
    m.peak[1] = peak_y
    fence()
    m.ring_at += n


@compiled
def _feeds_back(m, number):
    s = m.instances[number]
    return s.slot >= 0 and m.bank[s.slot].feeds_back != 0


@compiled
def _longest_chunk(m):
    # What begins while all stands still takes one step first, whatever the block.
    s = m.instances[m.active]
    if m.frozen != 0 and s.slot >= 0 and s.latest == 0:
        return np.int64(1)
    # Both instances run in step, so either may ask for short chunks; the length of chunks changes no bit.
    short = _feeds_back(m, m.active) or (m.fade_left > 0 and _feeds_back(m, 1 - m.active))
    return np.int64(FEEDBACK_DELAY_SAMPLES) if short else np.int64(CHUNK)


@compiled
def _take_in(m, incoming, at, n):
    # A single channel goes to both; without an input, which then has no address, both are silent.
    channels = m.input_channels
    if channels > 0:
        m.input_heard = 1
    for side in range(2):
        row = m.input_rows[side]
        if channels > 0:
            channel = min(np.int64(side), channels - 1)
            for i in range(n):
                row[i] = finite(np.float64(incoming[channels * (at + i) + channel]))
        else:
            for i in range(n):
                row[i] = 0.0
    if m.input_heard != 0:
        # Beside the output that it becomes; it is read when that is.
        for i in range(n):
            slot = (m.ring_at + i) & (INPUT_FRAMES - 1)
            m.input_ring[slot, 0] = np.float32(m.input_rows[0][i])
            m.input_ring[slot, 1] = np.float32(m.input_rows[1][i])


@merged
def render(m, incoming, out, frames):
    """Render interleaved stereo frames into `out`, applying the events of the memory's rings on the way.

    What comes in: the memory record, a float32 pointer to the live input (`input_channels` interleaved) and one with
    room for 2 * frames values.
    What goes out: all frames, always; the memory moved on by as much.
    What it must never do: allocate, raise, wait, call Python; nor let the block size show in the bits.
    """
    control_word = flush_subnormals()
    done = np.int64(0)
    while done < frames:
        apply_due_events(m)
        n = min(_longest_chunk(m), frames - done)
        n = min(n, next_time(m) - m.time)
        if m.fade_left > 0:
            n = min(n, m.fade_left)
        _take_in(m, incoming, done, n)
        _run_chunk(m, n)
        _emit(m, out, done, n)
        m.time += n
        done += n
    restore_subnormals(control_word)


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
