"""Links: what they add to a parameter or multiply it by, at once or a fixed short time late."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.memory.layout import LINK_ADD, LINK_MULTIPLY, SHORT
from instrument.engine.numeric.bend import bent_both_ways
from instrument.engine.parameters import LINK, LINK_BASE, LINK_SIZE, offset_in

_DEPTH = offset_in(LINK, "depth")
_OFFSET = offset_in(LINK, "offset")
_BEND = offset_in(LINK, "bend")

_LARGEST = 1e9
"""A late link forgets what is beyond this, or no number: in a circle it would feed itself for ever."""


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
    if link.late != 0:
        goes = 0 if m.frozen != 0 else 1
        for i in range(n):
            change[i] = s.link_past[number, (m.time - m.still_time + i * goes) % SHORT]
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
def keep_link(m, p, s, number, n):
    """Keep what a late link comes to now for the time SHORT later."""
    _work_out(m, p, s, number, n)
    for i in range(n):
        change = m.scratch_bent[i]
        s.link_past[number, (m.time - m.still_time + i) % SHORT] = change if abs(change) < _LARGEST else 0.0


@compiled
def forget_link(p, s, number):
    """Let a late link change nothing until its time has come."""
    for i in range(SHORT):
        s.link_past[number, i] = 0.0 if p.links[number].operation == LINK_ADD else 1.0


@compiled
def carry_link(p, s, before, old, number):
    """Go on with a late link that the old program had as well."""
    now, then = p.links[number], before.links[number]
    same = now.modulator == then.modulator and now.param == then.param and now.operation == then.operation
    if same and then.late != 0 and number < before.n_links:
        for i in range(SHORT):
            s.link_past[number, i] = old.link_past[number, i]
    else:
        forget_link(p, s, number)
