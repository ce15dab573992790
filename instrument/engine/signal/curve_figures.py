"""Curves of the plane with a few numbers each, as sources: superformula, trochoid, spiral, phyllotaxis."""

from __future__ import annotations

import math

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.numeric.safe_math import clamp, exp2, finite, log2, sincos_turn, wrap_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_M = offset_in(LAYER, "source.m")
_N1 = offset_in(LAYER, "source.n1")
_N2 = offset_in(LAYER, "source.n2")
_N3 = offset_in(LAYER, "source.n3")
_FIXED = offset_in(LAYER, "source.fixed")
_ROLLING = offset_in(LAYER, "source.rolling")
_REACH = offset_in(LAYER, "source.reach")
_WINDINGS = offset_in(LAYER, "source.windings")
_INNER = offset_in(LAYER, "source.inner")
_GROWTH = offset_in(LAYER, "source.growth")
_RISE = offset_in(LAYER, "source.rise")
_FLORETS = offset_in(LAYER, "source.florets")
_DIVERGENCE = offset_in(LAYER, "source.divergence")
_DWELL = offset_in(LAYER, "source.dwell")

_LOBE = 8
"""Steps of a quarter turn at which the largest radius is looked for: both ends, where the usual ones have it, and the
middle, where those of large and like exponents do."""

_FEWEST = 1e-6
"""Least exponent n1 of either sign: 1/n1 would leave nothing to see."""

_MOST_LOBES = 1e6
_MOST_TEETH = 1000.0
_LARGEST = 1e6
_NARROWEST = 1e-4
"""Least inner radius of a logarithmic spiral, which has infinitely many turns before 0."""
_MOST_FLORETS = 10000.0


@compiled
def _octaves(turns, n1, n2, n3):
    # Logarithm of the superformula's radius.
    sine, cosine = sincos_turn(turns)
    total = exp2(n2 * log2(abs(cosine))) + exp2(n3 * log2(abs(sine)))
    steepness = n1 if abs(n1) > _FEWEST else (_FEWEST if n1 >= 0.0 else -_FEWEST)
    return -log2(total) / steepness


@compiled
def _largest(n1, n2, n3):
    found = _octaves(0.0, n1, n2, n3)
    for k in range(1, _LOBE + 1):
        here = _octaves(k / (4.0 * _LOBE), n1, n2, n3)
        found = here if here > found else found
    return found


@compiled
def draw_superformula(m, p, s, layer, first, last):
    """Fill x and y with the superformula, at full scale by its largest radius.

    r = (|cos(m phi / 4)|**n2 + |sin(m phi / 4)|**n3)**(-1 / n1): J. Gielis, A generic geometric transformation that
    unifies a wide range of natural and abstract shapes, American Journal of Botany 90 (2003), 333 to 338, with a = b = 1.

    In: the position of samples first to last; rows of m, n1, n2, n3. Out: x, y and z of the same. Never: a sample outside.
    """
    # A curve with a broken m does not close; its radius is blended between those of the whole numbers beside it. In
    # logarithms, since the radii of large exponents are beyond any float before they are brought to scale.
    base = layer * LAYER_SIZE
    lobes = s.rows[base + _M]
    n1 = s.rows[base + _N1]
    n2 = s.rows[base + _N2]
    n3 = s.rows[base + _N3]
    moving = s.moving[base + _N1] | s.moving[base + _N2] | s.moving[base + _N3]
    largest = _largest(n1[first], n2[first], n3[first])
    for i in range(first, last):
        if moving != 0:
            largest = _largest(n1[i], n2[i], n3[i])
        turns = wrap_turn(m.scratch_position[i])
        count = clamp(lobes[i], -_MOST_LOBES, _MOST_LOBES)
        whole = np.floor(count)
        part = count - whole
        radius = exp2(_octaves(0.25 * whole * turns, n1[i], n2[i], n3[i]) - largest)
        if part > 0.0:
            above = exp2(_octaves(0.25 * (whole + 1.0) * turns, n1[i], n2[i], n3[i]) - largest)
            radius = radius + part * (above - radius)
        sine, cosine = sincos_turn(turns)
        m.scratch_x[i] = finite(radius * cosine)
        m.scratch_y[i] = finite(radius * sine)
        m.scratch_z[i] = 0.0


