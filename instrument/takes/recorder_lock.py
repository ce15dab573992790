"""Telling a take that is being recorded from one whose recorder has died."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

try:
    import fcntl
except ImportError:  # Windows, where an open file cannot be removed by others
    fcntl = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from pathlib import Path

NAME = ".recording"


class Lock:
    """A mark in a take's folder that goes with the process that made it, however it ends.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    OSError
        If another process holds it.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._file = self._path.open("wb")
        if fcntl is not None:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                self._file.close()
                raise

    def release(self) -> None:
        """Take the mark away."""
        if os.name == "nt":
            self._file.close()
        self._path.unlink(missing_ok=True)
        self._file.close()


def is_locked(folder: Path) -> bool:
    """Return whether a living process records into a folder."""
    path = folder / NAME
    if not path.exists():
        return False
    try:
        if fcntl is None:
            path.unlink()
            return False
        with path.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    return False
