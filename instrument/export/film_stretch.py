"""A stretch of a film: its frames drawn, made H.264, and kept in a file of bare packets until the film takes them."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import av
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator
    from fractions import Fraction
    from pathlib import Path

    import numpy.typing as npt

    from instrument.beam.frames import FrameSource
    from instrument.export.film_plan import FilmPlan
    from instrument.export.film_samples import Samples

CODEC = "libx264"

OPTIONS = {"preset": "superfast", "crf": "14", "bf": "0", "x264-params": "keyint=infinite:scenecut=0"}
"""Of x264. Every frame is made of earlier ones alone (no B-frames), and only the first of a stretch of none, so that
stretches follow each other without a seam in any player; the quality is one at which a line's edge keeps what 4:2:0 lets
through."""

_BT709 = 1
"""Colour space, primaries and transfer as ITU-T H.273 numbers them, with the range of 16 to 235."""

_HEAD = struct.Struct("<I")
_PACKET = struct.Struct("<q?I")


class Packet(NamedTuple):
    """One frame of H.264.

    Attributes
    ----------
    frame : int
        Which of the film.
    key : bool
        Whether it can be shown without any other.
    data : bytes
    """

    frame: int
    key: bool
    data: bytes


def set_up(context: av.VideoCodecContext, plan: FilmPlan) -> None:
    """Make an encoder the one that every stretch of a film and its container use alike."""
    context.width, context.height = plan.width, plan.height
    context.pix_fmt = "yuv420p"
    context.time_base = 1 / plan.pace
    context.framerate = plan.pace
    context.options = dict(OPTIONS)
    # Other numbers of threads make other bytes; the stretches are what runs side by side.
    context.thread_count = 1
    context.color_range = 1
    context.colorspace = context.color_primaries = context.color_trc = _BT709
    context.flags |= av.codec.context.Flags.global_header


class StretchArtist:
    """Draws stretches of one film, each after the one before.

    Parameters
    ----------
    plan : FilmPlan
    sound : Samples
    """

    def __init__(self, plan: FilmPlan, sound: Samples) -> None:
        self._plan = plan
        self._sound = sound
        self._source: FrameSource = plan.source()

    def frames(self, first: int, end: int) -> Iterator[npt.NDArray[np.uint32]]:
        """Give frames `first` to `end` - 1 as `FrameSource.feed` does.

        The light that earlier frames leave is drawn as well: from where this artist is, or from so far back that
        what is left out is less than half a step of a pixel.
        """
        source = self._source
        begins = max(first - source.run_in, 0)
        if not begins <= source.done <= first:
            source = self._source = self._plan.source(begins)
        for frame in range(source.done, end):
            piece = self._sound.read(source.at, source.until(frame + 1))
            if frame < first:
                source.skip(piece)
            else:
                yield from source.feed(piece)
        if end == self._plan.frames:
            yield from source.finish()

    def draw(self, first: int, end: int, path: Path, tell: Callable[[int], None]) -> None:
        """Draw frames `first` to `end` - 1 into a file.

        Parameters
        ----------
        first, end : int
        path : Path
        tell : callable
            Takes each frame that is drawn.

        Raises
        ------
        OSError
            If the file cannot be written.
        """
        encoder = cast("av.VideoCodecContext", av.CodecContext.create(CODEC, "w"))
        set_up(encoder, self._plan)
        encoder.open()
        with path.open("wb") as file:
            described = encoder.extradata or b""
            file.write(_HEAD.pack(len(described)) + described)
            for k, pixels in enumerate(self.frames(first, end), first):
                for packet in encoder.encode(_picture(pixels, k, 1 / self._plan.pace)):
                    file.write(_framed(packet))
                tell(k)
            for packet in encoder.encode(None):
                file.write(_framed(packet))


def read_stretch(path: Path) -> tuple[bytes, Generator[Packet]]:
    """Return what H.264 calls the parameter sets of a stretch, and its packets as they are needed."""
    file = path.open("rb")
    (count,) = _HEAD.unpack(file.read(_HEAD.size))
    described = file.read(count)

    def packets() -> Generator[Packet]:
        with file:
            while head := file.read(_PACKET.size):
                frame, key, size = _PACKET.unpack(head)
                yield Packet(frame, key, file.read(size))

    return described, packets()


def _framed(packet: av.Packet[Any]) -> bytes:
    data = bytes(packet)
    return _PACKET.pack(packet.pts, packet.is_keyframe, len(data)) + data


def _picture(pixels: npt.NDArray[np.uint32], number: int, time_base: Fraction) -> av.VideoFrame:
    height, width = pixels.shape
    # 0xFFRRGGBB in little-endian memory is blue, green, red, 255.
    channels = pixels.astype("<u4", copy=False).view(np.uint8).reshape(height, width, 4)
    frame = av.VideoFrame.from_numpy_buffer(channels, "bgra")
    picture = frame.reformat(format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG")
    picture.pts, picture.time_base = number, time_base
    return picture
