"""Pixels of a virtual screen, from the file that Xvfb keeps its pixels in."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt


def pixels_of(path: Path, width: int | None = None, height: int | None = None) -> npt.NDArray[np.uint8]:
    """Return the pixels of the upper left corner, all unless told [shape=(height, width, 3)], red, green, blue.

    Source: the X Window Dump format, X11/XWDFile.h, version 7: 25 big-endian words, the first the size of the header,
    the fifth and sixth width and height, the thirteenth the bytes of a line, the twentieth the number of colours of
    12 bytes each.
    """
    data = np.memmap(path, np.uint8, "r")
    header = struct.unpack(">25I", data[:100].tobytes())
    start, line = header[0] + 12 * header[19], header[12]
    wide, tall = header[4] if width is None else width, header[5] if height is None else height
    rows = data[start : start + line * header[5]].reshape(header[5], line)
    return np.array(rows[:tall, : 4 * wide]).reshape(tall, wide, 4)[:, :, 2::-1]
