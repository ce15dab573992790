"""Plain lists of points: comma-separated text and NumPy arrays."""

from __future__ import annotations

import io
import re
import warnings
from tokenize import TokenError
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits, check_count
from instrument.drawings.readers.file_contents import decode
from instrument.drawings.strokes import Drawing, from_strokes

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A comma may be the decimal point in a file that separates by semicolons or tabs.
SEPARATORS = (";", "\t", ",")
WORDS = re.compile(r"[\s,]+")


def parse_csv(content: bytes, limits: Limits = DEFAULT_LIMITS) -> Drawing:
    r"""Read lines of two or three numbers as the points of a stroke; an empty line ends a stroke.

    Parameters
    ----------
    content : bytes
        In any encoding, separated by commas, semicolons, tabs or spaces. One line of column names may come
        first; lines that begin with # say nothing.
    limits : Limits

    Returns
    -------
    Drawing

    Raises
    ------
    DrawingError
        Names the line that is not two or three finite numbers.

    Examples
    --------
    >>> parse_csv(b"x,y\n0,0\n1,0\n\n5,5\n6,6\n").edges.tolist()
    [[0, 1], [2, 3]]
    """
    strokes: list[list[list[float]]] = [[]]
    text = decode(content)
    separator = next((mark for mark in SEPARATORS if mark in text), None)
    width = 0
    header_allowed = True
    for number, line in enumerate(text.split("\n"), 1):
        words = line.strip()
        if words.startswith("#"):
            continue
        if not words.strip(";,"):
            strokes.append([])
            continue
        point = _point(words, separator)
        if point is None and header_allowed:
            header_allowed = False
            continue
        header_allowed = False
        if point is None or len(point) not in {2, 3} or not np.isfinite(point).all():
            raise DrawingError(f"{words[:60]!r} should be 2 or 3 finite numbers", line=number)
        width = width or len(point)
        if len(point) != width:
            raise DrawingError(f"{len(point)} numbers here, but {width} in the lines before", line=number)
        strokes[-1].append(point)
    check_count(sum(map(len, strokes)), "points", limits)
    return from_strokes([np.asarray(stroke) for stroke in strokes if stroke])


def _point(words: str, separator: str | None) -> list[float] | None:
    if separator in {";", "\t"}:
        fields = [field.strip().replace(",", ".") for field in words.split(separator)]
    else:
        fields = WORDS.split(words)
    while fields and not fields[-1]:
        fields.pop()
    try:
        return [float(field.strip('"')) for field in fields]
    except ValueError:
        return None


def parse_npy(content: bytes, limits: Limits = DEFAULT_LIMITS) -> Drawing:
    """Read a NumPy array of points: one stroke, or several of the same length.

    Parameters
    ----------
    content : bytes
        A .npy file of numbers, shape (n, 2), (n, 3), (strokes, n, 2) or (strokes, n, 3).
    limits : Limits

    Returns
    -------
    Drawing

    Raises
    ------
    DrawingError
        If it is no such array, or its header claims more than the file holds.
    """
    table = _array(content, limits)
    if table.ndim == 2:
        table = table[None]
    if table.ndim != 3 or table.shape[2] not in {2, 3}:
        raise DrawingError(
            f"the array has shape {table.shape}; (points, 2), (points, 3) or (strokes, points, 2 or 3) is drawn"
        )
    return from_strokes(table.astype(np.float64))


def _array(content: bytes, limits: Limits) -> NDArray[np.float64]:
    from numpy.lib import format as npy  # noqa: PLC0415 (read only here)

    stream = io.BytesIO(content)
    try:
        version = npy.read_magic(stream)
        read_header = npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0
        with warnings.catch_warnings():
            # A header in the manner of Python 2 is read all the same.
            warnings.simplefilter("ignore", UserWarning)
            shape, fortran, kind = read_header(stream)
    except (ValueError, TypeError, SyntaxError, RecursionError, MemoryError, TokenError) as error:
        raise DrawingError(f"this is not a NumPy array file ({str(error)[:80]})") from None
    # The shape is the file's own word; plain integers cannot overflow where it lies.
    count = 1
    for side in shape:
        count *= int(side)
    if kind.kind not in "fiu":
        raise DrawingError(f"the array holds {kind.name}, not plain numbers")
    held = (len(content) - stream.tell()) // kind.itemsize
    if count > held or count < 0:
        raise DrawingError(f"the header claims {count:,} numbers, but the file holds {held:,}; it is cut off")
    check_count(count // 2, "points", limits)
    flat = np.frombuffer(content, kind, count, stream.tell())
    return np.asarray(flat.reshape(shape, order="F" if fortran else "C"))
