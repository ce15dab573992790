"""Flashes of the drive signal itself, for displays without an afterglow: a dense picture whose beam comes to rest.

A tube's afterglow hides a picture that goes on and off fifteen to thirty times a second; a short phosphor, a projector
or a camera shows it, and that band provokes most (Harding and Jeavons 1994, from memory: sensitivity is largest between
15 and 25 flashes a second; ITU-R BT.1702, from memory, limits flashes above three a second as well). So they are counted
in the voltages: the picture is dark while the beam rests or is off the glass, lit while it moves.

See Also
--------
instrument.measure.flashes : the count in the emulated picture, by WCAG 2.2; the larger of the two is told.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from instrument.common.compiled_loops import kernel
from instrument.measure.flashes import AREA, FIELD

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats: TypeAlias = npt.NDArray[Any]

SLOTS_A_SECOND = 960
"""Stretches of time that are dark or lit as a whole (our choice). The dark of a picture that is lit for nine tenths of a
sixtieth of a second lasts 1.6 of them."""

FASTEST = 65.0
"""Flashes a second above which light is taken for steady (our choice, a little above the 60 that are looked for):
a form that cuts a tone into dashes is no strobe."""

REST = 0.01
"""Largest way along one axis, of the 2 that the glass measures, within which the beam is at rest (our choice)."""

MOVING = 0.1
"""Way along one axis from which on it draws again (our choice; between the two nothing changes)."""

CELLS = 64
"""Cells across the glass; one is about as wide as the finest line on the picture whose flashes WCAG 2.2 limits."""

REMEMBERED = 0.1
"""Seconds for which a cell counts as drawn (our choice: a strobe of 60 a second leaves six pictures in it)."""

_FLIGHT = 400_000.0
"""Cells a second up to which the beam leaves light in every cell that it crosses (our choice: six thousand times across
the glass); what is faster is a jump, and dim."""


class DriveFlashes:
    """Counter of the times that a dense picture goes dark because its beam comes to rest.

    A picture is dense when more than `flashes.AREA` of a field of view of 10 degrees has been drawn within
    `REMEMBERED`. Each time that it ends is a flash, unless the one before ended less than 1 / `FASTEST` ago.
    A picture that only becomes smaller or dimmer is left to the emulated picture.

    Parameters
    ----------
    rate : float
        Sample rate in hertz, more than 0.

    Attributes
    ----------
    flashes : int
        Flashes within the second that ends with the latest sample.
    most : int
        Largest number of flashes within any second so far.
    at : float
        Seconds since the beginning at which the latest flash ended; minus infinity before the first.

    Examples
    --------
    >>> time = np.arange(48_000) / 48_000
    >>> figure = 0.9 * np.column_stack((np.sin(2 * np.pi * 3001 * time), np.sin(2 * np.pi * 97 * time)))
    >>> counter = DriveFlashes(48_000.0)
    >>> counter.add(figure * (time * 20 % 1 < 0.5)[:, None])
    >>> counter.flashes
    20
    """

    def __init__(self, rate: float) -> None:
        self.flashes = 0
        self.most = 0
        self.at = -np.inf
        self._rate = float(rate)
        self._drawn = np.full((CELLS, CELLS), -(1 << 62), np.int64)
        # Sample, slot, lit; the box of the slot that is open; where the beam was last.
        self._counts = np.array([0, 0, 0], np.int64)
        self._box = np.array([np.inf, -np.inf, np.inf, -np.inf, 0.0, 0.0])
        self._ends: deque[int] = deque()
        self._last_end = -(1 << 62)

    def add(self, samples: npt.NDArray[np.floating[Any]]) -> None:
        """Take what was played next.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]
            x and y, full scale 1; what is not finite counts as 0.
        """
        path = np.nan_to_num(np.asarray(samples, np.float64).reshape(-1, 2), nan=0.0, posinf=0.0, neginf=0.0)
        box = max(round(FIELD[0] * CELLS), 1), max(round(FIELD[1] * CELLS), 1)
        at = 0
        while at < len(path):
            at = follow(path, at, self._rate, self._drawn, self._counts, self._box)
            if self._counts[2] == ENDED:
                self._counts[2] = DARK
                self._end(box)
            self._forget()
            self.most = max(self.most, self.flashes)

    def _end(self, field: tuple[int, int]) -> None:
        now = int(self._counts[0])
        before, self._last_end = self._last_end, now
        if now - before < self._rate / FASTEST:
            return
        oldest = now - round(REMEMBERED * self._rate)
        if densest(self._drawn, oldest, *field) > AREA * field[0] * field[1]:
            self._ends.append(now)
            self.at = now / self._rate

    def _forget(self) -> None:
        # Ends are known to a slot, and a strobe of exactly three a second is not to be taken for four.
        second = self._rate * (1 - 2 / SLOTS_A_SECOND)
        while self._ends and self._ends[0] <= self._counts[0] - second:
            self._ends.popleft()
        self.flashes = len(self._ends)


DARK, LIT, ENDED = 0, 1, 2

compiled = kernel()


@compiled
def follow(path: Floats, at: int, rate: float, drawn: Floats, counts: Floats, box: Floats) -> int:
    """Follow the beam until a lit stretch ends or the path does, and return the number of samples taken."""
    # In: samples from `at` on. Out: drawn, the sample in which each cell was last crossed; counts and box as above.
    # Must stop at the slot in which the beam comes to rest, so that the caller sees what was drawn until then.
    cells = drawn.shape[0]
    for k in range(at, path.shape[0]):
        x = min(max(path[k, 0], -1.05), 1.05)
        y = min(max(path[k, 1], -1.05), 1.05)
        column, row = (x + 1) * 0.5 * cells, (y + 1) * 0.5 * cells
        way = max(abs(column - box[4]), abs(row - box[5]))
        steps = int(way) + 1 if way <= max(_FLIGHT / rate, 1.0) else 1
        for step in range(1, steps + 1):
            share = step / steps
            i = int(np.floor(box[4] + (column - box[4]) * share))
            j = int(np.floor(box[5] + (row - box[5]) * share))
            if 0 <= i < cells and 0 <= j < cells:
                drawn[j, i] = counts[0]
        box[4], box[5] = column, row
        box[0], box[1] = min(box[0], x), max(box[1], x)
        box[2], box[3] = min(box[2], y), max(box[3], y)
        counts[0] += 1
        if counts[0] * SLOTS_A_SECOND >= (counts[1] + 1) * rate:
            counts[1] += 1
            extent = max(box[1] - box[0], box[3] - box[2])
            box[0], box[1], box[2], box[3] = np.inf, -np.inf, np.inf, -np.inf
            if extent >= MOVING:
                counts[2] = LIT
            elif extent <= REST and counts[2] == LIT:
                counts[2] = ENDED
                return k + 1
    return int(path.shape[0])


@compiled
def densest(drawn: Floats, oldest: int, height: int, width: int) -> int:
    """Count the cells drawn since a sample in the field of view that has most."""
    # In: the sample in which each cell was last crossed. Out: the largest number in any box of height x width.
    # Must not allocate for each field: one row of sums over `height` rows slides down the picture.
    cells = drawn.shape[0]
    columns = np.zeros(cells, np.int64)
    most = 0
    for j in range(cells):
        for i in range(cells):
            columns[i] += drawn[j, i] >= oldest
            if j >= height:
                columns[i] -= drawn[j - height, i] >= oldest
        inside = 0
        for i in range(cells):
            inside += columns[i]
            if i >= width:
                inside -= columns[i - width]
            most = max(most, inside)
    return most
