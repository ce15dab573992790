"""The sound of a film: FLAC of 24 bits where the container keeps it as it is, AAC where it does not."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

import av
import numpy as np

from instrument.takes.sound_file import to_24_bits

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

AAC_RATES = (96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8000)
"""Sample rates that AAC has a number for (ISO/IEC 14496-3, table of sampling frequency indices, from memory; a test asks
the encoder)."""

AAC_BITS = 320_000
"""A second, for both channels."""

_AAC_OTHERWISE = 48_000


def aac_rate(rate: int) -> int:
    """Return the sample rate at which AAC keeps a sound."""
    return rate if rate in AAC_RATES else _AAC_OTHERWISE


class FilmSound:
    """One of two encoders of a stream of a container.

    Parameters
    ----------
    container : av.container.OutputContainer
    rate : int
        Sample rate in hertz.
    lossless : bool

    Attributes
    ----------
    at : int
        Samples taken so far.
    clipped : int
        Samples beyond what 24 bits hold, a step short of full scale.
    """

    def __init__(self, container: av.container.OutputContainer, rate: int, *, lossless: bool) -> None:
        self.at = 0
        self.clipped = 0
        self._rate = rate
        self._lossless = lossless
        self._stream: av.AudioStream
        self._resampler: av.AudioResampler | None = None
        if lossless:
            self._stream = container.add_stream("flac", rate=rate)
            self._stream.format = "s32"
        else:
            other = aac_rate(rate)
            self._stream = container.add_stream("aac", rate=other)
            self._stream.bit_rate = AAC_BITS
            if other != rate:
                self._resampler = av.AudioResampler("fltp", "stereo", other)
        self._stream.layout = "stereo"

    def encode(self, piece: npt.NDArray[np.float32]) -> Iterator[av.Packet[Any]]:
        """Take samples [shape=(n, 2)] and give packets."""
        if self._lossless:
            numbers, beyond = to_24_bits(piece)
            self.clipped += beyond
            frame = av.AudioFrame.from_ndarray(numbers.reshape(1, -1), format="s32", layout="stereo")
        else:
            channels = np.ascontiguousarray(piece.T, np.float32)
            frame = av.AudioFrame.from_ndarray(channels, format="fltp", layout="stereo")
        frame.sample_rate = self._rate
        frame.pts, frame.time_base = self.at, Fraction(1, self._rate)
        self.at += len(piece)
        for ready in self._resampler.resample(frame) if self._resampler else [frame]:
            yield from self._stream.encode(ready)

    def finish(self) -> Iterator[av.Packet[Any]]:
        """Give the last packets."""
        for ready in self._resampler.resample(None) if self._resampler else []:
            yield from self._stream.encode(ready)
        yield from self._stream.encode(None)
