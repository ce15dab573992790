"""A segment of a film: its frames drawn, made H.264, and kept in a file of bare packets until the film takes them."""

from __future__ import annotations

import errno
import json
import os
import queue
import struct
import sys
import threading
import time
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple, Self, cast

import av
import numpy as np

from instrument.export.film_plan import FilmPlan

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator
    from fractions import Fraction

    import numpy.typing as npt

    from instrument.beam.pictures import FrameSource

CODEC = "libx264"

OPTIONS = {"preset": "superfast", "crf": "14", "bf": "0", "x264-params": "keyint=infinite:scenecut=0"}
"""Of x264. Every frame is made of earlier ones alone (no B-frames), and only the first of a segment of none, so that
segments follow each other without a seam in any player; the quality is one at which a line's edge keeps what 4:2:0 lets
through."""

_BT709 = 1
"""Colour space, primaries and transfer as ITU-T H.273 numbers them, with the range of 16 to 235."""

_HEAD = struct.Struct("<I")
_PACKET = struct.Struct("<q?I")

_FRAME_BYTES = 8

TOLD_SECONDS = 0.2
"""Between two reports of how far a segment has come."""

DISK_FULL_ERRORS = (errno.ENOSPC, errno.EDQUOT) if hasattr(errno, "EDQUOT") else (errno.ENOSPC,)
"""Numbers of errors that mean there is no room left."""


def write_samples(path: Path, pieces: Iterable[npt.NDArray[np.float32]]) -> int:
    """Write pieces of float32 [shape=(n, 2)] one after the other, and return how many samples they are.

    Raises
    ------
    OSError
        If the disk takes no more.
    """
    count = 0
    with path.open("wb") as file:
        for piece in pieces:
            file.write(np.ascontiguousarray(piece, np.float32).data)
            count += len(piece)
    return count


class RawSamples:
    """A file that `write_samples` wrote, read piece by piece.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self._file.close()

    def read(self, first: int, end: int) -> npt.NDArray[np.float32]:
        """Return samples `first` to `end` - 1 [shape=(n, 2)], as many of them as there are.

        Raises
        ------
        OSError
            If they cannot be read.
        """
        self._file.seek(first * _FRAME_BYTES)
        data = self._file.read(max(end - first, 0) * _FRAME_BYTES)
        return np.frombuffer(data, np.float32).reshape(-1, 2)


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
    """Make an encoder the one that every segment of a film and its container use alike."""
    context.width, context.height = plan.width, plan.height
    context.pix_fmt = "yuv420p"
    context.time_base = 1 / plan.frame_rate
    context.framerate = plan.frame_rate
    context.options = dict(OPTIONS)
    # Other numbers of threads make other bytes; the segments are what runs side by side.
    context.thread_count = 1
    context.color_range = 1
    context.colorspace = context.color_primaries = context.color_trc = _BT709
    context.flags |= av.codec.context.Flags.global_header


class SegmentRenderer:
    """Draws segments of one film, each after the one before.

    Parameters
    ----------
    plan : FilmPlan
    sound : RawSamples
    """

    def __init__(self, plan: FilmPlan, sound: RawSamples) -> None:
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
                for packet in encoder.encode(_picture(pixels, k, 1 / self._plan.frame_rate)):
                    file.write(_framed(packet))
                tell(k)
            for packet in encoder.encode(None):
                file.write(_framed(packet))


def read_segment(path: Path) -> tuple[bytes, Generator[Packet]]:
    """Return what H.264 calls the parameter sets of a segment, and its packets as they are needed."""
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


def serve(lines: IO[str], answers: IO[str]) -> None:
    """Take the plan of a film and then segments, until there are no more lines.

    Whoever asks is gone when the lines end: then the process ends at once, whatever it is drawing.
    """
    jobs: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(lines, jobs), name="lines", daemon=True).start()
    told = 0.0

    def say(**words: Any) -> None:
        answers.write(json.dumps(words) + "\n")
        answers.flush()

    def tell(frame: int) -> None:
        nonlocal told
        now = time.monotonic()
        if now - told > TOLD_SECONDS:
            told = now
            say(frame=frame)

    job = jobs.get()
    plan = FilmPlan.from_json(job["plan"])
    artist: SegmentRenderer | None = None
    while True:
        job = jobs.get()
        try:
            # The sound is still being written while the process starts.
            artist = artist or SegmentRenderer(plan, RawSamples(Path(job["sound"])))
            artist.draw(job["first"], job["end"], Path(job["into"]), tell)
        except (OSError, ValueError) as error:
            number = error.errno if isinstance(error, OSError) else None
            say(failed=str(error), errno=number)
        else:
            say(done=job["first"])


def _listen(lines: IO[str], jobs: queue.SimpleQueue[dict[str, Any]]) -> None:
    for line in lines:
        jobs.put(json.loads(line))
    os._exit(0)


if __name__ == "__main__":
    serve(sys.stdin, sys.stdout)
