"""Files that are written whole or not at all, and what archives of unknown origin may raise."""

from __future__ import annotations

import contextlib
import lzma
import os
import tempfile
import zipfile
import zlib
from pathlib import Path

DAMAGE = (
    OSError,
    ValueError,
    EOFError,
    NotImplementedError,
    RuntimeError,
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
)
"""Errors of an archive that is broken, or was made to do harm."""


def write_atomically(path: Path, data: bytes) -> None:
    """Put data into a file, through a temporary one in the same folder.

    Parameters
    ----------
    path : Path
        May be a link to a file, which then stays one.
    data : bytes

    Raises
    ------
    OSError
        If the folder cannot be written or the disk is full; an old file is untouched then.
    """
    target = Path(os.path.realpath(path))
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".tmp", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(_mode_for(target))
        Path(name).replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise
    _sync_folder(target.parent)


def _mode_for(target: Path) -> int:
    # A temporary file is private; the file it becomes has the rights of the old one, or the usual ones.
    try:
        return target.stat().st_mode & 0o7777
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


def _sync_folder(folder: Path) -> None:
    # The new name is only safe once the folder is; systems that cannot sync a folder do it by themselves.
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
