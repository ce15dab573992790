"""How long the disk will hold out, and room kept back for ending a recording cleanly."""

from __future__ import annotations

import shutil
from contextlib import suppress
from typing import TYPE_CHECKING

from instrument.takes.sound_file import FRAME_BYTES

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

WARNING_MINUTES = 5.0
"""Of recording that still fit when a warning is due."""

RESERVE = 1 << 20
"""Bytes kept back, so that the performance and `take.toml` can be written on a disk that others have filled."""

SPARE_SECONDS = 1.0
"""Of sound that are left free when a recording is ended."""

RESERVE_NAME = ".reserve"


def free_bytes(folder: Path) -> int:
    """Return how much the file system of a folder still takes."""
    return shutil.disk_usage(folder).free


class Disk:
    """The room for one recording.

    Parameters
    ----------
    folder : Path
        Of the take.
    rate : int
    free : callable, optional
        Takes the folder and returns the bytes left.

    Attributes
    ----------
    files : int
        Sound files that grow at the same time.

    Raises
    ------
    OSError
        If there is no room to begin with.
    """

    def __init__(self, folder: Path, rate: int, free: Callable[[Path], int] = free_bytes) -> None:
        self._folder = folder
        self._a_second = rate * FRAME_BYTES
        self._free = free
        self.files = 1
        self._reserve = folder / RESERVE_NAME
        self._reserve.write_bytes(bytes(RESERVE))

    def minutes_left(self, other: int = 0) -> float:
        """Return for how many minutes of sound there is room, beside `other` bytes; 0 when it is time to end."""
        a_second = self.files * self._a_second
        left = self._free(self._folder) - other - SPARE_SECONDS * a_second
        return max(left / a_second / 60, 0.0)

    def release(self) -> None:
        """Give the reserve back to whoever ends the recording."""
        with suppress(OSError):
            self._reserve.unlink()
