"""Films and animated pictures: their frames at even times, as tables of brightness."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, MEBIBYTE, DrawingError, Limits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    Progress = Callable[[str], None]
    Picture = NDArray[np.uint8]

# FFmpeg's name of the container by file ending. It is not guessed: a list of other files is a film to it, too.
CONTAINERS = {".mp4": "mp4", ".mkv": "matroska", ".webm": "matroska"}
ANIMATED = {".gif": "GIF", ".webp": "WEBP", ".png": "PNG"}
CODECS = frozenset({
    "h264", "hevc", "av1", "libdav1d", "libaom-av1", "vp8", "vp9", "libvpx", "libvpx-vp9", "mpeg4", "mpeg2video",
    "mpeg1video", "mjpeg", "ffv1", "prores", "dnxhd", "rawvideo", "png", "gif", "huffyuv", "utvideo",
})  # fmt: skip

PICTURES_SECONDS = 0.1
"""Time of a picture that gives none, as browsers show it (common practice, no source)."""

MOST_PICTURES = 200_000
"""Pictures of a file, drawn or not: an hour at 50 a second."""

MOST_BYTES = 768 * MEBIBYTE
"""Of all frames as they are traced, one byte a pixel."""

SLOWEST = 4.0
"""Frames a second to which a long film is thinned by itself; a slower one is no film any more and must be asked for."""


@dataclass(frozen=True)
class Film:
    """Frames at even times.

    Attributes
    ----------
    frames : list of ndarray of uint8, each of shape (rows, columns)
        Brightness, black to white.
    seconds : float
        Of all frames.
    scale : tuple of float
        Pixels of the film for each of a frame's, along x and y.
    warnings : tuple of str
    """

    frames: list[Picture]
    seconds: float
    scale: tuple[float, float]
    warnings: tuple[str, ...] = ()


def is_film(ending: str, content: bytes) -> bool:
    """Return whether a file is a film or holds more than one picture."""
    if ending in CONTAINERS or ending in {".gif", ".webp"}:
        return True
    # PNG specification (third edition), 11.3.6.1: acTL comes before the first IDAT in an animated PNG, and in no other.
    return ending == ".png" and 0 <= content.find(b"acTL") < content.find(b"IDAT")


def parse_film(
    content: bytes,
    ending: str,
    resolution: int = 512,
    frame_rate: float | None = None,
    limits: Limits = DEFAULT_LIMITS,
    progress: Progress | None = None,
) -> Film:
    """Read a film's frames at even times.

    Parameters
    ----------
    content : bytes
    ending : str
        Of the file: ``.mp4`` and so on.
    resolution : int
        Pixels to which the longer side is reduced.
    frame_rate : float, optional
        Frames a second; the film's own on average unless given.
    limits : Limits
    progress : callable, optional
        Called with how far it has come.

    Returns
    -------
    Film
        At each time the frame that the film shows then, so that a film whose frames come unevenly keeps its times.

    Raises
    ------
    DrawingError
        If it is no film that is read, is damaged, too large, or too long.
    """
    if ending in CONTAINERS:
        return _film(content, CONTAINERS[ending], resolution, frame_rate, limits, progress)
    return _pictures(content, ANIMATED[ending], resolution, frame_rate, limits, progress)


class _Sieve:
    """Keeps of pictures that come with their times those that show at even times."""

    def __init__(self, begin: float, seconds: float, count: int, progress: Progress | None) -> None:
        self.begin, self.seconds, self.count = begin, seconds, count
        self.frames: list[Picture] = []
        self.progress = progress
        self._told = -1.0

    @property
    def next_time(self) -> float:
        """Time of the next frame that is wanted; half a millisecond late, since containers round theirs."""
        return self.begin + self.seconds * len(self.frames) / self.count + 0.0005

    def passes(self, until: float, picture: Callable[[], Picture]) -> None:
        """Take a picture for every wanted time before the one that follows it comes."""
        taken: Picture | None = None
        while len(self.frames) < self.count and self.next_time < until:
            taken = picture() if taken is None else taken
            self.frames.append(taken)
        done = min(until - self.begin, self.seconds)
        if self.progress is not None and done >= self._told + 1.0:
            self._told = np.floor(done)
            self.progress(f"film, {self._told:.0f} of {self.seconds:.0f} s")


def _even_count(seconds: float, own_rate: float, wanted: float | None, limits: Limits) -> tuple[int, tuple[str, ...]]:
    rate = wanted or own_rate
    if seconds * rate <= limits.frames + 0.5:
        return max(1, min(round(seconds * rate), limits.frames)), ()
    slower = limits.frames / seconds
    if wanted is not None or slower < SLOWEST:
        raise DrawingError(
            f"it lasts {seconds:,.6g} s, and {rate:.4g} frames a second are more than {limits.frames:,} frames, which is "
            f"the limit. Set frame_rate to {0.99 * slower:.3g} or less, cut the film, or raise limits.frames"
        )
    words = f"{seconds * rate:,.0f} frames are more than {limits.frames:,}, so {slower:.3g} of a second are drawn, not {rate:.4g}"
    return limits.frames, (words,)


def _size(width: int, height: int, resolution: int, limits: Limits) -> tuple[int, int]:
    if not width * height:
        raise DrawingError("the film has no size")
    if width * height > limits.pixels:
        raise DrawingError(f"the film claims {width:,} x {height:,} pixels; at most {limits.pixels:,} are allowed")
    share = min(1.0, resolution / max(width, height))
    return max(2, round(width * share)), max(2, round(height * share))


def _check_bytes(count: int, size: tuple[int, int]) -> None:
    if count * size[0] * size[1] > MOST_BYTES:
        raise DrawingError(
            f"{count:,} frames of {size[0]} x {size[1]} pixels are more than {MOST_BYTES // MEBIBYTE:,} MiB; set resolution or "
            "frame_rate lower"
        )


def _film(
    content: bytes, container: str, resolution: int, wanted: float | None, limits: Limits, progress: Progress | None
) -> Film:
    import av

    try:
        with av.open(io.BytesIO(content), format=container) as file:
            times, last = _packet_times(file)
            own_rate = (len(times) - 1) / (times[-1] - times[0]) if len(times) > 1 else 1.0 / last
            seconds = times[-1] - times[0] + last
            count, notes = _even_count(seconds, own_rate, wanted, limits)
        with av.open(io.BytesIO(content), format=container) as file:
            stream = file.streams.video[0]
            context = stream.codec_context
            size = _size(context.width, context.height, resolution, limits)
            _check_bytes(count, size)
            # One thread: the process has one core, and each thread keeps frames of its own.
            context.thread_count = 1
            sieve = _Sieve(0.0, seconds, count, progress)
            try:
                _decode(file, stream, sieve, size, limits)
            except av.FFmpegError as error:
                if not sieve.frames:
                    raise
                notes += (f"the film is damaged at {sieve.next_time:.1f} s ({_words(error)}); it is drawn up to there",)
            wide = context.width / size[0], context.height / size[1]
    except av.FFmpegError as error:
        raise DrawingError(f"the film cannot be read ({_words(error)})") from None
    if not sieve.frames:
        raise DrawingError("the film holds no picture that could be read")
    return Film(sieve.frames, seconds * len(sieve.frames) / count, wide, notes)


def _words(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error)[:80]


def _packet_times(file: Any) -> tuple[NDArray[np.float64], float]:
    """Return the times of all pictures in seconds, and how long the last one lasts; nothing is decoded."""
    if not file.streams.video:
        raise DrawingError("the file holds no film, only sound or text")
    stream = file.streams.video[0]
    if stream.codec_context.name not in CODECS:
        raise DrawingError(f"a film coded as {stream.codec_context.name[:20]} is not read; save it as H.264 or VP9")
    times, lasts = [], 0.0
    for packet in file.demux(stream):
        if packet.pts is None or not packet.size:
            continue
        times.append(float(packet.pts * stream.time_base))
        if len(times) > MOST_PICTURES:
            raise DrawingError(f"the film has more than {MOST_PICTURES:,} pictures, which is the limit")
        if packet.duration:
            lasts = float(packet.duration * stream.time_base)
    if not times:
        raise DrawingError("the film holds no picture")
    sorted_times = np.unique(times)
    usual = float(np.median(np.diff(sorted_times))) if len(sorted_times) > 1 else 0.04
    return sorted_times, lasts or usual


def _decode(file: Any, stream: Any, sieve: _Sieve, size: tuple[int, int], limits: Limits) -> None:
    held: Any = None
    first = None
    for frame in file.decode(stream):
        if frame.pts is None:
            continue
        _size(frame.width, frame.height, 8, limits)
        at = float(frame.pts * stream.time_base)
        first = at if first is None else first
        if held is not None:
            sieve.passes(at - first, partial(_grey, held, size))
        held = frame
        if len(sieve.frames) == sieve.count:
            return
    if held is not None:
        sieve.passes(np.inf, partial(_grey, held, size))


def _grey(frame: Any, size: tuple[int, int]) -> Picture:
    from av.video.reformatter import ColorRange, Interpolation

    small = frame.reformat(
        width=size[0],
        height=size[1],
        format="gray",
        interpolation=Interpolation.AREA,
        dst_color_range=ColorRange.JPEG,
    )
    return np.ascontiguousarray(small.to_ndarray())


def _pictures(
    content: bytes, kind: str, resolution: int, wanted: float | None, limits: Limits, progress: Progress | None
) -> Film:
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            # The library's own warning about size comes where our limit has already been held against it.
            warnings.simplefilter("ignore")
            picture = Image.open(io.BytesIO(content), formats=(kind,))
            size = _size(*picture.size, resolution, limits)
            number = int(getattr(picture, "n_frames", 1))
            if number > limits.frames:
                raise DrawingError(f"it holds {number:,} pictures; at most {limits.frames:,} are allowed")
            _check_bytes(number, size)
            lasts, greys = [], []
            for grey, seconds in _each(picture, number, size):
                lasts.append(seconds)
                greys.append(grey)
                if progress is not None and len(greys) % 25 == 0:
                    progress(f"pictures, {len(greys)} of {number}")
    except DrawingError:
        raise
    except UnidentifiedImageError:
        raise DrawingError(f"this is not a {kind} picture") from None
    except Image.DecompressionBombError:
        raise DrawingError(f"the picture claims more than {limits.pixels:,} pixels, which is the limit") from None
    except (OSError, ValueError, SyntaxError, EOFError, IndexError) as error:
        raise DrawingError(f"the picture is damaged ({str(error)[:80]})") from None
    wide = picture.size[0] / size[0], picture.size[1] / size[1]
    if number == 1:
        return Film(greys, 0.0, wide)
    seconds = sum(lasts)
    # Where times differ, the shortest is the grid on which all of them are seen.
    own_rate = number / seconds if max(lasts) - min(lasts) < 1e-6 else 1.0 / min(lasts)
    count, notes = _even_count(seconds, own_rate, wanted, limits)
    sieve = _Sieve(0.0, seconds, count, None)
    until = 0.0
    for grey, last in zip(greys, lasts, strict=True):
        until += last
        sieve.passes(until, lambda grey=grey: grey)  # type: ignore[misc]  # a default binds the loop's variable
    sieve.passes(np.inf, lambda: greys[-1])
    _check_bytes(len(sieve.frames), size)
    return Film(sieve.frames, seconds, wide, notes)


def _each(picture: Any, number: int, size: tuple[int, int]) -> Iterator[tuple[Picture, float]]:
    from PIL import Image

    white = Image.new("RGBA", picture.size, "white")
    for k in range(number):
        picture.seek(k)
        flat = Image.alpha_composite(white, picture.convert("RGBA")).convert("L")
        if flat.size != size:
            flat = flat.resize(size, Image.Resampling.BOX)
        lasts = float(picture.info.get("duration") or 0.0) / 1000
        yield np.asarray(flat, np.uint8), lasts if lasts > 0.0 else PICTURES_SECONDS
