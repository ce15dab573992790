"""Voltage between samples: a converter's band-limited reconstruction, coupling and bandwidth."""

from __future__ import annotations

import functools
import math
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from instrument.common.compiled_loops import kernel

FACTORS = (1, 2, 4, 8)
"""Points of the path for each sample."""

HALF_LENGTH = 27
"""Samples that the filter looks ahead and back: what the transition band below needs (Kaiser's formula)."""

STOP_BAND_DB = 84.0
"""Depth of the stop band that the window is designed for."""

TRANSITION = (0.45, 0.55)
"""End of the pass band and start of the stop band as shares of the sample rate: what converters' data sheets call a
sharp roll-off filter (common practice, no source)."""

MOST = 4.0
"""Past this value there is no voltage to follow: the beam is off for such a sample, as it is where it is not finite."""

_TINY = 1e-30
"""Filter memory taken as none, long before it is subnormal."""

_PIECE = 1024
"""Samples filtered at a time, so that what is worked on stays in the processor's nearest memory."""

Wave: TypeAlias = npt.NDArray[np.float64]

compiled = kernel()


@functools.cache
def interpolation_filter(factor: int) -> Wave:
    """Return the filter that fills in `factor` - 1 points between samples.

    Parameters
    ----------
    factor : int
        One of `FACTORS`.

    Returns
    -------
    np.ndarray [shape=(2 * HALF_LENGTH * factor + 1,)]
        Symmetric, with a gain of `factor` at 0 Hz; 0 at every whole sample but its own, so the samples
        themselves stay as they are. For a factor of 1, a single 1.

    Notes
    -----
    A sinc under a Kaiser window. Source: J. F. Kaiser, "Nonrecursive digital filter design using the
    I0-sinh window function", IEEE ISCAS 1974, for beta = 0.1102 (A - 8.7) and the length
    (A - 7.95) / (2.285 times the transition in radians) (from memory; tests compare with scipy.signal).
    """
    if factor == 1:
        return np.ones(1)
    reach = HALF_LENGTH * factor
    at = np.arange(-reach, reach + 1)
    taps = np.sinc(at / factor) * np.kaiser(2 * reach + 1, 0.1102 * (STOP_BAND_DB - 8.7))
    taps[reach % factor :: factor] = 0.0
    taps[reach] = 1.0
    # Every phase gets a gain of 1 at 0 Hz, so a resting beam rests.
    for phase in range(factor):
        taps[phase::factor] /= taps[phase::factor].sum()
    taps.flags.writeable = False
    return taps