@compiled
def _common_divisor(a, b):
    # Euclid's; both are whole and at most _MOST_TEETH, so that it ends within some fifteen steps.
    while b > 0.0:
        rest = a - np.floor(a / b) * b
        a = b
        b = rest
    return a


@compiled
def _roll(turns, fixed, rolling, reach):
    # Where the pen is for whole numbers of teeth, at full scale by the farthest that it can be; a wheel of no teeth
    # leaves the circle that it would roll on.
    wheel = abs(rolling)
    rounds = 1.0
    back = 0.0
    if wheel > 0.0:
        shared = _common_divisor(fixed, wheel)
        rounds = wheel / shared
        back = (fixed - rolling) / shared if rolling > 0.0 else -(fixed - rolling) / shared
    arm = fixed - rolling
    pen = reach * rolling
    sine, cosine = sincos_turn(wrap_turn(rounds * turns))
    turned, along = sincos_turn(wrap_turn(back * turns))
    size = abs(arm) + abs(pen)
    scale = 1.0 / size if size > 0.0 else 0.0
    return (arm * cosine + pen * along) * scale, (arm * sine - pen * turned) * scale


@compiled
def draw_trochoid(m, p, s, layer, first, last):
    """Fill x and y with a hypotrochoid, or where `rolling` is below 0 an epitrochoid, closed for any teeth.

    x = (R - r) cos a + d cos((R - r) a / r), y = (R - r) sin a - d sin((R - r) a / r), for as many turns of a as make
    both whole; with -r for r it is the epitrochoid. J. D. Lawrence, A Catalog of Special Plane Curves (1972), 160 to 170
    (pages from memory).

    In: the position of samples first to last; rows of fixed, rolling, reach. Out: x, y and z of the same. Never: a sample
    outside.
    """
    # Between whole numbers of teeth the four figures beside it are blended, each of which is closed.
    base = layer * LAYER_SIZE
    fixed = s.rows[base + _FIXED]
    rolling = s.rows[base + _ROLLING]
    reach = s.rows[base + _REACH]
    for i in range(first, last):
        turns = wrap_turn(m.scratch_position[i])
        d = clamp(reach[i], -_LARGEST, _LARGEST) if reach[i] == reach[i] else 0.0
        a = clamp(fixed[i], 1.0, _MOST_TEETH)
        b = clamp(rolling[i], -_MOST_TEETH, _MOST_TEETH) if rolling[i] == rolling[i] else 0.0
        a_whole = np.floor(a)
        b_whole = np.floor(b)
        a_part = a - a_whole
        b_part = b - b_whole
        x, y = _roll(turns, a_whole, b_whole, d)
        if a_part > 0.0:
            right_x, right_y = _roll(turns, a_whole + 1.0, b_whole, d)
            x += a_part * (right_x - x)
            y += a_part * (right_y - y)
        if b_part > 0.0:
            upper_x, upper_y = _roll(turns, a_whole, b_whole + 1.0, d)
            if a_part > 0.0:
                right_x, right_y = _roll(turns, a_whole + 1.0, b_whole + 1.0, d)
                upper_x += a_part * (right_x - upper_x)
                upper_y += a_part * (right_y - upper_y)
            x += b_part * (upper_x - x)
            y += b_part * (upper_y - y)
        m.scratch_x[i] = x
        m.scratch_y[i] = y
        m.scratch_z[i] = 0.0


