"""Points that draw one cycle of a figure: the sample rate over the pitch at which it repeats."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

WINDOW = 0.25
"""Seconds that are looked at together: at least two cycles of 8 Hz."""

LIKENESS = 0.8
"""Least likeness of two cycles, 1 being the same."""

FIRST_ENOUGH = 0.95
"""A shorter cycle is the one, if it is this share as alike as the most alike one."""

MOST_WINDOWS = 120
"""Windows looked at in a whole sound."""


class Cycle:
    """The cycle of a sound that is given second by second.

    Parameters
    ----------
    rate : int
        Sample rate in hertz.
    seconds : float
        Expected length, to spread the windows over.
    """

    def __init__(self, rate: int, seconds: float) -> None:
        self._size = round(WINDOW * rate)
        self._every = max(int(seconds // MOST_WINDOWS), 1)
        self._second = 0
        self._found: list[float] = []

    def add(self, second: Second) -> None:
        """Take the next second."""
        if self._second % self._every == 0:
            path = second.beam_input()
            start = max((len(path) - self._size) // 2, 0)
            points = cycle_points(path[start : start + self._size])
            if points is not None:
                self._found.append(points)
        self._second += 1

    @property
    def points(self) -> float | None:
        """Median points of a cycle; None where nothing repeats."""
        return float(np.median(self._found)) if self._found else None


def cycle_points(path: npt.NDArray[np.float64]) -> float | None:
    """Return after how many points a path repeats; None where it does not.

    The first lag at which the path, as complex numbers, is most like itself, by the normalised square
    difference. Source: P. McLeod and G. Wyvill, A smarter way to find pitch (2005). A cycle of fewer than
    eight points may be told as two or three of them.

    Parameters
    ----------
    path : np.ndarray [shape=(n, 2)]
        At least two cycles.

    Examples
    --------
    >>> turn = 2 * np.pi * np.arange(4000) / 160.5
    >>> round(cycle_points(np.column_stack((np.cos(turn), np.sin(3 * turn)))), 1)
    160.5
    """
    count = len(path)
    if count < 8:
        return None
    points = path[:, 0] + 1j * path[:, 1]
    points -= points.mean()
    energy = np.square(np.abs(points))
    # A still point's rounding is no figure.
    if energy.mean() < 1e-12:
        return None
    lags = count // 2
    lines = np.fft.fft(points, 1 << (2 * count - 1).bit_length())
    alike = np.fft.ifft(np.square(np.abs(lines))).real[:lags]
    reach = np.concatenate([[0.0], np.cumsum(energy)])
    both = reach[count - np.arange(lags)] + reach[count] - reach[:lags]
    return _first_peak(2 * alike / np.maximum(both, 1e-300))


def _first_peak(alike: npt.NDArray[np.float64]) -> float | None:
    below = np.flatnonzero(alike < 0.5)
    if not len(below):
        return None
    inside = np.arange(1, len(alike) - 1)
    peaks = inside[(alike[1:-1] >= alike[:-2]) & (alike[1:-1] > alike[2:]) & (inside > below[0])]
    if not len(peaks):
        return None
    # Between the lags a parabola through three of them shows how high the peak is and where.
    left, middle, right = alike[peaks - 1], alike[peaks], alike[peaks + 1]
    bend = left - 2 * middle + right
    aside = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    height = middle - 0.25 * (left - right) * aside
    if height.max() < LIKENESS:
        return None
    first = int(np.flatnonzero(height >= FIRST_ENOUGH * height.max())[0])
    return float(peaks[first] + aside[first])
