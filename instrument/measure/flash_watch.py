"""Running sound through the emulated screen and the counter of flashes, at an even number of frames a second."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.measure.flashes import FRAMES_A_SECOND, SIZE, Flashes
from instrument.measure.luminance import open_screen
from instrument.measure.sound_reader import TENTHS

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

_PER_TENTH = FRAMES_A_SECOND // TENTHS


@dataclass(frozen=True)
class FlashTrace:
    """Flashes over time.

    Attributes
    ----------
    flashes : np.ndarray [shape=(n,), dtype=int]
        Largest count within the second that ends in each tenth of a second.
    area : np.ndarray [shape=(n,), dtype=float]
        Largest share of a field of view that changes together in each tenth of a second.
    """

    flashes: npt.NDArray[np.int64]
    area: npt.NDArray[np.float64]


class Watching:
    """The picture of a sound that is given second by second, watched for flashes."""

    def __init__(self) -> None:
        self.flashes = Flashes()
        self._screen = open_screen(SIZE)
        self._seen: list[tuple[int, float]] = []

    def add(self, second: Second) -> None:
        """Take the next second."""
        path = second.seen().astype(np.float32)
        starts = second.starts(FRAMES_A_SECOND)
        for start, end in zip(starts, [*starts[1:], len(path)], strict=True):
            seen = self.flashes.see(self._screen(path[start:end], second.rate))
            self._seen.append((seen.flashes, seen.area))

    @property
    def trace(self) -> FlashTrace:
        """What was seen so far."""
        rows = np.array(self._seen).reshape(-1, 2)
        starts = np.arange(0, len(rows), _PER_TENTH)
        if not len(rows):
            return FlashTrace(np.zeros(0, np.int64), np.zeros(0))
        flashes, area = np.maximum.reduceat(rows, starts).T
        return FlashTrace(flashes.astype(np.int64), area)
