"""Reading a sound file or a take second by second, with what is not finite counted and left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np
import soundfile

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import numpy.typing as npt

TAKE_SOUND = "sound.wav"
"""The sound of a take, inside its folder."""

MOST_CHANNELS = 16
MOST_RATE = 1_000_000
LEAST_RATE = 1_000
"""Limits that keep a second of any file, and so the memory it takes, small."""

FAR = float(np.finfo(np.float32).max)
"""Beyond this a number is taken as not finite: no 32-bit sample goes there, and its square stays finite."""

TENTHS = 10
"""Parts of a second for which levels are kept over time."""


class SoundError(ValueError):
    """A sound cannot be measured; the message says why and what to do."""


@dataclass(frozen=True)
class Second:
    """One second of sound, or what is left of the last one.

    Attributes
    ----------
    samples : np.ndarray [shape=(n, channels), dtype=float64]
        Full scale is -1 to 1; 0 where a sample is not finite.
    bad : np.ndarray [shape=(n, channels), dtype=bool] or None
        Which samples are not finite; None where all are.
    rate : int
        Sample rate in hertz; n is at most that.
    """

    samples: npt.NDArray[np.float64]
    bad: npt.NDArray[np.bool_] | None
    rate: int

    def starts(self, parts: int) -> npt.NDArray[np.int64]:
        """Return where each of so many equal parts of a second begins, as far as there are frames."""
        starts = part_starts(self.rate, parts)[:-1]
        found: npt.NDArray[np.int64] = starts[starts < len(self.samples)]
        return found

    def beam_input(self) -> npt.NDArray[np.float64]:
        """Return what steers the beam [shape=(n, 2)]: the first two channels, or one channel on both axes."""
        return np.ascontiguousarray(self.samples[:, [0, min(1, self.samples.shape[1] - 1)]])

    def beam_path(self) -> npt.NDArray[np.float64]:
        """Return `beam_input` with nan in both channels where one is not finite: there the beam is nowhere."""
        pair = self.beam_input()
        if self.bad is not None:
            pair[self.bad[:, :2].any(axis=1)] = np.nan
        return pair


def part_starts(rate: int, parts: int) -> npt.NDArray[np.int64]:
    """Return the first frame of each part of a second, and the end of the last [shape=(parts + 1,)].

    Examples
    --------
    >>> part_starts(11025, 10)[:3].tolist()
    [0, 1102, 2205]
    """
    return np.rint(np.arange(parts + 1) * rate / parts).astype(np.int64)


def as_second(samples: npt.ArrayLike, rate: int) -> Second:
    """Return samples [shape=(n, channels)] with what is not finite found and set to 0."""
    taken = np.asarray(samples, np.float64)
    good = np.abs(taken) <= FAR  # false for nan as well
    if good.all():
        return Second(taken, None, rate)
    return Second(np.where(good, taken, 0.0), ~good, rate)


def seconds_of(samples: npt.ArrayLike, rate: int) -> Iterator[Second]:
    """Cut samples [shape=(n, channels)] into seconds."""
    taken = np.asarray(samples, np.float64)
    for start in range(0, len(taken), rate):
        yield as_second(taken[start : start + rate], rate)


class SoundReader:
    """A sound file or a take, open for reading; a context manager.

    Parameters
    ----------
    path : Path
        A file that libsndfile reads, or a take, which is a folder with `TAKE_SOUND`.

    Attributes
    ----------
    rate, channels : int
    frames : int
        As the file's header says; there may be fewer.

    Raises
    ------
    SoundError
        If there is no such sound, it cannot be read, or it is of a kind that cannot be measured.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        file = _found(path)
        try:
            self._file = soundfile.SoundFile(file)
        except (soundfile.SoundFileError, TypeError, OSError) as error:
            # TypeError is what soundfile raises for raw samples, which tell neither rate nor channels.
            raise SoundError(
                f"{path}: cannot be read as sound ({error}); name a .wav, .flac or other sound file"
            ) from error
        self.rate = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.frames = int(self._file.frames)
        try:
            _check(path, self.rate, self.channels)
        except SoundError:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *reason: object) -> None:
        self._file.close()

    def seconds(self) -> Iterator[Second]:
        """Yield the sound second by second.

        Raises
        ------
        SoundError
            If the file is broken on the way.
        """
        try:
            while len(read := self._file.read(self.rate, dtype="float64", always_2d=True)):
                yield as_second(read, self.rate)
        except (soundfile.SoundFileError, OSError) as error:
            raise SoundError(f"{self.path}: breaks off ({error}); take a sound copy of it") from error


def _found(path: Path) -> Path:
    if path.is_dir():
        if not (path / TAKE_SOUND).is_file():
            raise SoundError(f"{path}: a folder without {TAKE_SOUND} is no take; name a take or a sound file")
        return path / TAKE_SOUND
    if not path.exists():
        raise SoundError(f"{path}: there is no such file; name a sound file or a take")
    if not path.is_file():
        raise SoundError(f"{path}: not an ordinary file; name a sound file or a take")
    return path


def _check(path: Path, rate: int, channels: int) -> None:
    if not LEAST_RATE <= rate <= MOST_RATE:
        raise SoundError(
            f"{path}: a sample rate of {rate} Hz cannot be measured; it must be from {LEAST_RATE} to {MOST_RATE} Hz"
        )
    if channels > MOST_CHANNELS:
        raise SoundError(
            f"{path}: {channels} channels are too many to measure together; split it into files of at most {MOST_CHANNELS}"
        )
