"""Sound files from elsewhere, as two channels that can be looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from instrument.export.sound import ExportError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import numpy.typing as npt

_PIECE = 1 << 16


@dataclass(frozen=True)
class Sound:
    """A sound file that can be opened.

    Attributes
    ----------
    path : Path
    rate : int
        Sample rate in hertz.
    frames : int
    channels : int
    """

    path: Path
    rate: int
    frames: int
    channels: int

    @property
    def remark(self) -> str:
        """What is left out or made up, in one sentence; empty for two channels."""
        if self.channels == 1:
            return "one channel moves the beam both across and upwards, along a diagonal"
        if self.channels > 2:
            return f"the first two of {self.channels} channels are shown"
        return ""

    def pieces(self, first: int, count: int) -> Iterator[npt.NDArray[np.float32]]:
        """Yield frames as float32 pieces [shape=(n, 2)].

        Raises
        ------
        ExportError
            If the file is cut short or cannot be decoded.
        """
        try:
            with soundfile.SoundFile(self.path) as file:
                file.seek(first)
                while count > 0:
                    piece = file.read(min(count, _PIECE), dtype="float32", always_2d=True)
                    if not len(piece):
                        raise ExportError(f"{self.path}: ends before its header says; save it again")
                    count -= len(piece)
                    yield np.ascontiguousarray(piece[:, [0, 0]] if self.channels == 1 else piece[:, :2])
        except (OSError, soundfile.SoundFileError) as error:
            raise ExportError(f"{self.path}: cannot be read as sound ({error})") from error


def is_sound(path: Path) -> bool:
    """Return whether a file's ending is one of a sound file.

    Examples
    --------
    >>> from pathlib import Path
    >>> is_sound(Path("tide.WAV")), is_sound(Path("tide.toml"))
    (True, False)
    """
    ending = path.suffix.lower().removeprefix(".")
    return ending in _ENDINGS


def open_sound(path: Path) -> Sound:
    """Return what a sound file holds.

    Raises
    ------
    ExportError
        If there is no such file, it is none that libsndfile reads, or it is empty.
    """
    if not path.is_file():
        raise ExportError(f"{path}: there is no such file")
    try:
        info = soundfile.info(path)
    except (OSError, soundfile.SoundFileError) as error:
        raise ExportError(f"{path}: cannot be read as sound ({error}); save it as .wav or .flac") from error
    if info.frames <= 0:
        raise ExportError(f"{path}: holds no sound")
    return Sound(path, int(info.samplerate), int(info.frames), int(info.channels))


_ENDINGS = frozenset(name.lower() for name in soundfile.available_formats()) | {
    "aif",
    "aifc",
    "oga",
    "opus",
    "snd",
}
"""Endings of the formats that libsndfile reads; it knows some by another name than their files have."""
