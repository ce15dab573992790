"""The loop that leaves light where the beam has been: a curve through the points, spread evenly over its time."""

from __future__ import annotations

import math
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from instrument.common.compiled_loops import kernel, kernel_part

Floats: TypeAlias = npt.NDArray[np.float32]
Wave: TypeAlias = npt.NDArray[np.float64]

CELL = 8
"""Pixels between two points of the coarse field, which holds the halo and tells where there is light at all."""

REMEMBERED = 7
"""Numbers that `deposit` keeps from one call to the next: the latest three points, and whether there are any."""

_GATHER = 0.5
"""Pixels within which short steps become one point: fewer to draw, and no light lost to rounding at rest."""

_POINT = 1.5
"""Longest step in pixels drawn as a point: with the spot's width over it, such points leave no beads."""

_FLAT = 0.3
"""Largest distance in pixels of a curve from the lines that stand for it."""

_MOST_LINES = 32

_TABLE_BITS = 9
_TO_TABLE = 32 - _TABLE_BITS
_TABLE_MASK = (1 << _TABLE_BITS) - 1
_ONE = float(1 << 32)


def _spline_table() -> Floats:
    # Weights of the pixel before, the nearest and the one after, for each place from half a pixel before to half after.
    u = (np.arange(1 << _TABLE_BITS) + 0.5) / (1 << _TABLE_BITS) - 0.5
    return np.stack((0.5 * (0.5 - u) ** 2, 0.75 - u**2, 0.5 * (0.5 + u) ** 2), axis=1).astype(np.float32)


_SPLINE = _spline_table()

_FASTMATH = {"contract"}

compiled = kernel(fastmath=_FASTMATH)
inlined = kernel_part(fastmath=_FASTMATH)


@inlined
def _add_point(
    fine: Floats,
    columns: int,
    coarse: Floats,
    coarse_columns: int,
    x: float,
    y: float,
    energy: Wave,
    many: Any,
) -> None:
    # A quadratic B-spline: its width is the same wherever between the pixels the point lies, so nothing beats with them.
    lanes = len(many)
    column, row = int(x + 0.5), int(y + 0.5)
    u, v = x - column, y - row
    left, right = 0.5 * (0.5 - u) * (0.5 - u), 0.5 * (0.5 + u) * (0.5 + u)
    above, below = 0.5 * (0.5 - v) * (0.5 - v), 0.5 * (0.5 + v) * (0.5 + v)
    for j in range(3):
        w = above if j == 0 else (below if j == 2 else 1.0 - above - below)
        at = np.uint64(((row + j - 1) * columns + column - 1) * lanes)
        for k in range(lanes):
            e = w * energy[k]
            fine[at + np.uint64(k)] += np.float32(left * e)
            fine[at + np.uint64(lanes + k)] += np.float32((1.0 - left - right) * e)
            fine[at + np.uint64(2 * lanes + k)] += np.float32(right * e)
    _add_coarse(coarse, coarse_columns, x, y, 1.0, energy, many)


@inlined
def _add_coarse(coarse: Floats, coarse_columns: int, x: float, y: float, part: float, energy: Wave, many: Any) -> None:
    # Shared by the four nearest points of the coarse field, whose first lies half a cell outside.
    lanes = len(many)
    h, v = (x + 0.5 * (CELL + 1)) * (1.0 / CELL), (y + 0.5 * (CELL + 1)) * (1.0 / CELL)
    column, row = int(h), int(v)
    h -= column
    v -= row
    at = np.uint64((row * coarse_columns + column) * lanes)
    under = at + np.uint64(coarse_columns * lanes)
    for k in range(lanes):
        e = part * energy[k]
        coarse[at + np.uint64(k)] += np.float32((1.0 - h) * (1.0 - v) * e)
        coarse[at + np.uint64(lanes + k)] += np.float32(h * (1.0 - v) * e)
        coarse[under + np.uint64(k)] += np.float32((1.0 - h) * v * e)
        coarse[under + np.uint64(lanes + k)] += np.float32(h * v * e)


