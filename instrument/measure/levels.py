"""Peak, RMS, DC, crest factor and correlation of a sound, as a whole and over time."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import upfirdn

from instrument.measure.sound_reader import TENTHS

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

SAME = 1e-12
"""Share of a channel's energy below which what moves in it is rounding."""

FACTOR = 4
"""Times the signal is oversampled. The standard lets rates above 48 kHz do with less; a drawing has jumps at any
rate, and these are what rings between the samples, so it stays at four."""

# The interpolating filter of order 48 for four phases, as tabulated in BS.1770-5, annex 2 (from memory; the
# tests hold it against what the annex says of such a filter). The other half mirrors this one.
_HALF = (
    (0.001708984375, 0.010986328125, -0.0196533203125, 0.033203125, -0.0594482421875, 0.1373291015625,
     0.97216796875, -0.102294921875, 0.047607421875, -0.026611328125, 0.014892578125, -0.00830078125),
    (-0.0291748046875, 0.029296875, -0.0517578125, 0.089111328125, -0.16650390625, 0.465087890625,
     0.77978515625, -0.2003173828125, 0.1015625, -0.0582275390625, 0.0330810546875, -0.0189208984375),
)  # fmt: skip

PHASES: npt.NDArray[np.float64] = np.array([*_HALF, _HALF[1][::-1], _HALF[0][::-1]])
"""Filter of each phase [shape=(4, 12)]."""

TAPS = PHASES.T.ravel()
"""The same as one filter for the signal with three zeros behind each sample."""

MEMORY = PHASES.shape[1] - 1
"""Samples of the past that the filter needs."""


def gain_to_db(gain: float) -> float | None:
    """Return decibels of a linear gain; None for silence.

    Examples
    --------
    >>> gain_to_db(10.0), gain_to_db(0.0)
    (20.0, None)
    """
    return 20 * math.log10(gain) if gain > 0 else None


class Levels:
    """Levels of a sound that is given second by second.

    Parameters
    ----------
    channels : int

    Attributes
    ----------
    frames : int
    nonfinite : int
        Samples left out, over all channels.
    peak : np.ndarray [shape=(channels,), dtype=float64]
        Largest absolute sample value; full scale is 1.
    """

    def __init__(self, channels: int) -> None:
        self.frames = 0
        self.nonfinite = 0
        self.peak = np.zeros(channels)
        self._count = np.zeros(channels, np.int64)
        self._sum = np.zeros(channels)
        self._square = np.zeros(channels)
        # The pair's own count, means and products of what deviates from them.
        self._pairs = 0
        self._mean = np.zeros(2)
        self._spread = np.zeros((2, 2))
        self._tenths: list[npt.NDArray[np.float64]] = []

    def add(self, second: Second) -> None:
        """Take the next second."""
        samples, bad = second.samples, second.bad
        if not len(samples):
            return
        good = len(samples) if bad is None else len(samples) - bad.sum(axis=0)
        self.frames += len(samples)
        self.nonfinite += 0 if bad is None else int(bad.sum())
        self._count += good
        # What is not finite is 0 here, so that it adds to nothing.
        self._sum += samples.sum(axis=0)
        self._square += np.einsum("nc,nc->c", samples, samples)
        starts = second.starts(TENTHS)
        peaks = np.maximum.reduceat(np.abs(samples), starts)
        lengths = np.diff([*starts, len(samples)])[:, None]
        self.peak = np.maximum(self.peak, peaks.max(axis=0))
        self._tenths.append(np.stack([peaks, np.add.reduceat(samples, starts) / lengths]))
        if samples.shape[1] > 1:
            self._relate(samples[:, :2] if bad is None else samples[~bad[:, :2].any(axis=1), :2])

    def _relate(self, pair: npt.NDArray[np.float64]) -> None:
        # Merging means and products of deviations loses no digits to a large offset. Source: T. F. Chan,
        # G. H. Golub and R. J. LeVeque, Updating formulae and a pairwise algorithm (1979).
        count = len(pair)
        if not count:
            return
        mean = pair.mean(axis=0)
        moved = pair - mean
        total = self._pairs + count
        step = mean - self._mean
        self._spread += moved.T @ moved + np.outer(step, step) * (self._pairs * count / total)
        self._mean += step * (count / total)
        self._pairs = total

    @property
    def rms(self) -> npt.NDArray[np.float64]:
        """Root of the mean square of each channel, linear; a full-scale sine has 0.7071 (-3.01 dBFS)."""
        found: npt.NDArray[np.float64] = np.sqrt(self._square / np.maximum(self._count, 1))
        return found

    @property
    def dc(self) -> npt.NDArray[np.float64]:
        """Mean of each channel, linear."""
        found: npt.NDArray[np.float64] = self._sum / np.maximum(self._count, 1)
        return found

    @property
    def crest_db(self) -> float | None:
        """Peak over RMS in decibels of the channel with the largest peak; None for silence."""
        loudest = int(self.peak.argmax())
        rms = float(self.rms[loudest])
        return gain_to_db(float(self.peak[loudest]) / rms) if rms > 0 else None

    @property
    def correlation(self) -> float | None:
        """Correlation of the first two channels (Pearson's, -1 to 1); None where one does not move."""
        own = np.diag(self._spread)
        still = own <= SAME * np.maximum(self._square[: len(own)].max(initial=0.0), 0.0)
        if not self._pairs or bool(still.any()):
            return None
        return float(np.clip(self._spread[0, 1] / math.sqrt(own[0]) / math.sqrt(own[1]), -1.0, 1.0))

    @property
    def peaks(self) -> npt.NDArray[np.float64]:
        """Peak of each tenth of a second and channel [shape=(n, channels)]."""
        return np.concatenate([part[0] for part in self._tenths])

    @property
    def dc_second(self) -> npt.NDArray[np.float64]:
        """Largest mean, without its sign, over any second of each channel; over all of a shorter sound."""
        means = np.concatenate([part[1] for part in self._tenths])
        width = min(TENTHS, len(means))
        sums = np.cumsum(np.concatenate([np.zeros((1, means.shape[1])), means]), axis=0)
        found: npt.NDArray[np.float64] = np.abs(sums[width:] - sums[:-width]).max(axis=0) / width
        return found


class TruePeak:
    """True peak of a sound that is given second by second.

    Parameters
    ----------
    channels : int

    Attributes
    ----------
    peak : np.ndarray [shape=(channels,), dtype=float64]
        Largest absolute value, linear, at the samples or between them; full scale is 1.
    """

    def __init__(self, channels: int) -> None:
        self.peak = np.zeros(channels)
        self._past = np.zeros((MEMORY, channels))

    def add(self, second: Second) -> None:
        """Take the next second."""
        whole = np.concatenate([self._past, second.samples])
        self._past = whole[-MEMORY:]
        self._see(whole)

    def finish(self) -> None:
        """Let the filter run out behind the last sample."""
        self._see(np.concatenate([self._past, np.zeros((MEMORY, len(self.peak)))]))
        self._past = np.zeros_like(self._past)

    def _see(self, whole: npt.NDArray[np.float64]) -> None:
        for channel, values in enumerate(whole.T):
            # A copy in one piece: the filter is four times as fast on it.
            between = upfirdn(TAPS, np.ascontiguousarray(values), FACTOR)
            # The ends lack samples that the last call had or the next one has.
            between = between[FACTOR * MEMORY : FACTOR * len(values)]
            # The filter's own phases lie an eighth of a sample beside the samples themselves.
            highest = max(np.abs(between).max(initial=0.0), np.abs(values).max(initial=0.0))
            self.peak[channel] = max(self.peak[channel], highest)
