"""What reading an archive of unknown origin may raise; apart, because the recorder needs this and no patch reader."""

from __future__ import annotations

import lzma
import zipfile
import zlib

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
