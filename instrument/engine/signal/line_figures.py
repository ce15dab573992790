"""Figures woven of many lines, as sources: globe, landscape, strings."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.forms.along_path import hashed
from instrument.engine.numeric.safe_math import clamp, finite, sincos_turn, wrap_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in

_PARALLELS = offset_in(LAYER, "source.parallels")
_MERIDIANS = offset_in(LAYER, "source.meridians")
_ROWS = offset_in(LAYER, "source.rows")
_RELIEF = offset_in(LAYER, "source.relief")
_ROUGH = offset_in(LAYER, "source.rough")
_SEED = offset_in(LAYER, "source.seed")
_DRIFT = offset_in(LAYER, "source.drift")
_STRINGS = offset_in(LAYER, "source.strings")
_TIMES = offset_in(LAYER, "source.times")
_OFFSET = offset_in(LAYER, "source.offset")
_SECOND = offset_in(LAYER, "source.second")
_RISE = offset_in(LAYER, "source.rise")

_MOST_PARALLELS = 60.0
_MOST_MERIDIANS = 1000.0
_MOST_ROWS = 256.0
_HILLS = 3.0
"""Large hills from left to right and from front to back."""
_OCTAVES = 4
_FARTHEST = 2.0**40
"""Drift beyond which hills would lose their fraction."""
_LARGEST_SEED = 2.0**53
_MOST_STRINGS = 5000.0


@compiled
def _measure_parallels(lengths, parallels):
    # Length of every parallel as a share of a great circle, and all together; a broken number has one near the pole.
    count = np.int64(np.ceil(parallels))
    total = 0.0
    for k in range(count):
        sine, _ = sincos_turn(0.5 * min((k + 1.0) / (parallels + 1.0), 1.0))
        lengths[k] = sine
        total += sine
    return total


@compiled
def _walk(lengths, parallels, meridians, way):
    # Place on the line after a way in great circles: angle from the upper pole along the circle, the circle's
    # number, and where the beam is on a parallel, below 0 where it is on none. The first circle meets every parallel on its
    # way down and runs round it; the others follow from pole to pole and back.
    gap = 0.5 / (parallels + 1.0)
    count = np.int64(np.ceil(parallels))
    down = 0.0
    for k in range(count):
        here = min((k + 1.0) * gap, 0.5)
        if way < here - down:
            return down + way, 0.0, -1.0
        way -= here - down
        down = here
        if way < lengths[k]:
            return down, 0.0, way / lengths[k]
        way -= lengths[k]
    if way < 1.0 - down:
        return down + way, 0.0, -1.0
    way -= 1.0 - down
    number = np.floor(way)
    part = meridians - 1.0 - number
    local = (way - number) / part if part < 1.0 else way - number
    return clamp(local, 0.0, 1.0), number + 1.0, -1.0


@compiled
def draw_globe(m, p, s, layer, first, last):
    """Fill x, y and z with circles of latitude and longitude on the unit sphere, the axis along y; one closed line.

    In: the position of samples first to last; rows of parallels and meridians. Out: x, y and z of the same. Never: a
    sample outside.
    """
    # Equal shares of time for equal lengths; of a broken number of meridians the last has a part of its time.
    base = layer * LAYER_SIZE
    parallels = s.rows[base + _PARALLELS]
    meridians = s.rows[base + _MERIDIANS]
    lengths = m.scratch_form[0]
    before = -1.0
    around = 0.0
    for i in range(first, last):
        rings = clamp(parallels[i], 0.0, _MOST_PARALLELS)
        circles = clamp(meridians[i], 1.0, _MOST_MERIDIANS)
        if rings != before:
            around = _measure_parallels(lengths, rings)
            before = rings
        way = wrap_turn(m.scratch_position[i]) * (around + circles)
        angle, number, along = _walk(lengths, rings, circles, way)
        out, up = sincos_turn(angle)
        turn = along if along >= 0.0 else 0.5 * number / circles
        sine, cosine = sincos_turn(turn)
        m.scratch_x[i] = out * cosine
        m.scratch_y[i] = up
        m.scratch_z[i] = out * sine


@compiled
def _height_at(key, x, z):
    # Random number from -1 to 1 of a corner of the grid.
    number = np.uint64(np.int64(x)) ^ (np.uint64(np.int64(z)) << np.uint64(32))
    bits = hashed(number, key)
    return np.float64(np.int64(bits >> np.uint64(12))) * (1.0 / 2251799813685248.0) - 1.0


@inlined
def _smooth(f):
    return f * f * (3.0 - 2.0 * f)


@compiled
def _hills(key, x, z, rough):
    # Noise on grids of halving size, blended smoothly between their corners.
    total = 0.0
    size = 1.0
    sum_of_sizes = 0.0
    for _ in range(_OCTAVES):
        west = np.floor(x)
        south = np.floor(z)
        across = _smooth(x - west)
        ahead = _smooth(z - south)
        near = _height_at(key, west, south)
        near += across * (_height_at(key, west + 1.0, south) - near)
        far = _height_at(key, west, south + 1.0)
        far += across * (_height_at(key, west + 1.0, south + 1.0) - far)
        total += size * (near + ahead * (far - near))
        sum_of_sizes += size
        size *= rough
        x = 2.0 * x
        z = 2.0 * z
        key += np.uint64(1)
    return total / sum_of_sizes


@compiled
def _cross(along, rows):
    # Where on the ground the beam is, x and z from -1 to 1: over every second row to the far end and back over the
    # others, to and fro, so that the line closes and nothing is drawn twice.
    stride = 4.0 / (rows - 1.0)
    k = np.floor(clamp(along * rows, 0.0, rows - 1.0))
    way = (along * rows - k) * (2.0 + stride)
    half = 0.5 * rows
    row = 2.0 * k if k < half else 2.0 * (rows - 1.0 - k) + 1.0
    after = k + 1.0 if k + 1.0 < rows else 0.0
    following = 2.0 * after if after < half else 2.0 * (rows - 1.0 - after) + 1.0
    side = -1.0 if k - 2.0 * np.floor(0.5 * k) == 0.0 else 1.0
    x = side * (1.0 - way) if way < 2.0 else -side
    f = clamp((way - 2.0) / stride, 0.0, 1.0)
    row = row + f * (following - row)
    return x, 2.0 * row / (rows - 1.0) - 1.0


@compiled
def draw_landscape(m, p, s, layer, first, last):
    """Fill x, y and z with lines over hills: x across, y up, z into the depth.

    The hills are noise on a grid, smooth between its corners, in octaves of which each has half the size and `rough` times
    the height of the one before: after K. Perlin, An image synthesizer, Computer Graphics 19 (1985), 287 to 296.

    In: the position of samples first to last; rows of rows, relief, rough, seed, drift. Out: x, y and z of the same.
    Never: a sample outside.
    """
    base = layer * LAYER_SIZE
    count = s.rows[base + _ROWS]
    relief = s.rows[base + _RELIEF]
    rough = s.rows[base + _ROUGH]
    seed = s.rows[base + _SEED]
    drift = s.rows[base + _DRIFT]
    for i in range(first, last):
        rows = 2.0 * np.floor(0.5 * clamp(count[i] + 1.0, 2.0, _MOST_ROWS))
        whole = np.floor(clamp(seed[i], -_LARGEST_SEED, _LARGEST_SEED) + 0.5)
        key = hashed(np.uint64(np.int64(whole)), np.uint64(0))
        x, z = _cross(wrap_turn(m.scratch_position[i]), rows)
        ahead = drift[i] if abs(drift[i]) < _FARTHEST else 0.0
        hills = _hills(key, 0.5 * _HILLS * (x + 1.0), 0.5 * _HILLS * (z + 1.0) + ahead, clamp(rough[i], 0.0, 1.0))
        m.scratch_x[i] = x
        m.scratch_y[i] = finite(finite(relief[i]) * hills)
        m.scratch_z[i] = z


@compiled
def _on_first(turns, rise):
    sine, cosine = sincos_turn(turns)
    return cosine, sine, rise


@compiled
def _on_second(turns, times, offset, second, rise):
    sine, cosine = sincos_turn(wrap_turn(times * turns + offset))
    return second * cosine, second * sine, -rise


@compiled
def draw_strings(m, p, s, layer, first, last):
    """Fill x, y and z with straight strings from points of one circle to those of another, which is run `times` as fast.

    With `times` 2 the strings of one circle touch a cardioid, with 3 a nephroid (L. Cremona, from memory; checked in the
    tests); with 1, an offset and a rise they lie on a hyperboloid.

    In: the position of samples first to last; rows of strings, times, offset, second, rise. Out: x, y and z of the same.
    Never: a sample outside.
    """
    # One line: along a string, a step on that circle to the next nail, and back along the next string. With an odd number
    # of them the last leads from the second circle back to the beginning.
    base = layer * LAYER_SIZE
    strings = s.rows[base + _STRINGS]
    times = s.rows[base + _TIMES]
    offset = s.rows[base + _OFFSET]
    second = s.rows[base + _SECOND]
    rise = s.rows[base + _RISE]
    for i in range(first, last):
        count = clamp(strings[i], 1.0, _MOST_STRINGS)
        end = np.ceil(count) - 1.0
        step = min(1.0, 4.0 / count)
        leg = 1.0 + step
        d = wrap_turn(m.scratch_position[i]) * count
        k = np.floor(clamp(d, 0.0, end))
        # A last one that is less than whole is run through in that part of the time.
        share = count - end if k == end else 1.0
        way = clamp((d - k) / share, 0.0, 1.0) * leg
        along = clamp(way, 0.0, 1.0)
        beyond = clamp((way - 1.0) / step, 0.0, 1.0)
        even = k - 2.0 * np.floor(0.5 * k) == 0.0
        u = k / count
        following = (k + 1.0) / count if k < end else 1.0
        t = finite(times[i])
        ahead = offset[i] if abs(offset[i]) < _FARTHEST else 0.0
        radius = finite(second[i])
        high = finite(rise[i])
        ax, ay, az = _on_first(u, high)
        bx, by, bz = _on_second(u, t, ahead, radius, high)
        if not even:
            ax, ay, az, bx, by, bz = bx, by, bz, ax, ay, az
        x = ax + along * (bx - ax)
        y = ay + along * (by - ay)
        z = az + along * (bz - az)
        if beyond > 0.0:
            if even and k < end:
                x, y, z = _on_second(u + beyond * (following - u), t, ahead, radius, high)
            elif even:
                cx, cy, cz = _on_first(1.0, high)
                x = bx + beyond * (cx - bx)
                y = by + beyond * (cy - by)
                z = bz + beyond * (cz - bz)
            else:
                x, y, z = _on_first(u + beyond * (following - u), high)
        m.scratch_x[i] = finite(x)
        m.scratch_y[i] = finite(y)
        m.scratch_z[i] = finite(z)
