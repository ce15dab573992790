"""Motion of the beam: the hot spot that burns a screen, the time that the beam rests, and its jumps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from instrument.common.compiled_loops import kernel

if TYPE_CHECKING:
    import numpy.typing as npt

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

Floats: TypeAlias = "npt.NDArray[Any]"

compiled = kernel()

LENGTH = 0.1
"""Full scale that a jump crosses at least, a twentieth of the screen ..."""

FASTER = 3.0
"""... at this many times the usual speed, where light is faint beside the lines. Of the factory set's curves none is so fast,
eased jumps at 110 Hz and 48 kHz are for two thirds of their time, straight ones lie at 16 (our choice)."""

STANDING = 1e-4
"""Full scale from one sample to the next below which the beam stands, and has no speed to compare with."""

MOVING_SHARE = 0.1
"""Share of the time below which a moving beam draws dots, and every move between them is a jump."""


class Dwell:
    """Dwell time of the beam over the screen, and its rests, of a sound that is given second by second.

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
        path = second.beam_path()
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


class Jumps:
    """Jumps of a sound that is given second by second.

    The usual speed is the median of each second while the beam moves.

    Attributes
    ----------
    count : int
    samples : int
        Samples spent jumping.
    """

    def __init__(self) -> None:
        self.count = 0
        self.samples = 0
        self._last: npt.NDArray[np.float64] | None = None
        # A jump under way: samples and distance so far.
        self._open = (0, 0.0)

    def add(self, second: Second) -> None:
        """Take the next second."""
        path = second.beam_path()
        if self._last is not None:
            path = np.concatenate([self._last, path])
        if not len(path):
            return
        self._last = path[-1:]
        with np.errstate(invalid="ignore"):
            steps = np.hypot(np.diff(path[:, 0]), np.diff(path[:, 1]))
        steps[np.isnan(steps)] = 0.0
        moving = steps[steps > STANDING]
        usual = float(np.median(moving)) if len(moving) > MOVING_SHARE * len(steps) else 0.0
        self._count(steps, steps > max(FASTER * usual, STANDING))

    def _count(self, steps: npt.NDArray[np.float64], fast: npt.NDArray[np.bool_]) -> None:
        if not len(steps):
            return
        edges = np.flatnonzero(np.diff(fast, prepend=False, append=False))
        starts, ends = edges[::2], edges[1::2]
        reach = np.concatenate([[0.0], np.cumsum(steps)])
        lengths = reach[ends] - reach[starts]
        samples = ends - starts
        if fast[0]:
            samples[0] += self._open[0]
            lengths[0] += self._open[1]
        else:
            self._close(*self._open)
        self._open = (0, 0.0)
        if fast[-1]:
            self._open = (int(samples[-1]), float(lengths[-1]))
            samples, lengths = samples[:-1], lengths[:-1]
        far = lengths >= LENGTH
        self.count += int(far.sum())
        self.samples += int(samples[far].sum())

    def _close(self, samples: int, length: float) -> None:
        if length >= LENGTH:
            self.count += 1
            self.samples += samples

    def finish(self) -> None:
        """Count a jump that the sound ends in."""
        self._close(*self._open)
        self._open = (0, 0.0)


@compiled
def spread(cells: Floats, path: Floats, last: Floats) -> None:
    """Add the time spent in each cell of the screen."""
    # In: points in full scale and the one before them. Out: cells [y, x], row 0 at the bottom; the last point.
    # Must never write outside the cells, whatever the points are: comparisons are false for nan.
    size = len(cells)
    half = 0.5 * size
    for i in range(len(path)):
        x1, y1 = path[i, 0], path[i, 1]
        x0, y0 = last[0], last[1]
        last[0], last[1] = x1, y1
        if not (abs(x1) <= 1.0 and abs(y1) <= 1.0):
            continue
        if not (abs(x0) <= 1.0 and abs(y0) <= 1.0):
            x0, y0 = x1, y1
        dx, dy = x1 - x0, y1 - y0
        steps = int(max(abs(dx), abs(dy)) * half) + 1
        share = 1.0 / steps
        for k in range(steps):
            part = (k + 0.5) * share
            column = min(int((x0 + part * dx + 1.0) * half), size - 1)
            row = min(int((y0 + part * dy + 1.0) * half), size - 1)
            cells[row, column] += share


@compiled
def rest(path: Floats, state: Floats, reach: float, least: int) -> None:
    """Add up the time that the beam rests."""
    # In: points; state of anchor x, y, samples near it, samples rested, longest rest. Out: the state.
    # Must count a stay of `least` samples from its first on, and nothing where the beam is nowhere.
    x, y, stayed, rested, longest = state[0], state[1], state[2], state[3], state[4]
    for i in range(len(path)):
        u, v = path[i, 0], path[i, 1]
        if abs(u - x) <= reach and abs(v - y) <= reach:
            stayed += 1.0
        else:
            x, y = u, v
            stayed = 1.0 if u == u and v == v else 0.0  # noqa: PLR0124 (the test for nan)
        if stayed == least:
            rested += stayed
        elif stayed > least:
            rested += 1.0
        if stayed >= least:
            longest = max(longest, stayed)
    state[0], state[1], state[2], state[3], state[4] = x, y, stayed, rested, longest
