"""Files that are still being written: whether a drawing's file ends as its format should."""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_TAIL = 1024
"""Bytes at the end that are looked at, for comments and white space may follow the end."""

_HEAD = 84
"""Bytes at the beginning: as many as a binary STL has before its triangles."""

_TRIANGLE = 50


def is_finished(path: Path) -> bool | None:
    """Tell whether a drawing's file has been written to its end, by its last bytes and the sizes that it names.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool or None
        False where the end is missing, or the file is empty or cannot be read; None where a line may be cut. Files whose format
        has no end, and all that are no drawings, are finished.
    """
    look = _ENDS.get(path.suffix.lower())
    try:
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            if size == 0 or look is None:
                return size > 0
            head = file.read(_HEAD)
            file.seek(max(0, size - _TAIL))
            return look(size, head, file.read(_TAIL).rstrip(b" \t\0"))
    except OSError:
        return False


def _line(size: int, head: bytes, tail: bytes) -> bool | None:
    # A last line without its end may be a number cut in two, or what a hand has typed.
    del size, head
    return True if tail.endswith((b"\n", b"\r")) else None


def _svg(size: int, head: bytes, tail: bytes) -> bool | None:
    del size, head
    return b"</svg" in tail.lower() or b":svg>" in tail.lower() or tail.rstrip().endswith(b"/>")


def _stl(size: int, head: bytes, tail: bytes) -> bool | None:
    if b"endsolid" in tail.lower():
        return True
    if len(head) < _HEAD:
        return False
    # Binary: 80 bytes of any text, the number of triangles, 50 bytes for each; some programs write more behind them.
    return size >= _HEAD + _TRIANGLE * int(struct.unpack_from("<I", head, 80)[0])


def _glb(size: int, head: bytes, tail: bytes) -> bool | None:
    # glTF 2.0, section 4.4.2: magic, version, length of the whole file.
    del tail
    return len(head) >= 12 and size >= int(struct.unpack_from("<I", head, 8)[0])


def _json(size: int, head: bytes, tail: bytes) -> bool | None:
    del size, head
    return tail.rstrip().endswith(b"}")


def _png(size: int, head: bytes, tail: bytes) -> bool | None:
    # ISO/IEC 15948, section 11.2.5: the last chunk.
    del size, head
    return b"IEND" in tail


def _jpeg(size: int, head: bytes, tail: bytes) -> bool | None:
    # ITU-T T.81, table B.1: the end of image.
    del size, head
    return b"\xff\xd9" in tail


_ENDS: dict[str, Callable[[int, bytes, bytes], bool | None]] = {
    ".obj": _line,
    ".off": _line,
    ".csv": _line,
    ".svg": _svg,
    ".stl": _stl,
    ".glb": _glb,
    ".gltf": _json,
    ".png": _png,
    ".jpg": _jpeg,
    ".jpeg": _jpeg,
}
