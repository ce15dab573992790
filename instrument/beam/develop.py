"""The loops that turn light into pixels: spot and halo over the fields, the tone table, and what has gone dark."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from instrument.common.compiled_loops import kernel, kernel_part

Floats: TypeAlias = npt.NDArray[np.float32]
Cells: TypeAlias = npt.NDArray[np.uint8]

CELL = 8
"""Pixels in a cell, in both directions (`instrument.beam.deposit.CELL`)."""

STEP_BITS = 16
"""Lowest bits of a float32 that the tone table leaves out: 128 steps for each doubling are left."""

FIRST_STEP = (127 - 16) << (23 - STEP_BITS)
STEPS = 28 << (23 - STEP_BITS)
"""The table goes from 2**-16, which no pixel shows, to 2**12. A float32 is sign, 8 bits of exponent plus 127, and 23
bits of fraction (IEEE 754-2019, 3.4), so its upper bits are a logarithm."""

GLOW = 1
CORE = 2
"""Marks of a cell: scattered light alone, or the spot's own as well."""

_FASTMATH = {"contract", "nsz", "reassoc"}

compiled = kernel(fastmath=_FASTMATH)
inlined = kernel_part(fastmath=_FASTMATH)


@compiled
def find_lit(coarse: Floats, rows: int, columns: int, reach: int, cells: Cells, many: Any) -> bool:
    """Mark the cells that light can be in, its spot included; return whether there is any."""
    # In: the coarse field, whose first point belongs to the cell before the first; cells to widen by. Out: CORE or 0.
    # Must never leave a lit pixel of the fine field in a cell that it does not mark.
    lanes = len(many)
    stride = (columns + 2) * lanes
    cells[:] = 0
    found = False
    for r in range(rows):
        row = coarse[(r + 1) * stride + lanes : (r + 1) * stride + (columns + 1) * lanes]
        for c in range(columns):
            lit = False
            for k in range(lanes):
                lit = lit or row[c * lanes + k] != 0.0
            if lit:
                found = True
                left, right = max(c - reach, 0), min(c + reach + 1, columns)
                for q in range(max(r - reach, 0), min(r + reach + 1, rows)):
                    for p in range(left, right):
                        cells[q, p] = CORE
    return found


