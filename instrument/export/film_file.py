"""The container of a film: segments of picture and the sound, side by side."""

from __future__ import annotations

import math
from contextlib import suppress
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Self, cast

import av
import numpy as np

from instrument.export.film_segment import CODEC, read_segment, set_up
from instrument.export.sound import FILMS
from instrument.takes.sound_file import to_24_bits

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    import numpy.typing as npt

    from instrument.export.film_plan import FilmPlan
    from instrument.export.film_segment import RawSamples

LOSSLESS, LOSSY = FILMS

LOSSY_NOTE = "the sound of an .mp4 is AAC, which is lossy: it no longer draws cleanly on a real tube; .mkv keeps it"

_OPTIONS = {
    # The same film is then the same bytes: without times of day and random numbers.
    LOSSLESS: {"fflags": "+bitexact"},
    # What a player has to know first comes first.
    LOSSY: {"fflags": "+bitexact", "movflags": "+faststart"},
}
_AHEAD_SECONDS = 0.25

AAC_RATES = (96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8000)
"""Sample rates that AAC has a number for (ISO/IEC 14496-3, table of sampling frequency indices, from memory; a test asks
the encoder)."""

AAC_BITS = 320_000
"""A second, for both channels."""

_AAC_OTHERWISE = 48_000


class FilmFile:
    """A film being put together.

    Parameters
    ----------
    path : Path
        ``.mkv`` or ``.mp4``.
    plan : FilmPlan
    sound : RawSamples
    tags : mapping of str to str

    Raises
    ------
    OSError
        If it cannot be written.
    """

    def __init__(self, path: Path, plan: FilmPlan, sound: RawSamples, tags: Mapping[str, str]) -> None:
        kind = path.suffix.lower()
        self._plan = plan
        self._sound = sound
        self._container = av.open(str(path), "w", options=_OPTIONS[kind])
        for name, text in tags.items():
            if text:
                self._container.metadata[name] = text
        if kind == LOSSY:
            self._container.metadata["comment"] = LOSSY_NOTE
        # The encoder is there for what it tells the container; the pictures come encoded.
        self._picture = self._container.add_stream(CODEC, rate=plan.frame_rate)
        set_up(cast("av.VideoCodecContext", self._picture.codec_context), plan)
        self._picture.time_base = 1 / plan.frame_rate
        self._heard = FilmSound(self._container, plan.rate, lossless=kind == LOSSLESS)
        self._container.start_encoding()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, failed: object, *_: object) -> None:
        if failed is None:
            self._container.close()
            return
        # What failed before is the error to be told; this file is thrown away.
        with suppress(OSError, ValueError):
            self._container.close()

    @property
    def clipped(self) -> int:
        """Samples beyond what 24 bits hold."""
        return self._heard.clipped

    def add(self, segment: Path) -> None:
        """Append a segment with its sound.

        Raises
        ------
        OSError
            If the disk takes no more.
        RuntimeError
            If it was not encoded as the container says.
        """
        described, packets = read_segment(segment)
        if described != self._picture.codec_context.extradata:
            raise RuntimeError(f"{segment} was encoded in another way than its film")
        for frame, key, data in packets:
            self._add_sound(math.ceil((frame + 1) * self._plan.rate / self._plan.frame_rate))
            packet = av.Packet(data)
            packet.stream = self._picture
            packet.time_base = 1 / self._plan.frame_rate
            packet.pts = packet.dts = frame
            packet.duration = 1
            packet.is_keyframe = key
            self._container.mux(packet)

    def finish(self) -> None:
        """Append what is left of the sound."""
        self._add_sound(self._plan.samples)
        for packet in self._heard.finish():
            self._container.mux(packet)

    def _add_sound(self, needed: int) -> None:
        # In pieces that are worth a call, and a little ahead of the picture, as players like it.
        while self._heard.at < min(needed, self._plan.samples):
            last = min(self._heard.at + math.ceil(_AHEAD_SECONDS * self._plan.rate), self._plan.samples)
            for packet in self._heard.encode(self._sound.read(self._heard.at, last)):
                self._container.mux(packet)


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
