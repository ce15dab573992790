"""Small films for the tests, and what FFmpeg makes of them."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from instrument.beam.look import Look
from instrument.export.film import FilmOptions, write_film

RATE = 48_000
SMALL = FilmOptions(64, Fraction(30), Look().with_setting("halo", 0), processes=1)

RawSamples = npt.NDArray[np.float32]


def noise(seconds: float, rate: int = RATE, seed: int = 1) -> RawSamples:
    """A signal without any period, up to full scale."""
    count = round(seconds * rate)
    return np.random.default_rng(seed).uniform(-1, 1, (count, 2)).astype(np.float32)


def shot(
    path: Path,
    sound: RawSamples,
    rate: int = RATE,
    options: FilmOptions = SMALL,
    tags: Mapping[str, str] | None = None,
    **more: Any,
) -> list[str]:
    """Make a film of a sound that comes in pieces, and return what was said."""
    pieces = np.array_split(sound, 7)
    return write_film(path, rate, pieces, len(sound), options, tags, **more)


@contextmanager
def opened(path: Path) -> Iterator[av.container.InputContainer]:
    with av.open(str(path)) as container:
        yield container


def pictures_in(path: Path) -> tuple[list[Fraction], npt.NDArray[np.uint8]]:
    """When each frame is shown in seconds, and the frames as red, green, blue."""
    with opened(path) as container:
        frames = list(container.decode(video=0))
        times = [_seconds(frame) for frame in frames]
        return times, np.stack([frame.to_ndarray(format="rgb24") for frame in frames])


def sound_in(path: Path) -> tuple[Fraction, npt.NDArray[Any]]:
    """When the sound begins in seconds, and its samples [shape=(n, 2)]: int32 for FLAC, float32 for AAC."""
    with opened(path) as container:
        frames = list(container.decode(audio=0))
        arrays = [frame.to_ndarray() for frame in frames]
        begins = _seconds(frames[0])
        if frames[0].format.is_packed:
            return begins, np.concatenate([array.reshape(-1, 2) for array in arrays])
        return begins, np.concatenate(arrays, axis=1).T


def _seconds(frame: av.VideoFrame | av.AudioFrame) -> Fraction:
    assert frame.pts is not None
    assert frame.time_base is not None
    return frame.pts * Fraction(frame.time_base)
