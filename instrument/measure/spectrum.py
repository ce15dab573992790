"""Spectrum of a sound, and the share of its energy beyond what converters pass or ears hear."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

FINEST = 6.0
"""Width of a line of the spectrum in hertz, at most."""


class Spectrum:
    """Power spectrum of a sound that is given second by second.

    Hann windows that overlap by half, averaged. Source: P. D. Welch, The use of fast Fourier transform
    for the estimation of power spectra (1967). The mean of each window is taken out first: DC is a figure
    of its own, and would hide what else there is.

    Parameters
    ----------
    rate : int
        Sample rate in hertz.
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        self.size = 1 << int(np.ceil(np.log2(rate / FINEST)))
        self.frequencies = np.fft.rfftfreq(self.size, 1 / rate).astype(np.float64)
        self._rate = rate
        self._window = np.hanning(self.size + 1)[:-1]
        self._waiting = np.zeros((0, channels))
        self._power = np.zeros((len(self.frequencies), channels))
        self._windows = 0

    def add(self, second: Second) -> None:
        """Take the next second."""
        hop = self.size // 2
        whole = np.concatenate([self._waiting, second.samples])
        count = max((len(whole) - self.size) // hop + 1, 0)
        for start in range(0, count * hop, hop):
            self._see(whole[start : start + self.size])
        self._waiting = whole[count * hop :]

    def finish(self) -> None:
        """Take what the last whole window left over."""
        left = self._waiting
        if len(left) > (self.size // 2 if self._windows else 0):
            # The end of a sound is windowed by its own length, so that it fades out and not off.
            self._see(left, np.hanning(len(left) + 2)[1:-1])
        self._waiting = left[:0]

    def _see(self, part: npt.NDArray[np.float64], window: npt.NDArray[np.float64] | None = None) -> None:
        shape = self._window if window is None else window
        lines = np.fft.rfft((part - part.mean(axis=0)) * shape[:, None], self.size, axis=0)
        self._power += np.square(np.abs(lines)) / np.square(shape).sum()
        self._windows += 1

    @property
    def density(self) -> npt.NDArray[np.float64]:
        """Power a hertz of each line and channel, full scale squared [shape=(lines, channels)]."""
        return self._power * (2.0 / (self._rate * max(self._windows, 1)))

    def share_above(self, frequency: float) -> float:
        """Return the share of all channels' energy, DC left out, above a frequency in hertz."""
        power = self._power.sum(axis=1)
        whole = float(power.sum())
        return float(power[self.frequencies > frequency].sum()) / whole if whole > 0 else 0.0
