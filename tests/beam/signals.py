"""Signals for the tests of the beam."""

import numpy as np
import numpy.typing as npt

RATE = 48_000.0

Samples = npt.NDArray[np.float32]


def two(x: npt.ArrayLike, y: npt.ArrayLike) -> Samples:
    """Two channels as rows of a path."""
    left, right = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
    return np.column_stack((left, right)).astype(np.float32)


def times(seconds: float, rate: float = RATE) -> npt.NDArray[np.float64]:
    return np.arange(round(seconds * rate)) / rate


def circle(pitch: float, seconds: float, radius: float = 0.9, rate: float = RATE) -> Samples:
    turn = 2 * np.pi * pitch * times(seconds, rate)
    return two(radius * np.cos(turn), radius * np.sin(turn))


def wandering(seconds: float, rate: float = RATE) -> Samples:
    """A figure that never repeats exactly, so that each moment leaves its own light."""
    t = times(seconds, rate)
    return two(0.8 * np.sin(2 * np.pi * 91.7 * t), 0.8 * np.sin(2 * np.pi * 60.3 * t))