@inlined
def _add_line(
    fine: Floats,
    rows: int,
    columns: int,
    coarse: Floats,
    coarse_columns: int,
    ax: float,
    ay: float,
    bx: float,
    by: float,
    energy: Wave,
    many: Any,
) -> None:
    # Pixel by pixel along the longer axis, each with the time spent in it, spread over three pixels across.
    lanes = len(many)
    steep = abs(by - ay) > abs(bx - ax)
    a0, a1, b0, b1 = (ay, by, ax, bx) if steep else (ax, bx, ay, by)
    if a1 < a0:
        a0, a1, b0, b1 = a1, a0, b1, b0
    inverse = 1.0 / (a1 - a0)
    slope = (b1 - b0) * inverse
    most_a, most_b = (rows - 2.0, columns - 2.0) if steep else (columns - 2.0, rows - 2.0)
    lo, hi = max(a0, 1.0), min(a1, most_a)
    if slope != 0.0:
        enters, leaves = a0 + (1.0 - b0) / slope, a0 + (most_b - b0) / slope
        lo, hi = max(lo, min(enters, leaves)), min(hi, max(enters, leaves))
    elif not 1.0 <= b0 <= most_b:
        return
    if not lo < hi:
        return
    step_a, step_b = (columns * lanes, lanes) if steep else (lanes, columns * lanes)
    start, end = int(lo + 0.5), int(hi + 0.5)
    c = start
    while c <= end:
        # The first and the last pixel have a part of the time; those between have equal ones.
        left, right = max(lo, c - 0.5), min(hi, c + 0.5)
        part = (right - left) * inverse
        b = b0 + slope * (0.5 * (left + right) - a0)
        j = int(b + 0.5)
        u = b - j
        first = 0.5 * (0.5 - u) * (0.5 - u) * part
        third = 0.5 * (0.5 + u) * (0.5 + u) * part
        at = np.uint64(c * step_a + (j - 1) * step_b)
        for k in range(lanes):
            e = energy[k]
            fine[at + np.uint64(k)] += np.float32(first * e)
            fine[at + np.uint64(step_b + k)] += np.float32((part - first - third) * e)
            fine[at + np.uint64(2 * step_b + k)] += np.float32(third * e)
        c += 1
        if c == start + 1 and end - c > 1:
            # Place across the line in 2**-32 pixels, half a pixel on, so that its upper half is the nearest pixel.
            fixed = np.int64((b0 + slope * (c - a0) + 0.5) * _ONE)
            rise = np.int64(slope * _ONE)
            base = np.int64(c * step_a - step_b)
            amount = np.float32(energy[0] * inverse)
            for _ in range(end - c):
                w = np.uint64((fixed >> _TO_TABLE) & _TABLE_MASK)
                at = np.uint64(base + (fixed >> 32) * step_b)
                if lanes == 1:
                    fine[at] += amount * _SPLINE[w, 0]
                    fine[at + np.uint64(step_b)] += amount * _SPLINE[w, 1]
                    fine[at + np.uint64(2 * step_b)] += amount * _SPLINE[w, 2]
                else:
                    for q in range(3):
                        weight = _SPLINE[w, q]
                        for k in range(lanes):
                            fine[at + np.uint64(q * step_b + k)] += weight * np.float32(energy[k] * inverse)
                fixed += rise
                base += step_a
            c = end
    points = int((hi - lo) * (1.0 / CELL)) + 1
    step = (hi - lo) / points
    for c in range(points):
        a = lo + step * (c + 0.5)
        b = b0 + slope * (a - a0)
        x, y = (b, a) if steep else (a, b)
        _add_coarse(coarse, coarse_columns, x, y, step * inverse, energy, many)


