"""Sound on disk: files that can be read to the last written frame at any moment, and 24 bits without dither."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import soundfile

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    import numpy.typing as npt

TAGS = ("title", "artist", "date")
"""Names of the tags of a sound file."""

FRAME_BYTES = 8
"""Two channels of 32-bit float."""

_UPDATE_HEADER_AUTO = 0x1061
"""SFC_SET_UPDATE_HEADER_AUTO of sndfile.h: the header is written again after every write, so that a process that is
killed leaves a file that says how long it is."""

_FULL_SCALE_24 = 1 << 23
_HEADER_BYTES = 1 << 16
_HIGHEST_FLAC = 655_350


def flac_holds(rate: int) -> bool:
    """Return whether FLAC can say a sample rate in its frames.

    Source: RFC 9639, 9.1.2 and 9.1.3: up to 65,535 Hz, or up to 655,350 Hz in steps of 10, or up to 255 kHz.

    Examples
    --------
    >>> [flac_holds(rate) for rate in (44_100, 44_101, 96_000, 96_001, 192_000, 655_360)]
    [True, True, True, False, True, False]
    """
    if rate % 10 == 0 and rate <= _HIGHEST_FLAC:
        return True
    return 0 < rate < 1 << 16


class FloatFile:
    """An RF64 file of two channels of 32-bit float whose header is always current.

    Parameters
    ----------
    path : Path
        Must not be there yet.
    rate : int
        Sample rate in hertz.
    tags : mapping of str to str
        Some of `TAGS`.

    Raises
    ------
    FileExistsError
        If there is such a file.
    OSError, soundfile.SoundFileError
        If it cannot be written.

    Notes
    -----
    The same samples and tags give the same bytes, whenever they are written.

    Source: EBU Tech 3306, MBWF / RF64: An extended file format for audio.
    """

    def __init__(self, path: Path, rate: int, tags: Mapping[str, str]) -> None:
        self._path = path
        path.open("xb").close()
        self._file = soundfile.SoundFile(path, "w", rate, 2, "FLOAT", format="RF64")
        # soundfile has no door of its own to this command of the library.
        library, pointers = soundfile._snd, soundfile._ffi  # noqa: SLF001
        library.sf_command(self._file._file, _UPDATE_HEADER_AUTO, pointers.NULL, 1)  # noqa: SLF001
        set_tags(self._file, tags)
        self._handle = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
        self.write(np.zeros((0, 2), np.float32))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self.close()

    def write(self, frames: npt.NDArray[np.float32]) -> None:
        """Append frames [shape=(n, 2)]; the header counts them before this returns.

        Raises
        ------
        soundfile.SoundFileError
            If the disk takes no more; what was written stays readable.
        """
        self._file.write(frames)

    def sync(self) -> None:
        """Have the system put everything written so far on the disk itself; may be called from another thread."""
        os.fsync(self._handle)

    def close(self) -> None:
        """Finish the file."""
        if self._file.closed:
            return
        self._file.close()
        _forget_time(self._path)
        os.fsync(self._handle)
        os.close(self._handle)


def set_tags(file: Any, tags: Mapping[str, str]) -> None:
    """Write `TAGS` into an open soundfile.SoundFile, before its first sample."""
    for name in TAGS:
        if tags.get(name):
            setattr(file, name, tags[name])


def tags_from(settings: Iterable[str]) -> dict[str, str]:
    """Return tags typed as NAME=TEXT.

    Raises
    ------
    ValueError
        If one is not among `TAGS`.

    Examples
    --------
    >>> tags_from(["title=Low tide", "artist=Night shift"])
    {'title': 'Low tide', 'artist': 'Night shift'}
    """
    tags = {}
    for setting in settings:
        name, equals, text = setting.partition("=")
        if not equals or name.strip() not in TAGS:
            raise ValueError(f"--tag {setting}: write one of {', '.join(TAGS)} as in title=Low tide")
        tags[name.strip()] = "".join(letter for letter in text.strip() if letter.isprintable())
    return tags


def to_24_bits(frames: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.int32], int]:
    """Return samples as whole numbers of 24 bits, rounded to the nearest and without dither.

    Dither would be noise on the beam, and a drawing hides no rounding error of 2**-24.

    Parameters
    ----------
    frames : np.ndarray [shape=(n, 2), dtype=float32]

    Returns
    -------
    np.ndarray [shape=(n, 2), dtype=int32]
        In the upper 24 bits, as libsndfile takes them.
    int
        How many samples lie beyond what 24 bits hold, which ends one step short of full scale.

    Examples
    --------
    >>> numbers, clipped = to_24_bits(np.array([[0.5, -1.0], [1.0, 0.0]], np.float32))
    >>> (numbers >> 8).tolist(), clipped
    ([[4194304, -8388608], [8388607, 0]], 1)
    """
    scaled = np.rint(np.asarray(frames, np.float64) * _FULL_SCALE_24)
    held = np.clip(scaled, -_FULL_SCALE_24, _FULL_SCALE_24 - 1)
    return held.astype(np.int32) << 8, int(np.count_nonzero(held != scaled))


def _forget_time(path: Path) -> None:
    # The PEAK chunk that libsndfile adds carries the second it was written in, which would make two files of the same
    # samples differ. It is version, time stamp, then a value and a place for each channel.
    with path.open("r+b") as file:
        head = file.read(_HEADER_BYTES)
        at = head.find(b"PEAK", 0, head.find(b"data"))
        if at >= 0:
            file.seek(at + 12)
            file.write(bytes(4))
