"""Films and animated pictures for tests: a dark square that moves over a bright ground."""

import io
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.video.stream import VideoStream
from numpy.typing import NDArray
from PIL import Image

WIDE, HIGH, SIDE = 160, 120, 32
MILLISECOND = Fraction(1, 1000)


def picture(left: float, top: float = 40.0, *, dark: bool = True) -> NDArray[np.uint8]:
    """Return a frame [shape=(HIGH, WIDE)] with the square at a place."""
    found = np.full((HIGH, WIDE), 235, np.uint8)
    if dark:
        found[round(top) : round(top) + SIDE, round(left) : round(left) + SIDE] = 20
    return found


def write_film(
    path: Path, pictures: Sequence[NDArray[np.uint8]], rate: int = 25, times: Sequence[int] | None = None
) -> Path:
    """Write pictures as a film; `times` in milliseconds, where they are not even."""
    codec = "libvpx-vp9" if path.suffix == ".webm" else "libx264"
    with av.open(str(path), "w") as file:
        stream = file.add_stream(codec, rate=rate)
        assert isinstance(stream, VideoStream)
        stream.width, stream.height, stream.pix_fmt = WIDE, HIGH, "yuv420p"
        if times is not None:
            stream.codec_context.time_base = MILLISECOND
        for number, shown in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(shown, "gray").reformat(format="yuv420p")
            if times is not None:
                frame.pts, frame.time_base = times[number], MILLISECOND
            file.mux(stream.encode(frame))
        file.mux(stream.encode())
    return path


def animated(kind: str, pictures: Sequence[NDArray[np.uint8]], lasts: int | list[int] = 40) -> bytes:
    """Return pictures as an animated one: GIF, WEBP or PNG; times in milliseconds."""
    first, *others = [Image.fromarray(shown) for shown in pictures]
    buffer = io.BytesIO()
    more = {"lossless": True} if kind == "WEBP" else {}
    first.save(buffer, kind, save_all=True, append_images=others, duration=lasts, loop=0, **more)
    return buffer.getvalue()