@compiled
def deposit(
    fine: Floats,
    rows: int,
    columns: int,
    coarse: Floats,
    coarse_columns: int,
    path: Floats,
    matrix: Wave,
    weights: Wave,
    growth: Wave,
    curved: bool,
    finish: bool,
    remembered: Wave,
    many: Any,
) -> None:
    """Add the light of a path to both fields."""
    # In: points, the energies that the first one leaves, their growth from point to point. Out: fields, latest points.
    # Each point draws the piece that ends at the point before it, for only now its curve is known; n leave n energies.
    # Must never write outside the fields, whatever the points are: comparisons are false for nan.
    lanes = len(many)
    energy, share, gathered = np.empty(lanes), np.empty(lanes), np.zeros(lanes)
    energy[:] = weights
    x0, y0, x1, y1, x2, y2, known = remembered
    far = matrix[6]
    time = sum_x = sum_y = from_x = from_y = 0.0
    for i in range(len(path) + (1 if finish else 0)):
        x3 = y3 = np.nan
        if i < len(path):
            a, b = np.float64(path[i, 0]), np.float64(path[i, 1])
            x3 = matrix[0] * a + matrix[1] * b + matrix[2]
            y3 = matrix[3] * a + matrix[4] * b + matrix[5]
        there = abs(x3) <= far and abs(y3) <= far
        if known == 0.0:
            if there:
                x0, y0, x1, y1, x2, y2, known = x3, y3, x3, y3, x3, y3, 1.0
            for k in range(lanes):
                energy[k] *= growth[k]
            continue
        if not there:
            x3, y3, known = x2, y2, 0.0
        lines = 1
        mx, my, nx, ny = 0.5 * (x2 - x0), 0.5 * (y2 - y0), 0.5 * (x3 - x1), 0.5 * (y3 - y1)
        dx, dy = x2 - x1, y2 - y1
        if curved:
            bend = 0.25 * max(abs(dx - mx), abs(dy - my), abs(dx - nx), abs(dy - ny))
            if bend > _FLAT:
                lines = int(min(math.sqrt(bend / _FLAT), _MOST_LINES - 1.0)) + 1
        part = 1.0 / lines
        for k in range(lanes):
            share[k] = energy[k] * part
            energy[k] *= growth[k]
        bx, by = x1, y1
        for line in range(lines):
            ax, ay = bx, by
            bx, by = x2, y2
            if line < lines - 1:
                t = (line + 1) * part
                u = 1.0 - t
                bx = (1.0 + 2.0 * t) * u * u * x1 + t * u * (u * mx - t * nx) + t * t * (3.0 - 2.0 * t) * x2
                by = (1.0 + 2.0 * t) * u * u * y1 + t * u * (u * my - t * ny) + t * t * (3.0 - 2.0 * t) * y2
            length = max(abs(bx - ax), abs(by - ay))
            if time > 0.0 and (length > _GATHER or max(abs(bx - from_x), abs(by - from_y)) > _GATHER):
                x, y = sum_x / time, sum_y / time
                if 1.0 <= x <= columns - 2.0 and 1.0 <= y <= rows - 2.0:
                    _add_point(fine, columns, coarse, coarse_columns, x, y, gathered, many)
                time = sum_x = sum_y = 0.0
                gathered[:] = 0.0
            if length <= _POINT:
                # Gathered with what comes next, or, if it is too long for that, alone.
                if time == 0.0:
                    from_x, from_y = ax, ay
                time += part
                sum_x += part * 0.5 * (ax + bx)
                sum_y += part * 0.5 * (ay + by)
                for k in range(lanes):
                    gathered[k] += share[k]
            else:
                _add_line(fine, rows, columns, coarse, coarse_columns, ax, ay, bx, by, share, many)
        x0, y0, x1, y1, x2, y2 = x1, y1, x2, y2, x3, y3
    if time > 0.0:
        x, y = sum_x / time, sum_y / time
        if 1.0 <= x <= columns - 2.0 and 1.0 <= y <= rows - 2.0:
            _add_point(fine, columns, coarse, coarse_columns, x, y, gathered, many)
    remembered[0], remembered[1], remembered[2] = x0, y0, x1
    remembered[3], remembered[4], remembered[5], remembered[6] = y1, x2, y2, known
