"""The loops behind `screen` and `flashes`, compiled: luminance, changes of each pixel, their area in each field.

`screen` and `flashes` are their doors and check what comes in. Each is compiled from this file alone, so that the
compile cache, which looks at one file, is never stale.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

from instrument.common.compiled_loops import kernel

if TYPE_CHECKING:
    import numpy.typing as npt

Floats: TypeAlias = "npt.NDArray[Any]"

compiled = kernel()


@compiled
def relative_luminance(pixels: Floats, tables: Floats, box: Floats, seen: Floats) -> None:
    """Turn a box of pixels into relative luminance."""
    # In: 0xAARRGGBB, what each value of red, green and blue adds, and left, top, width, height. Out: those of `seen`.
    # Must touch nothing outside the box.
    left, top, width, height = box
    for y in range(top, top + height):
        for x in range(left, left + width):
            value = pixels[y, x]
            seen[y, x] = tables[0, value >> 16 & 0xFF] + tables[1, value >> 8 & 0xFF] + tables[2, value & 0xFF]


@compiled
def changes(
    seen: Floats,
    low: Floats,
    high: Floats,
    way: Floats,
    times: Floats,
    frame: int,
    change: float,
    darker: float,
) -> int:
    """Find the pixels that have changed enough, and return how many."""
    # In: luminance; lowest and highest since the latest change and its way. Out: these, times[0] of falls, [1] rises.
    # Must take changes in turn: a fall counts after a rise or first of all, and the other way round.
    found = 0
    height, width = seen.shape
    for y in range(height):
        for x in range(width):
            value = seen[y, x]
            low[y, x] = min(low[y, x], value)
            high[y, x] = max(high[y, x], value)
            if way[y, x] <= 0 and value - low[y, x] >= change and low[y, x] < darker:
                way[y, x] = 1
                high[y, x] = value
                times[1, y, x] = frame
                found += 1
            elif way[y, x] >= 0 and high[y, x] - value >= change and value < darker:
                way[y, x] = -1
                low[y, x] = value
                times[0, y, x] = frame
                found += 1
    return found


@compiled
def field_counts(
    times: Floats, frame: int, stride: int, sums: Floats, counts: Floats, box_height: int, box_width: int
) -> None:
    """Count the pixels in each field that changed together, by how long ago."""
    # In: frame of the latest change of each pixel, fall and rise. Out: counts [way, age, field row, field column].
    # Must be given `sums` [way, age, row, column] of whole cells of `stride` pixels, one row and one column more.
    together, rows, columns = sums.shape[1], sums.shape[2] - 1, sums.shape[3] - 1
    sums[:] = 0
    for side in range(2):
        for y in range(rows * stride):
            for x in range(columns * stride):
                age = frame - times[side, y, x]
                if age < together:
                    sums[side, age, y // stride + 1, x // stride + 1] += 1
        for age in range(together):
            table = sums[side, age]
            for j in range(1, rows + 1):
                row = 0
                for i in range(1, columns + 1):
                    row += table[j, i]
                    table[j, i] = table[j - 1, i] + row
            for j in range(counts.shape[2]):
                for i in range(counts.shape[3]):
                    below, right = j + box_height, i + box_width
                    counts[side, age, j, i] = table[below, right] - table[j, right] - table[below, i] + table[j, i]


@compiled
def field_changes(
    counts: Floats, way: Floats, fired: Floats, frame: int, at_once: int, enough: float, happened: Floats
) -> int:
    """Find the fields that have changed, and return the largest area that changed together, in pixels."""
    # In: counts as above; way and frame of each field's latest change. Out: these; happened 1 where it changed now.
    # Must not use a pixel's change twice: only those after the field's own latest change count.
    largest = 0
    for j in range(way.shape[0]):
        for i in range(way.shape[1]):
            falls, rises, sudden_falls, sudden_rises = 0, 0, 0, 0
            for age in range(counts.shape[1]):
                if frame - age > fired[j, i]:
                    falls += counts[0, age, j, i]
                    rises += counts[1, age, j, i]
                if age == at_once - 1:
                    sudden_falls, sudden_rises = falls, rises
            darkening = max(sudden_falls, falls - rises)
            brightening = max(sudden_rises, rises - falls)
            if way[j, i] > 0 or (way[j, i] == 0 and darkening > brightening):
                area, new = darkening, -1
            else:
                area, new = brightening, 1
            largest = max(largest, area)
            if area > enough:
                way[j, i] = new
                fired[j, i] = frame
                happened[j, i] = 1
    return largest
