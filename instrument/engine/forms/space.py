"""Forms that bend space: twist, bend, shear and pinch move a point by where it lies, and by nothing else."""

from __future__ import annotations

import math

from instrument.engine.compiling.compiled import compiled
from instrument.engine.numeric.safe_math import formed_or, option, sincos_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_TWIST = offset_in(LAYER, "form.twist.amount")
_TWIST_BY = offset_in(LAYER, "form.twist.by")
_BEND = offset_in(LAYER, "form.bend.amount")
_BEND_INTO = offset_in(LAYER, "form.bend.into")
_SHEAR = offset_in(LAYER, "form.shear.amount")
_SLANT = offset_in(LAYER, "form.shear.x")
_PINCH = offset_in(LAYER, "form.pinch.amount")
_PINCH_RADIUS = offset_in(LAYER, "form.pinch.radius")
_PINCH_MIDDLE = offset_in(LAYER, "form.pinch.middle.x")

_TWO_PI = 2.0 * math.pi


@compiled
def twist(m, s, layer, first, last):
    """Turn every point about an axis, by an angle that grows with its radius or its place on that axis.

    Source: A. H. Barr, Global and local deformations of solid primitives, SIGGRAPH 1984, global axial twists; from memory.
    """
    base = layer * LAYER_SIZE
    amount = s.rows[base + _TWIST]
    by = s.rows[base + _TWIST_BY]
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    for i in range(first, last):
        a = x[i]
        b = y[i]
        c = z[i]
        way = option(by[i], 4)
        about_x = way == 1.0
        about_y = way == 2.0
        along = math.sqrt(a * a + b * b)
        along = a if about_x else along
        along = b if about_y else along
        along = c if way == 3.0 else along
        sine, cosine = sincos_turn(amount[i] * along)
        # The plane that turns, in the order that makes the turn right-handed: x to y, y to z, z to x.
        u = c if about_y else a
        u = b if about_x else u
        v = a if about_y else b
        v = c if about_x else v
        new_u = u * cosine - v * sine
        new_v = u * sine + v * cosine
        new_x = new_v if about_y else new_u
        new_y = new_u if about_x else new_v
        new_z = new_v if about_x else new_u
        x[i] = formed_or(a, a if about_x else new_x, amount[i])
        y[i] = formed_or(b, b if about_y else new_y, amount[i])
        z[i] = formed_or(c, new_z if about_x | about_y else c, amount[i])


@compiled
def bend(m, s, layer, first, last):
    """Roll the x axis up into an arc of constant curvature, with everything beside it."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _BEND]
    into = s.rows[base + _BEND_INTO]
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    for i in range(first, last):
        a = x[i]
        b = y[i]
        c = z[i]
        deep = option(into[i], 2) == 1.0
        v = c if deep else b
        # Of half the angle, so that the height of a flat arc, 1 - cos, does not drown in rounding.
        sine, cosine = sincos_turn(0.5 * amount[i] * a)
        double = 2.0 * sine
        radius = 1.0 / (_TWO_PI * amount[i])
        new_x = (double * cosine) * radius - v * (double * cosine)
        new_v = v * (1.0 - double * sine) + (double * sine) * radius
        x[i] = formed_or(a, new_x, amount[i])
        y[i] = formed_or(b, b if deep else new_v, amount[i])
        z[i] = formed_or(c, new_v if deep else c, amount[i])


@compiled
def shear(m, s, layer, first, last):
    """Slant the drawing: x moves with y, y with x, z with x, all by where the point was before."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _SHEAR]
    slant_x = s.rows[base + _SLANT]
    slant_y = s.rows[base + _SLANT + 1]
    slant_z = s.rows[base + _SLANT + 2]
    x = m.scratch_x
    y = m.scratch_y
    z = m.scratch_z
    for i in range(first, last):
        a = x[i]
        b = y[i]
        x[i] = formed_or(a, a + amount[i] * slant_x[i] * b, amount[i])
        y[i] = formed_or(b, b + amount[i] * slant_y[i] * a, amount[i])
        z[i] = formed_or(z[i], z[i] + amount[i] * slant_z[i] * a, amount[i])


@compiled
def _find_pinch(m, s, base, first, last):
    # The share of its distance from the middle that every point keeps.
    amount = s.rows[base + _PINCH]
    radius = s.rows[base + _PINCH_RADIUS]
    middle_x = s.rows[base + _PINCH_MIDDLE]
    middle_y = s.rows[base + _PINCH_MIDDLE + 1]
    middle_z = s.rows[base + _PINCH_MIDDLE + 2]
    kept = m.scratch_form[0]
    for i in range(first, last):
        u = m.scratch_x[i] - middle_x[i]
        v = m.scratch_y[i] - middle_y[i]
        w = m.scratch_z[i] - middle_z[i]
        reach = radius[i] * radius[i]
        felt = reach / (reach + (u * u + v * v + w * w))
        felt = felt if felt == felt else 0.0  # no radius, in the very middle
        kept[i] = 1.0 - amount[i] * felt


@compiled
def _draw_together(out, middle, kept, amount, first, last):
    for i in range(first, last):
        out[i] = formed_or(out[i], middle[i] + (out[i] - middle[i]) * kept[i], amount[i])


@compiled
def pinch(m, s, layer, first, last):
    """Draw the neighbourhood of a point together, or push it apart, most at the point itself."""
    base = layer * LAYER_SIZE
    amount = s.rows[base + _PINCH]
    _find_pinch(m, s, base, first, last)
    kept = m.scratch_form[0]
    _draw_together(m.scratch_x, s.rows[base + _PINCH_MIDDLE], kept, amount, first, last)
    _draw_together(m.scratch_y, s.rows[base + _PINCH_MIDDLE + 1], kept, amount, first, last)
    _draw_together(m.scratch_z, s.rows[base + _PINCH_MIDDLE + 2], kept, amount, first, last)
