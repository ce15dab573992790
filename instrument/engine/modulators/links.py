"""Links, and the feedback delay: what is read against the order of evaluation is FEEDBACK_DELAY_SAMPLES old.

A link adds depth * modulator + offset to its parameter's row, or multiplies. Links of a patch form a directed graph; where it
has a circle, one link of it (`schedule.delayed_links`) acts with what it came to a fixed number of samples ago. Layers that
are read by modulators, or by layers before them, are delayed by as much. Each history is a ring of just that many values,
indexed by sample time: slot t modulo its length is read for time t, then overwritten with what time t comes to. Chunks of
such a program are never longer than the ring, so every value is read before it is overwritten.
"""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import CHUNK, FEEDBACK_DELAY_SAMPLES, LINK_ADD, LINK_MULTIPLY
from instrument.engine.numeric.safe_math import bent_both_ways, finite
from instrument.engine.parameters import LAYERS, LINK, LINK_BASE, LINK_SIZE, offset_in

_DEPTH = offset_in(LINK, "depth")
_OFFSET = offset_in(LINK, "offset")
_BEND = offset_in(LINK, "bend")

_LARGEST = 1e9
"""A delayed link forgets what is beyond this, or no number: in a circle it would feed itself for ever."""


@compiled
def begin_target(s, index, n):
    """Lay a linked parameter's own value into its row; a ramp has done so already."""
    # Otherwise links of the last chunk are still in it.
    if s.filled[index] == 0:
        row = s.rows[index]
        value = s.value[index]
        for i in range(np.uint64(n)):
            row[i] = value


@compiled
def _work_out(m, p, s, number, n):
    # Into scratch_bent: offset + depth * what the modulator is, bent.
    base = LINK_BASE + number * LINK_SIZE
    moved_by = s.modulator_rows[p.links[number].modulator]
    depth = s.rows[base + _DEPTH]
    offset = s.rows[base + _OFFSET]
    bend = s.rows[base + _BEND]
    out = m.scratch_bent
    end = np.uint64(n)
    if s.moving[base + _BEND] == 0 and bend[0] == 0.0:
        for i in range(end):
            out[i] = offset[i] + depth[i] * moved_by[i]
    else:
        for i in range(end):
            out[i] = offset[i] + depth[i] * bent_both_ways(moved_by[i], bend[i])


@compiled
def apply_link(m, p, s, number, n):
    """Add a link to its parameter's row, or multiply, for n samples."""
    link = p.links[number]
    row = s.rows[link.param]
    change = m.scratch_bent
    if link.delayed != 0:
        goes = 0 if m.frozen != 0 else 1
        for i in range(n):
            change[i] = s.link_history[number, (m.time - m.still_time + i * goes) % FEEDBACK_DELAY_SAMPLES]
    else:
        _work_out(m, p, s, number, n)
    end = np.uint64(n)
    if link.operation == LINK_MULTIPLY:
        for i in range(end):
            row[i] = row[i] * change[i]
    else:
        for i in range(end):
            row[i] = row[i] + change[i]


@compiled
def store_delayed_link(m, p, s, number, n):
    """Keep what a delayed link comes to now for the time FEEDBACK_DELAY_SAMPLES later."""
    _work_out(m, p, s, number, n)
    for i in range(n):
        change = m.scratch_bent[i]
        s.link_history[number, (m.time - m.still_time + i) % FEEDBACK_DELAY_SAMPLES] = (
            change if abs(change) < _LARGEST else 0.0
        )


@compiled
def reset_delayed_link(p, s, number):
    """Let a delayed link change nothing until its time has come."""
    for i in range(FEEDBACK_DELAY_SAMPLES):
        s.link_history[number, i] = 0.0 if p.links[number].operation == LINK_ADD else 1.0


@compiled
def carry_delayed_link(p, s, before, old, number):
    """Go on with a delayed link that the old program had as well."""
    now, then = p.links[number], before.links[number]
    same = now.modulator == then.modulator and now.param == then.param and now.operation == then.operation
    if same and then.delayed != 0 and number < before.n_links:
        for i in range(FEEDBACK_DELAY_SAMPLES):
            s.link_history[number, i] = old.link_history[number, i]
    else:
        reset_delayed_link(p, s, number)


@compiled
def store_layer_row(s, layer, axis, signal, level, first, last):
    """Keep what other layers read of a layer; one that waits for its turn stays where it has stopped."""
    row = s.layer_rows[layer, axis]
    for i in range(first, last):
        row[i] = finite(signal[i] * level[i])
    if last > first:
        held = row[last - np.uint64(1)]
        s.held[layer, axis] = held
        for i in range(last, np.uint64(CHUNK)):
            row[i] = held


@compiled
def read_delayed_layers(m, s, n):
    """Fill `delayed_rows` for n samples, and let every layer rest where it is until it draws."""
    for layer in range(LAYERS):
        for axis in range(2):
            for i in range(n):
                s.delayed_rows[layer, axis, i] = s.layer_history[layer, axis, (m.time + i) % FEEDBACK_DELAY_SAMPLES]
                s.layer_rows[layer, axis, i] = s.held[layer, axis]


@compiled
def store_layers(m, s, n):
    """Keep the chunk's n samples for the time FEEDBACK_DELAY_SAMPLES later."""
    for layer in range(LAYERS):
        for axis in range(2):
            for i in range(n):
                s.layer_history[layer, axis, (m.time + i) % FEEDBACK_DELAY_SAMPLES] = s.layer_rows[layer, axis, i]
