"""Loudness by ITU-R BS.1770-5: K-weighting, gating, and the momentary and short-term values of EBU Tech 3341."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import sosfilt

from instrument.measure.sound_reader import TENTHS

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

OFFSET = -0.691
"""LUFS of a mean square of 1 behind the filters, which makes 997 Hz read as its level (BS.1770-5, annex 1)."""

ABSOLUTE_GATE = -70.0
"""LUFS below which a block is silence (BS.1770-5, annex 1)."""

RELATIVE_GATE = -10.0
"""LU below the loudness of what passed the first gate (BS.1770-5, annex 1)."""

MOMENTARY, SHORT_TERM = 4, 30
"""Tenths of a second that are taken together: 400 ms, moved by 100 ms, and 3 s (EBU Tech 3341, 2.2)."""

FINE = 10
"""Steps in a tenth of a second by which the loudest 400 ms or 3 s are found, wherever they lie: between tenths a burst
of 400 ms would read up to 0.6 LU low, and 0.1 is allowed (EBU Tech 3341, table 1, case 13)."""

SURROUND_GAIN = 1.41
"""Weight of the surround channels (BS.1770-5, annex 1, table 3)."""

LEAST_RATE = 8_000
"""Hertz below which the filters, made for 48 kHz, no longer have room for their shelf (our choice)."""

# Gain, corner and quality of the two filters as analogue prototypes, from which the bilinear transform makes the
# coefficients that the standard tabulates for 48 kHz, and their like for other rates. Source: B. De Man, Evaluation
# of implementations of the EBU R128 loudness measurement (2018); the values from memory, held against the tables
# of BS.1770-5 by the tests.
SHELF_DB, SHELF_HZ, SHELF_Q, SHELF_EXPONENT = (
    3.999843853973347,
    1681.974450955533,
    0.7071752369554196,
    0.4996667741545416,
)
PASS_HZ, PASS_Q = 38.13547087602444, 0.5003270373238773

TINY = 1e-30
"""Filter memory below this is silence; left alone it would decay into subnormal numbers, which are slow."""


def k_weighting(rate: float) -> npt.NDArray[np.float64]:
    """Return the two filters of K-weighting as second-order sections.

    Parameters
    ----------
    rate : float
        Sample rate in hertz, at least `LEAST_RATE`.

    Returns
    -------
    np.ndarray [shape=(2, 6), dtype=float64]
        b0, b1, b2, a0, a1, a2 of the shelf and of the high-pass.
    """
    k = math.tan(math.pi * SHELF_HZ / rate)
    high = 10 ** (SHELF_DB / 20)
    middle = high**SHELF_EXPONENT
    a0 = 1 + k / SHELF_Q + k * k
    shelf = [
        (high + middle * k / SHELF_Q + k * k) / a0,
        2 * (k * k - high) / a0,
        (high - middle * k / SHELF_Q + k * k) / a0,
        1.0,
        2 * (k * k - 1) / a0,
        (1 - k / SHELF_Q + k * k) / a0,
    ]
    k = math.tan(math.pi * PASS_HZ / rate)
    a0 = 1 + k / PASS_Q + k * k
    # The standard leaves the numerator of the high-pass at 1, -2, 1 whatever the rate.
    high_pass = [1.0, -2.0, 1.0, 1.0, 2 * (k * k - 1) / a0, (1 - k / PASS_Q + k * k) / a0]
    return np.array([shelf, high_pass])


def channel_weights(channels: int) -> npt.NDArray[np.float64]:
    """Return how much each channel counts [shape=(channels,)].

    One channel or two count fully. Five are left, right, centre and two surrounds; six have a
    low-frequency channel before the surrounds, which does not count (BS.1770-5, annex 1). Of any
    other number the first two count, which steer the beam.

    Examples
    --------
    >>> channel_weights(6).tolist()
    [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]
    >>> channel_weights(4).tolist()
    [1.0, 1.0, 0.0, 0.0]
    """
    if channels == 5:
        return np.array([1.0, 1.0, 1.0, SURROUND_GAIN, SURROUND_GAIN])
    if channels == 6:
        return np.array([1.0, 1.0, 1.0, 0.0, SURROUND_GAIN, SURROUND_GAIN])
    return np.where(np.arange(channels) < 2, 1.0, 0.0)


class Loudness:
    """Loudness of a sound that is given second by second.

    Parameters
    ----------
    rate : int
        Sample rate in hertz. Below `LEAST_RATE` nothing is measured.
    weights : np.ndarray [shape=(channels,)]
        As from `channel_weights`.
    """

    def __init__(self, rate: int, weights: npt.NDArray[np.float64]) -> None:
        self._heard = np.flatnonzero(weights)
        self._weights = weights[self._heard]
        self._filters = k_weighting(rate) if rate >= LEAST_RATE else None
        self._memory = np.zeros((2, 2, len(self._heard)))
        self._energy: list[npt.NDArray[np.float64]] = []
        self._fine: list[npt.NDArray[np.float64]] = []

    def add(self, second: Second) -> None:
        """Take the next second."""
        if self._filters is None or not len(second.samples):
            return
        weighted, self._memory = sosfilt(self._filters, second.samples[:, self._heard], axis=0, zi=self._memory)
        self._memory[np.abs(self._memory) < TINY] = 0.0
        square = np.square(weighted) @ self._weights
        self._energy.append(_means(second, square, TENTHS))
        self._fine.append(_means(second, square, TENTHS * FINE))

    @property
    def energy(self) -> npt.NDArray[np.float64]:
        """Weighted mean square of each whole tenth of a second, channels summed [shape=(n,)]."""
        return np.concatenate([np.zeros(0), *self._energy])

    def over_time(self, tenths: int) -> npt.NDArray[np.float64]:
        """Return LUFS of every so many tenths of a second, moved by one; -inf for silence.

        Parameters
        ----------
        tenths : int
            `MOMENTARY` or `SHORT_TERM`.
        """
        return to_lufs(_moving_mean(self.energy, tenths))

    @property
    def integrated(self) -> float | None:
        """Gated loudness in LUFS; None where nothing passes the gates."""
        blocks = _moving_mean(self.energy, MOMENTARY)
        blocks = blocks[to_lufs(blocks) > ABSOLUTE_GATE]
        if not len(blocks):
            return None
        gate = float(to_lufs(blocks.mean())) + RELATIVE_GATE
        return float(to_lufs(blocks[to_lufs(blocks) > gate].mean()))

    def loudest(self, tenths: int) -> float | None:
        """Return LUFS of the loudest so many tenths of a second, to a hundredth wherever they lie.

        None for silence or less sound than that.
        """
        found = to_lufs(_moving_mean(np.concatenate([np.zeros(0), *self._fine]), tenths * FINE))
        highest = float(found.max(initial=-math.inf))
        return highest if math.isfinite(highest) else None


def _means(second: Second, square: npt.NDArray[np.float64], parts: int) -> npt.NDArray[np.float64]:
    starts = second.starts(parts)
    ends = np.append(starts[1:], len(square))
    # A part that the sound ends in does not count: a block is whole or left out (BS.1770-5, annex 1).
    whole = np.rint((np.arange(len(starts)) + 1) * second.rate / parts) <= len(square)
    found: npt.NDArray[np.float64] = (np.add.reduceat(square, starts) / (ends - starts))[whole]
    return found


def to_lufs(energy: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return LUFS of a weighted mean square; -inf for silence."""
    with np.errstate(divide="ignore"):
        found: npt.NDArray[np.float64] = OFFSET + 10 * np.log10(np.asarray(energy, np.float64))
    return found


def _moving_mean(values: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    if len(values) < width:
        return np.zeros(0)
    # Summed afresh for each: a running sum keeps the rounding of what was loud when it is quiet again.
    found: npt.NDArray[np.float64] = np.lib.stride_tricks.sliding_window_view(values, width).mean(axis=1)
    return found
