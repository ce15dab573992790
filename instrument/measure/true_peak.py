"""True peak by ITU-R BS.1770-5, annex 2: what the samples stand for between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import upfirdn

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

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
