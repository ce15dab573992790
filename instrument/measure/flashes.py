"""General flashes of a picture by WCAG 2.2, success criterion 2.3.1, counted frame by frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from instrument.common.compiled_loops import kernel

FRAMES_A_SECOND = 60

CHANGE = 0.10
"""Change of relative luminance that counts, of the greatest there is (WCAG 2.2, general flash)."""

DARKER = 0.80
"""The darker side of a change must be below this (WCAG 2.2, general flash)."""

AREA = 0.25
"""Share of a field of view above which what flashes together counts (WCAG 2.2, general flash threshold)."""

MOST = 3
"""Flashes within one second that are not too many (WCAG 2.2, 2.3.1)."""

FIELD = (256 / 768, 341 / 768)
"""Height and width of a field of view of 10 degrees. Source: WCAG 2.2 takes 341 x 256 pixels of a screen of
1024 x 768 for it; the picture is taken to be as high as that screen."""

AT_ONCE = 1 / 30
"""Seconds within which changes are concurrent (our choice: WCAG gives none) ..."""

TOGETHER = 0.1
"""... or within this longer time, less what changed the other way: light that fades takes that long, while lines that
move brighten as much as they darken (our choice)."""

SIZE = 192
"""Pixels across the picture that is looked at. The thinnest line of light is then about a hundredth of the picture
wide, as on a tube."""

STRIDE = 4
"""Pixels from one field of view to the next; a field is so many whole steps wide and high."""

# Changes are taken with a tolerance far below a step of 1/255, so that 0.4 to 0.5 in float32 is a change of 0.1.
_TOLERANCE = 1e-6

Floats: TypeAlias = "npt.NDArray[Any]"

compiled = kernel()


@dataclass(frozen=True)
class FlashCount:
    """Count of flashes after one frame.

    Attributes
    ----------
    flashes : int
        Flashes in the second that ends with this frame, in the field of view that has most.
    area : float
        Largest share of a field of view that changes together at this moment, 0 to 1.
    """

    flashes: int
    area: float


class Flashes:
    """Counter of general flashes.

    Each pixel keeps the lowest and highest relative luminance since its latest change. It has changed
    when it is `CHANGE` away from that, with the darker value below `DARKER`; rises and falls take turns.
    A field of view changes when more than `AREA` of its pixels did so the same way within `AT_ONCE`, or within
    `TOGETHER` less those that changed the other way; here too rises and falls take turns, and no pixel's
    change is used twice. Two changes in turn are a flash.
    The field with most changes within a second counts, of all fields `STRIDE` apart. Before the first
    frame all is dark. Fine patterns that change pixel by pixel count like others, though WCAG lets
    them pass. Saturated red is not told apart: every colour counts by its luminance.

    Parameters
    ----------
    shape : tuple of int
        Height and width of the picture in pixels, at least 12.
    frames_a_second : int
        At least 10.

    Attributes
    ----------
    most : int
        Largest number of flashes within any second so far.
    area : float
        Largest share of a field of view that changed together so far, 0 to 1.

    Raises
    ------
    ValueError
        If the picture is too small or there are too few frames.
    """

    def __init__(self, shape: tuple[int, int] = (SIZE, SIZE), frames_a_second: int = FRAMES_A_SECOND) -> None:
        if min(shape) < 12 or frames_a_second < 10:
            raise ValueError(
                f"flashes cannot be counted in {shape[0]} x {shape[1]} pixels at {frames_a_second} frames a second; "
                "take at least 12 x 12 and 10"
            )
        self.most = 0
        self.area = 0.0
        self._frame = 0
        self._low = np.zeros(shape, np.float32)
        self._high = np.zeros(shape, np.float32)
        self._way = np.zeros(shape, np.int8)
        self._times = np.full((2, *shape), -frames_a_second, np.int64)
        together = max(round(TOGETHER * frames_a_second), 1)
        self._at_once = max(round(AT_ONCE * frames_a_second), 1)
        cells = (shape[0] // STRIDE, shape[1] // STRIDE)
        self._sums = np.zeros((2, together, cells[0] + 1, cells[1] + 1), np.int64)
        self._box = tuple(min(round(share * shape[0] / STRIDE), side) for share, side in zip(FIELD, cells, strict=True))
        fields = tuple(side - box + 1 for side, box in zip(cells, self._box, strict=True))
        self._counts = np.zeros((2, together, *fields), np.int64)
        self._field_way = np.zeros(fields, np.int8)
        self._fired = np.full(fields, -1, np.int64)
        # Changes of each field, frame by frame, over the last second, and their sum.
        self._history = np.zeros((frames_a_second, *fields), np.uint8)
        self._total = np.zeros(fields, np.int64)
        self._active = 0

    def add_frame(self, luminance: npt.NDArray[np.float32]) -> FlashCount:
        """Take the next frame.

        Parameters
        ----------
        luminance : np.ndarray [shape=shape, dtype=float32]
            Relative luminance, 0 to 1.

        Raises
        ------
        ValueError
            If the frame has another shape or type.
        """
        if luminance.shape != self._low.shape or luminance.dtype != np.float32:
            raise ValueError(
                f"a frame must be float32 of shape {self._low.shape}, not {luminance.dtype} {luminance.shape}"
            )
        self._frame += 1
        now = self._history[self._frame % len(self._history)]
        if self._active:
            self._total -= now
            now[:] = 0
            self._active -= 1
        area = 0.0
        found = changes(
            luminance,
            self._low,
            self._high,
            self._way,
            self._times,
            self._frame,
            CHANGE - _TOLERANCE,
            DARKER,
        )
        if found:
            area = self._look(now)
        flashes = int(self._total.max()) // 2 if self._active else 0
        self.most = max(self.most, flashes)
        self.area = max(self.area, area)
        return FlashCount(flashes, area)

    def _look(self, now: npt.NDArray[np.uint8]) -> float:
        height, width = self._box
        field_counts(self._times, self._frame, STRIDE, self._sums, self._counts, height, width)
        pixels = height * width * STRIDE**2
        largest = field_changes(
            self._counts, self._field_way, self._fired, self._frame, self._at_once, AREA * pixels, now
        )
        if now.any():
            self._total += now
            # As long as a change lies within the second its frames have to be taken back one by one.
            self._active = len(self._history)
        return float(largest) / pixels


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
