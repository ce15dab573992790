"""Where the beam dwells: the hot spot that burns a screen, and the time that the beam rests."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.measure.path_kernels import rest, spread

if TYPE_CHECKING:
    from instrument.measure.sound_reader import Second

CELLS = 100
"""Cells across the screen, so that one is about as wide as a tube's spot (common practice, no source)."""

HOT = 0.01
"""Share of the screen that counts as the hot spot."""

REACH = 0.01
"""Full scale that a resting beam may stray in x and in y, half a cell ..."""

REST_SECONDS = 0.02
"""... for at least this long, the period of the lowest figure that an eye sees whole (common practice, no source).
A beam that creeps more slowly than this rests as well."""


class Dwell:
    """Where the beam of a sound dwells that is given second by second.

    The beam goes straight from sample to sample and gives the same light in the same time.

    Parameters
    ----------
    rate : int
        Sample rate in hertz.

    Attributes
    ----------
    cells : np.ndarray [shape=(CELLS, CELLS), dtype=float64]
        Samples spent in each cell of the square from -1 to 1; row 0 at the bottom.
    """

    def __init__(self, rate: int) -> None:
        self.cells = np.zeros((CELLS, CELLS))
        self._rate = rate
        self._frames = 0
        self._last = np.full(2, np.nan)
        self._state = np.array([np.nan, np.nan, 0.0, 0.0, 0.0])

    def add(self, second: Second) -> None:
        """Take the next second."""
        path = second.seen()
        spread(self.cells, path, self._last)
        rest(path, self._state, REACH, max(round(REST_SECONDS * self._rate), 2))
        self._frames += len(path)

    @property
    def hotspot(self) -> float:
        """Share of the light that falls on the brightest `HOT` of the screen, 0 to 1."""
        whole = float(self.cells.sum())
        brightest = np.sort(self.cells, axis=None)[-round(HOT * self.cells.size) :]
        return min(float(brightest.sum()) / whole, 1.0) if whole > 0 else 0.0

    @property
    def resting_time(self) -> float:
        """Share of the time in which the beam rests, 0 to 1."""
        return float(self._state[3]) / self._frames if self._frames else 0.0

    @property
    def longest_rest(self) -> float:
        """Seconds of the longest rest."""
        return float(self._state[4]) / self._rate