@compiled
def draw_spiral(m, p, s, layer, first, last):
    """Fill x, y and z with a spiral, run outwards and back, at nearly constant speed.

    Archimedean: r = inner + (1 - inner) u, logarithmic: r = inner**(1 - u), at the angle `windings` u; `growth` blends
    the two radii (J. D. Lawrence, A Catalog of Special Plane Curves (1972), 184 to 186; pages from memory).

    In: the position of samples first to last; rows of windings, inner, growth, rise. Out: x, y and z of the same.
    Never: a sample outside.
    """
    # The beam must not be slow, and bright, within: the length of an Archimedean spiral grows as r**2 but for its first
    # turn, that of a logarithmic one as r, and so u is made of the way s.
    base = layer * LAYER_SIZE
    windings = s.rows[base + _WINDINGS]
    inner = s.rows[base + _INNER]
    growth = s.rows[base + _GROWTH]
    rise = s.rows[base + _RISE]
    for i in range(first, last):
        way = 1.0 - abs(2.0 * wrap_turn(m.scratch_position[i]) - 1.0)
        begin = clamp(inner[i], 0.0, 1.0)
        ratio = clamp(growth[i], 0.0, 1.0)
        below = math.sqrt(begin * begin + (1.0 - begin * begin) * way) + begin
        even = (1.0 + begin) * way / below if below > 0.0 else 0.0
        start = begin if begin > _NARROWEST else _NARROWEST
        span = log2(start)
        equal = log2(1.0 + way * (1.0 / start - 1.0)) / -span if span < -1e-9 else way
        u = even + ratio * (equal - even)
        straight = begin + (1.0 - begin) * u
        radius = straight + ratio * (exp2((1.0 - u) * span) - straight)
        sine, cosine = sincos_turn(finite(windings[i]) * u)
        m.scratch_x[i] = finite(radius * cosine)
        m.scratch_y[i] = finite(radius * sine)
        m.scratch_z[i] = finite(finite(rise[i]) * (1.0 - 2.0 * u))


@compiled
def _floret(k, count, divergence):
    # Number k from 1: distance from the middle, and where it is.
    radius = math.sqrt(k / count)
    sine, cosine = sincos_turn(wrap_turn(k * divergence))
    return radius, radius * cosine, radius * sine


@compiled
def draw_phyllotaxis(m, p, s, layer, first, last):
    """Fill x, y and z with the florets of a head one after the other, from the middle outwards and back to it.

    Floret n lies at the angle n times the divergence and at the distance c sqrt(n): H. Vogel, A better way to construct
    the sunflower head, Mathematical Biosciences 44 (1979), 179 to 189.

    In: the position of samples first to last; rows of florets, divergence, dwell, rise. Out: x, y and z of the same.
    Never: a sample outside.
    """
    base = layer * LAYER_SIZE
    florets = s.rows[base + _FLORETS]
    divergence = s.rows[base + _DIVERGENCE]
    dwell = s.rows[base + _DWELL]
    rise = s.rows[base + _RISE]
    for i in range(first, last):
        count = np.floor(clamp(florets[i] + 0.5, 1.0, _MOST_FLORETS))
        along = wrap_turn(m.scratch_position[i]) * count
        k = np.floor(clamp(along, 0.0, count - 1.0))
        rest = clamp(dwell[i], 0.0, 1.0)
        f = along - k
        f = (f - rest) / (1.0 - rest) if f > rest else 0.0
        # From one to the next it starts and stops gently, which rings less.
        f = f * f * (3.0 - 2.0 * f)
        angle = wrap_turn(divergence[i])
        following = k + 2.0 if k + 1.0 < count else 1.0
        r, x, y = _floret(k + 1.0, count, angle)
        r_after, x_after, y_after = _floret(following, count, angle)
        r = r + f * (r_after - r)
        m.scratch_x[i] = x + f * (x_after - x)
        m.scratch_y[i] = y + f * (y_after - y)
        m.scratch_z[i] = finite(rise[i]) * (1.0 - 2.0 * r * r)
