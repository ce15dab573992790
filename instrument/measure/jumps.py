"""Jumps: how often and how long the beam flies from one line to another."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

LENGTH = 0.1
"""Full scale that a jump crosses at least, a twentieth of the screen ..."""

FASTER = 6.0
"""... at this many times the usual speed, where light is too faint to see beside the lines. Curves of sines stay
well below, jumps of routed drawings lie at 16 (our choice)."""

STANDING = 1e-4
"""Full scale from one sample to the next below which the beam stands, and has no speed to compare with."""

MOVING_SHARE = 0.1
"""Where the beam moves in less of the time than this it draws dots, and every move between them is a jump."""


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
        path = second.seen()
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
