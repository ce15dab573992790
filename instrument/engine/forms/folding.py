"""Forms that repeat or reflect: fold, wrap, mirror, copies and lattice."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.numeric.safe_math import blended, clamp, formed_or, option, sincos_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_FOLD = offset_in(LAYER, "form.fold.amount")
_FOLD_DRIVE = offset_in(LAYER, "form.fold.drive")
_FOLD_EDGE = offset_in(LAYER, "form.fold.edge.x")
_WRAP = offset_in(LAYER, "form.wrap.amount")
_WRAP_DRIVE = offset_in(LAYER, "form.wrap.drive")
_WRAP_EDGE = offset_in(LAYER, "form.wrap.edge.x")
_MIRROR = offset_in(LAYER, "form.mirror.amount")
_MIRROR_SHOW = offset_in(LAYER, "form.mirror.show")
_MIRROR_ANGLE = offset_in(LAYER, "form.mirror.angle")
_MIRROR_OFFSET = offset_in(LAYER, "form.mirror.offset")
_COPIES = offset_in(LAYER, "form.copies.amount")
_COPIES_COUNT = offset_in(LAYER, "form.copies.count")
_COPIES_SPREAD = offset_in(LAYER, "form.copies.spread")
_COPIES_GROWTH = offset_in(LAYER, "form.copies.growth")
_COPIES_STEP = offset_in(LAYER, "form.copies.step.x")
_LATTICE = offset_in(LAYER, "form.lattice.amount")
_LATTICE_PITCH = offset_in(LAYER, "form.lattice.pitch.x")

_MOST_COPIES = 2.0**31

_ALL_WHOLE = 2.0**52
"""From here on every float is whole; a lattice so fine, or of no pitch at all, changes nothing."""


@compiled
def _fold_axis(out, amount, drive, edge, first, last):
    # A triangle wave of the coordinate with the slope 1 of the coordinate itself: period 4 edges, height 1 edge.
    for i in range(first, last):
        e = abs(edge[i])
        v = out[i] * drive[i]
        u = v / e - 1.0
        u = u - 4.0 * np.floor(0.25 * u)
        folded = (abs(u - 2.0) - 1.0) * e
        folded = folded if abs(folded) <= e else 0.0  # no room between the edges
        folded = v if abs(v) <= e else folded  # within the edges exactly, without the rounding of the wave
        out[i] = blended(out[i], folded, amount[i])


@compiled
def fold(m, s, layer, first, last):
    """Enlarge x, y and z and fold what passes an edge back, again and again."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _FOLD]
    drive = s.rows[base + _FOLD_DRIVE]
    _fold_axis(m.scratch_x, amount, drive, s.rows[base + _FOLD_EDGE], first, last)
    _fold_axis(m.scratch_y, amount, drive, s.rows[base + _FOLD_EDGE + 1], first, last)
    _fold_axis(m.scratch_z, amount, drive, s.rows[base + _FOLD_EDGE + 2], first, last)


@compiled
def _wrap_axis(out, amount, drive, edge, first, last):
    for i in range(first, last):
        e = abs(edge[i])
        v = out[i] * drive[i]
        width = 2.0 * e
        wrapped = v - width * np.floor(v / width + 0.5)
        wrapped = wrapped if abs(wrapped) <= width else 0.0  # no room between the edges
        wrapped = v if abs(v) <= e else wrapped
        out[i] = blended(out[i], wrapped, amount[i])


@compiled
def wrap(m, s, layer, first, last):
    """Enlarge x, y and z and let what leaves on one side come in on the other."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _WRAP]
    drive = s.rows[base + _WRAP_DRIVE]
    _wrap_axis(m.scratch_x, amount, drive, s.rows[base + _WRAP_EDGE], first, last)
    _wrap_axis(m.scratch_y, amount, drive, s.rows[base + _WRAP_EDGE + 1], first, last)
    _wrap_axis(m.scratch_z, amount, drive, s.rows[base + _WRAP_EDGE + 2], first, last)


@compiled
def mirror(m, s, layer, first, last):
    """Reflect points in a line of the picture plane: in every second round, or those behind it."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _MIRROR]
    show = s.rows[base + _MIRROR_SHOW]
    angle = s.rows[base + _MIRROR_ANGLE]
    offset = s.rows[base + _MIRROR_OFFSET]
    rounds = m.scratch_rounds
    x = m.scratch_x
    y = m.scratch_y
    for i in range(first, last):
        # The normal looks to the right of an upright mirror, and downwards from a level one.
        sine, cosine = sincos_turn(angle[i])
        distance = x[i] * sine - y[i] * cosine - offset[i]
        behind = distance < 0.0
        half = 0.5 * rounds[i]
        odd = half != np.floor(half)
        reflected = behind if option(show[i], 2) == 1.0 else odd
        way = 2.0 * amount[i] * distance
        strength = amount[i] if reflected else 0.0
        x[i] = formed_or(x[i], x[i] - way * sine, strength)
        y[i] = formed_or(y[i], y[i] + way * cosine, strength)


@compiled
def copies(m, s, layer, first, last):
    """Draw round after round turned on, enlarged and shifted, until the copies are through."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _COPIES]
    count = s.rows[base + _COPIES_COUNT]
    spread = s.rows[base + _COPIES_SPREAD]
    growth = s.rows[base + _COPIES_GROWTH]
    step_x = s.rows[base + _COPIES_STEP]
    step_y = s.rows[base + _COPIES_STEP + 1]
    step_z = s.rows[base + _COPIES_STEP + 2]
    rounds = m.scratch_rounds
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    for i in range(first, last):
        n = np.floor(clamp(count[i], 1.0, _MOST_COPIES))
        copy = rounds[i] - n * np.floor(rounds[i] / n)
        strength = amount[i] if copy > 0.0 else 0.0  # the original is drawn as it is
        sine, cosine = sincos_turn(strength * (spread[i] * (copy / n)))
        size = 1.0 + strength * (growth[i] * copy)
        shift = strength * copy
        u = (x[i] * cosine - y[i] * sine) * size + step_x[i] * shift
        v = (x[i] * sine + y[i] * cosine) * size + step_y[i] * shift
        x[i] = formed_or(x[i], u, strength)
        y[i] = formed_or(y[i], v, strength)
        z[i] = formed_or(z[i], z[i] * size + step_z[i] * shift, strength)


@compiled
def _round_axis(out, amount, pitch, first, last):
    for i in range(first, last):
        step = abs(pitch[i])
        steps = out[i] / step
        nearest = np.floor(steps + 0.5)
        rounded = nearest * step if nearest != 0.0 else 0.0  # a lattice of infinite pitch has one point
        rounded = rounded if abs(steps) < _ALL_WHOLE else out[i]
        out[i] = blended(out[i], rounded, amount[i])


@compiled
def lattice(m, s, layer, first, last):
    """Round x, y and z to whole multiples of their pitch."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _LATTICE]
    _round_axis(m.scratch_x, amount, s.rows[base + _LATTICE_PITCH], first, last)
    _round_axis(m.scratch_y, amount, s.rows[base + _LATTICE_PITCH + 1], first, last)
    _round_axis(m.scratch_z, amount, s.rows[base + _LATTICE_PITCH + 2], first, last)