@compiled
def forget_dark(
    fine: Floats,
    coarse: Floats,
    rows: int,
    columns: int,
    cells: Cells,
    scale: Floats,
    dark: Floats,
    many: Any,
) -> None:
    """Bring both fields to their true scale, and cut off what is too dark to see."""
    # In: marked cells, the scale of each exponential, the least that is kept. Out: the fields, to be read with a scale of 1.
    # Must never leave a subnormal number behind, nor light in the fine field where the coarse one has none.
    lanes = len(many)
    width = columns * CELL
    for r in range(rows):
        for c in range(columns):
            if cells[r, c] == 0:
                continue
            for y in range(r * CELL, (r + 1) * CELL):
                at = (y * width + c * CELL) * lanes
                for x in range(CELL):
                    for k in range(lanes):
                        value = fine[at + x * lanes + k] * scale[k]
                        fine[at + x * lanes + k] = value if value > dark[k] else np.float32(0.0)
    eighth = np.float32(1.0 / CELL)
    for i in range(len(coarse) // lanes):
        for k in range(lanes):
            value = coarse[i * lanes + k] * scale[k]
            coarse[i * lanes + k] = value if value > eighth * dark[k] else np.float32(0.0)


@compiled
def spread_glow(
    coarse: Floats, rows: int, columns: int, share: Floats, taps: Floats, glow: Floats, many: Any, two: Any
) -> None:
    """Blur the coarse field into the halo."""
    # In: the coarse field, amplitudes by colour and exponential, half of a symmetric kernel. Out: `glow`, same grid.
    # Must never read or write outside the grid.
    lanes, planes = len(many), len(two)
    reach = len(taps) - 1
    across = np.zeros((rows, columns), np.float32)
    for p in range(planes):
        plane = glow[p]
        for r in range(rows):
            line = across[r]
            line[:] = 0.0
            for c in range(columns):
                value = np.float32(0.0)
                for k in range(lanes):
                    value += share[p, k] * coarse[(r * columns + c) * lanes + k]
                if value != 0.0:
                    line[c] += taps[0] * value
                    for j in range(1, reach + 1):
                        if c >= j:
                            line[c - j] += taps[j] * value
                        if c + j < columns:
                            line[c + j] += taps[j] * value
        for r in range(rows):
            line = plane[r]
            middle = across[r]
            for c in range(columns):
                line[c] = taps[0] * middle[c]
            for j in range(1, reach + 1):
                for q in (r - j, r + j):
                    if 0 <= q < rows:
                        other, weight = across[q], taps[j]
                        for c in range(columns):
                            line[c] += weight * other[c]


@compiled
def find_glow(glow: Floats, rows: int, columns: int, least: np.float32, cells: Cells) -> None:
    """Mark the cells in which the halo can be seen."""
    # In: halo by colour. Out: GLOW in cells not marked yet where the halo within them reaches `least`.
    # Must never unmark a cell.
    for p in range(len(glow)):
        for r in range(rows):
            for c in range(columns):
                if cells[r, c] == 0:
                    most = np.float32(0.0)
                    for q in range(3):
                        for o in range(3):
                            most = max(most, glow[p, r + q, c + o])
                    if most > least:
                        cells[r, c] = GLOW


@inlined
def _mix(fine: Floats, share: Floats, out: Floats, many: Any, two: Any) -> None:
    # What each pixel shows of its exponentials together, for all colours in one reading; rounding may leave their
    # difference a little below nothing.
    lanes, planes = len(many), len(two)
    for x in range(out.shape[1]):
        one = other = np.float32(0.0)
        for k in range(lanes):
            one += share[0, k] * fine[x * lanes + k]
        out[0, x] = max(one, np.float32(0.0))
        if planes == 2:
            for k in range(lanes):
                other += share[1, k] * fine[x * lanes + k]
            out[1, x] = max(other, np.float32(0.0))


@inlined
def _blur_across(wide: Floats, taps: Floats, out: Floats) -> None:
    # `wide` has as many pixels more on each side of `out` as the spot reaches.
    reach, n = len(taps) - 1, len(out)
    middle, left, right = (
        wide[reach : reach + n],
        wide[reach - 1 : reach - 1 + n],
        wide[reach + 1 : reach + 1 + n],
    )
    w0, w1 = taps[0], taps[1]
    for x in range(n):
        out[x] = w0 * middle[x] + w1 * (left[x] + right[x])
    j = 2
    while j <= reach:
        w0 = taps[j]
        a, b = wide[reach - j : reach - j + n], wide[reach + j : reach + j + n]
        if j < reach:
            w1 = taps[j + 1]
            c, d = wide[reach - j - 1 : reach - j - 1 + n], wide[reach + j + 1 : reach + j + 1 + n]
            for x in range(n):
                out[x] += w0 * (a[x] + b[x]) + w1 * (c[x] + d[x])
        else:
            for x in range(n):
                out[x] += w0 * (a[x] + b[x])
        j += 2


@inlined
def _blur_upwards(ring: Floats, y: int, a: int, b: int, taps: Floats, out: Floats) -> None:
    # Added to `out`, from rows that the ring holds for as far as the spot reaches.
    reach, slots = len(taps) - 1, len(ring)
    at = y % slots
    j = 0
    while j <= reach:
        w0 = taps[j] if j else np.float32(0.5) * taps[0]
        p, q = ring[(at - j + slots) % slots, a:b], ring[(at + j) % slots, a:b]
        if j < reach:
            w1 = taps[j + 1]
            r, s = ring[(at - j - 1 + slots) % slots, a:b], ring[(at + j + 1) % slots, a:b]
            for x in range(len(out)):
                out[x] += w0 * (p[x] + q[x]) + w1 * (r[x] + s[x])
        else:
            for x in range(len(out)):
                out[x] += w0 * (p[x] + q[x])
        j += 2


@inlined
def _expand(points: Floats, out: Floats) -> None:
    # A row of the coarse grid as pixels: half of each cell lies before its own point and half behind it.
    rise = np.float32(1.0 / CELL)
    for c in range(len(out) // CELL):
        before, own, after = points[c], points[c + 1], points[c + 2]
        for x in range(CELL // 2):
            out[c * CELL + x] = before + (np.float32(x) + np.float32(0.5 * (CELL + 1))) * rise * (own - before)
            out[c * CELL + CELL // 2 + x] = own + (np.float32(x) + np.float32(0.5)) * rise * (after - own)


@inlined
def _look_up(light: Floats, tone: npt.NDArray[np.uint32], out: npt.NDArray[np.uint32]) -> None:
    bits = light.view(np.int32)
    for x in range(len(out)):
        step = min(max((bits[x] >> STEP_BITS) - FIRST_STEP, 0), STEPS - 1)
        out[x] = tone[np.uint32(step)]


@compiled
def develop(
    fine: Floats,
    columns: int,
    share: Floats,
    taps_x: Floats,
    taps_y: Floats,
    glow: Floats,
    cells: Cells,
    shown: Cells,
    offset: tuple[int, int],
    tone: npt.NDArray[np.uint32],
    primaries: Floats,
    marks: tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.uint32]],
    pixels: npt.NDArray[np.uint32],
    light: Floats,
    many: Any,
    two: Any,
) -> tuple[int, int, int, int]:
    """Bring the pixels of marked cells up to date, and of those that were marked last time."""
    # In: the fields, marked cells, cells of last time, tone table, graticule. Out: pixels, cells of this time, their box.
    # Must never read outside the fields: the margin is wider than the spot reaches and a whole number of cells.
    lanes, planes = len(many), len(two)
    height, width = pixels.shape
    top, left = offset
    reach = len(taps_y) - 1
    slots = 2 * reach + 1
    aside = len(taps_x) - 1
    count = columns // CELL
    ring = np.zeros((planes, slots, columns), np.float32)
    full = np.zeros(slots, np.uint8)
    wide = np.empty((planes, columns), np.float32)
    value = np.zeros((planes, columns), np.float32)
    halo = np.zeros((planes, 2, columns), np.float32)
    expanded = -1
    runs, n_runs = np.empty((count + 1, 2), np.int64), 0
    touched, n_touched = np.empty((count + 1, 2), np.int64), 0
    low_x, low_y, high_x, high_y = width, height, 0, 0
    next_row = top - reach
    for y in range(top, top + height):
        band = y // CELL
        if y == top or y % CELL == 0:
            # Runs of cells in this band: the spot's own light, and all that has to be written.
            n_runs = n_touched = 0
            c, last = left // CELL, (left + width + CELL - 1) // CELL
            while c < last:
                begin = c
                while c < last and cells[band, c] == CORE:
                    c += 1
                if c > begin:
                    runs[n_runs, 0], runs[n_runs, 1] = begin * CELL, c * CELL
                    n_runs += 1
                c += 1
            c = left // CELL
            while c < last:
                begin = c
                while c < last and (cells[band, c] != 0 or shown[band, c] != 0):
                    c += 1
                if c > begin:
                    touched[n_touched, 0], touched[n_touched, 1] = begin * CELL, min(c * CELL, left + width)
                    n_touched += 1
                c += 1
            if n_touched:
                low_x = min(low_x, touched[0, 0] - left)
                high_x = max(high_x, touched[n_touched - 1, 1] - left)
                low_y = min(low_y, y - top)
                high_y = min(band * CELL + CELL - top, height)
        # Rows of the field that the spot reaches from here.
        while next_row <= y + reach:
            slot = next_row % slots
            if full[slot]:
                full[slot] = 0
                ring[:, slot, :] = 0.0
            start = next_row * columns
            c = 0
            while c < count:
                begin = c
                while c < count and cells[next_row // CELL, c] == CORE:
                    c += 1
                if c > begin:
                    full[slot] = 1
                    a, b = max(begin * CELL, aside), min(c * CELL, columns - aside)
                    if lanes == 1:
                        _blur_across(fine[start + a - aside : start + b + aside], taps_x, ring[0, slot, a:b])
                    else:
                        mixed = wide[:, : b - a + 2 * aside]
                        first = (start + a - aside) * lanes
                        _mix(fine[first : first + mixed.shape[1] * lanes], share, mixed, many, two)
                        for p in range(planes):
                            _blur_across(mixed[p], taps_x, ring[p, slot, a:b])
                c += 1
            next_row += 1
        if n_touched == 0:
            continue
        # The halo lies between rows of the coarse grid, whose first is half a cell before the field.
        upper = (y + CELL // 2) // CELL
        if upper != expanded:
            for p in range(planes):
                _expand(glow[p, upper], halo[p, 0])
                _expand(glow[p, upper + 1], halo[p, 1])
            expanded = upper
        part = np.float32((y + 0.5 * (CELL + 1)) / CELL - upper)
        for p in range(planes):
            for t in range(n_touched):
                a, b = touched[t, 0], touched[t, 1]
                out, above, below = value[p, a:b], halo[p, 0, a:b], halo[p, 1, a:b]
                for x in range(len(out)):
                    out[x] = above[x] + part * (below[x] - above[x])
            for t in range(n_runs):
                a, b = runs[t, 0], runs[t, 1]
                _blur_upwards(ring[p], y, a, b, taps_y, value[p, a:b])
        row = pixels[y - top]
        for t in range(n_touched):
            a, b = touched[t, 0], touched[t, 1]
            span = row[a - left : b - left]
            if planes == 1:
                _look_up(value[0, a:b], tone, span)
            else:
                one, other = value[0, a:b], value[planes - 1, a:b]
                channel, found = wide[0, : len(span)], np.empty(len(span), np.uint32)
                span[:] = np.uint32(0xFF000000)
                for q in range(3):
                    for x in range(len(span)):
                        channel[x] = primaries[0, q] * one[x] + primaries[1, q] * other[x]
                    _look_up(channel, tone[q * STEPS : (q + 1) * STEPS], found)
                    for x in range(len(span)):
                        span[x] |= found[x]
            if len(light):
                for p in range(planes):
                    light[p, y - top, a - left : b - left] = value[p, a:b]
            for m in range(marks[0][y - top], marks[0][y - top + 1]):
                x = marks[1][m]
                if a <= x + left < b:
                    mark, old = marks[2][m], row[x]
                    new = np.uint32(0xFF000000)
                    for shift in (0, 8, 16):
                        s = np.uint32(shift)
                        both = ((old >> s) & np.uint32(255)) + ((mark >> s) & np.uint32(255))
                        new |= min(both, np.uint32(255)) << s
                    row[x] = new
    shown[:] = cells
    return low_x, low_y, high_x, high_y