class Reconstruction:
    """A stream of samples made denser, through the coupling and the bandwidth of what it passes.

    Parameters
    ----------
    rate : float
        Sample rate in hertz.
    factor : int
        Points for each sample, one of `FACTORS`.
    corner : float, optional
        Corner frequency in hertz of the interface's coupling capacitor, a high-pass of the first order
        (-3 dB there); direct coupling by default.
    bandwidth : float, optional
        Frequency in hertz at which the input of the display is 3 dB down, a low-pass of the first order;
        unlimited by default.

    Raises
    ------
    ValueError
        If a number is out of its range.

    Notes
    -----
    What comes out is late by `delay` seconds, and how a signal is cut into calls makes no difference.
    A sample that is not finite, or beyond `MOST`, is remembered as the one before it, and its points
    come out as nan, which the spot takes as no light.
    """

    def __init__(
        self, rate: float, factor: int = 4, corner: float | None = None, bandwidth: float | None = None
    ) -> None:
        if factor not in FACTORS:
            raise ValueError(f"oversampling of {factor} is not possible; use 1, 2, 4 or 8")
        if not 0 < rate < math.inf:
            raise ValueError(f"a sample rate of {rate} Hz is not possible; it must be more than 0")
        self.rate, self.factor = rate, factor
        self._taps = interpolation_filter(factor)
        self._high = _first_order(corner, rate, "the corner of the coupling", high=True)
        self._low = _first_order(bandwidth, rate * factor, "the bandwidth", high=False)
        self._history = np.zeros((3, 2 * HALF_LENGTH + _PIECE))
        self._memory = np.zeros((2, 2, 2))
        self._scratch = np.zeros((factor, _PIECE))
        self._last = np.zeros(2)

    @property
    def delay(self) -> float:
        """Seconds by which the output is late."""
        return 0.0 if self.factor == 1 else HALF_LENGTH / self.rate

    def start_at(self, point: npt.ArrayLike) -> None:
        """Take it that the input has rested at a point for ever, so that nothing leads there from the middle.

        Parameters
        ----------
        point : np.ndarray [shape=(2,)]
        """
        rest = np.asarray(point, np.float64)
        rest = np.where(np.abs(rest) <= MOST, rest, 0.0)
        self._last[:] = rest
        beyond = np.zeros(2) if self._high[0] else rest
        self._history[:2] = beyond[:, None]
        self._history[2] = 0.0
        self._memory[0, 0], self._memory[0, 1] = rest, 0.0
        self._memory[1] = beyond

    def process(self, samples: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """Return the points that follow from the next samples.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]

        Returns
        -------
        np.ndarray [shape=(n * factor, 2), dtype=float32]
        """
        path = as_path(samples)
        out = np.empty((len(path) * self.factor, 2), np.float32)
        _reconstruct(
            path,
            self._taps,
            self.factor,
            HALF_LENGTH if self.factor > 1 else 0,
            self._high,
            self._low,
            self._last,
            self._history,
            self._memory,
            self._scratch,
            out,
        )
        return out

    def finish(self) -> npt.NDArray[np.float32]:
        """Return the points still on their way, with the last sample held, as `process` does."""
        return self.process(np.repeat(self._last[None], 0 if self.factor == 1 else HALF_LENGTH, axis=0))


def as_path(samples: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """Return samples as float32 in rows.

    Raises
    ------
    ValueError
        If their shape is not (n, 2).
    """
    with np.errstate(over="ignore", invalid="ignore"):
        path = np.ascontiguousarray(samples, np.float32)
    if path.ndim != 2 or path.shape[1] != 2:
        raise ValueError(f"samples must have the shape (n, 2), not {path.shape}")
    return path


def _first_order(corner: float | None, rate: float, name: str, *, high: bool) -> Wave:
    # The bilinear transform with its frequency warped, so that -3 dB falls on the corner: A. V. Oppenheim and
    # R. W. Schafer, Discrete-Time Signal Processing, chapter on filter design (from memory; tests compare with scipy).
    if corner is None or math.isinf(corner):
        return np.zeros(4)
    if not 0 < corner < rate / 2:
        if not high and corner >= rate / 2:
            return np.zeros(4)
        raise ValueError(f"{name} cannot be {corner:g} Hz; it must be more than 0 and less than {rate / 2:g}")
    warped = math.tan(math.pi * corner / rate)
    gain = 1.0 / (1.0 + warped)
    before = (1.0 - warped) * gain
    return np.array([1.0, gain, -gain, before] if high else [1.0, warped * gain, warped * gain, before])


@compiled
def _reconstruct(
    path: npt.NDArray[np.float32],
    taps: Wave,
    factor: int,
    half: int,
    high: Wave,
    low: Wave,
    last: Wave,
    history: Wave,
    memory: Wave,
    scratch: Wave,
    out: npt.NDArray[np.float32],
) -> None:
    # In: samples, filter, and what was remembered. Out: points in `out`, and what to remember.
    # Must never let a number that is not finite into a memory, nor leave a subnormal one there.
    back = 2 * half
    size = scratch.shape[1]
    first = 0
    while first < len(path):
        n = min(size, len(path) - first)
        for i in range(n):
            a, b = np.float64(path[first + i, 0]), np.float64(path[first + i, 1])
            there = abs(a) <= MOST and abs(b) <= MOST
            if there:
                last[0], last[1] = a, b
            history[2, back + i] = 0.0 if there else 1.0
            for c in range(2):
                value = last[c]
                if high[0] != 0.0:
                    y = high[1] * value + high[2] * memory[0, 0, c] + high[3] * memory[0, 1, c]
                    memory[0, 0, c] = value
                    memory[0, 1, c] = y if abs(y) > _TINY else 0.0
                    value = y
                history[c, back + i] = value
        for c in range(2):
            for phase in range(factor):
                row = scratch[phase, :n]
                if phase == 0:
                    row[:] = history[c, half : half + n]
                    continue
                row[:] = 0.0
                for k in range(back):
                    weight = taps[phase + k * factor]
                    source = history[c, back - k : back - k + n]
                    for i in range(n):
                        row[i] += weight * source[i]
            x, y = memory[1, 0, c], memory[1, 1, c]
            for i in range(n):
                gone = history[2, half + i] != 0.0
                for phase in range(factor):
                    value = scratch[phase, i]
                    if low[0] != 0.0:
                        y = low[1] * value + low[2] * x + low[3] * y
                        y = y if abs(y) > _TINY else 0.0
                        x = value
                        value = y
                    out[(first + i) * factor + phase, c] = np.float32(np.nan) if gone else np.float32(value)
            memory[1, 0, c], memory[1, 1, c] = x, y
            for i in range(back):
                history[c, i] = history[c, n + i]
        for i in range(back):
            history[2, i] = history[2, n + i]
        first += n
