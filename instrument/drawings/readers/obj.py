"""Wavefront OBJ: vertices, faces with any number of corners, and lines."""

from __future__ import annotations

import itertools
import re
import warnings
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits, check_count
from instrument.drawings.readers.file_contents import decode
from instrument.drawings.readers.mesh_edges import Mesh
from instrument.drawings.strokes import no_edges

if TYPE_CHECKING:
    from numpy.typing import NDArray

Number = TypeVar("Number", np.float64, np.int64)

# Statements that draw curves and surfaces by formulas, from the format's specification (Wavefront Technologies,
# Advanced Visualizer Manual, Appendix B1, Object Files); they are left out with a warning.
FREE_FORM = frozenset({"curv", "curv2", "surf"})


def parse_obj(content: bytes, limits: Limits = DEFAULT_LIMITS) -> Mesh:
    r"""Read an OBJ file's geometry.

    Parameters
    ----------
    content : bytes
        The file, in any encoding.
    limits : Limits

    Returns
    -------
    Mesh

    Raises
    ------
    DrawingError
        Names the line with a bad number or an index of no vertex.

    Examples
    --------
    >>> parse_obj(b"v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 -1").sizes.tolist()
    [4]
    """
    text = decode(content)
    return _all_at_once(text, limits) or _line_by_line(text, limits)


INDENT = re.compile(r"^[ \t]+", re.MULTILINE)
BEHIND_SLASH = re.compile(r"/\S*")
# What only the slow way understands: continued lines, and curves by formula, which it warns about.
UNUSUAL = ("\\", "curv", "surf", "\nv\n", "\nf\n", "\nl\n", "\v", "\f")


def _all_at_once(text: str, limits: Limits) -> Mesh | None:
    """Read an ordinary file quickly; None where anything is unusual or wrong, which the slow way explains."""
    text = f"\n{text}\n"
    if "\n " in text or "\n\t" in text:
        text = INDENT.sub("", text)
    if any(word in text for word in UNUSUAL):
        return None
    statements = text.split("\n")
    vertices = [line for line in statements if line.startswith(("v ", "v\t"))]
    try:
        values, sizes = _numbers_of(vertices, "v", "nan", np.float64)
        if vertices and sizes.min() < 3:
            return None
        first = np.cumsum(sizes) - sizes
        points = values[first[:, None] + np.arange(3)]
        faces = [line for line in statements if line.startswith(("f ", "f\t", "fo ", "fo\t"))]
        corners, sizes = _rows_of(faces, "f")
        ends, lengths = _rows_of([line for line in statements if line.startswith(("l ", "l\t"))], "l")
    except (ValueError, DeprecationWarning):
        return None
    check_count(max(len(points), len(corners), len(ends)), "vertices or edges", limits)
    rows = np.concatenate([corners, ends])
    # Rows counted back from the end are negative here.
    if len(rows) and not 0 <= rows.min() <= rows.max() < len(points):
        return None
    if not np.isfinite(points).all():
        return None
    last = np.cumsum(lengths) - 1
    lines = np.delete(np.stack([ends[:-1], ends[1:]], axis=1), last[:-1], axis=0) if len(ends) else no_edges()
    keep = sizes > 1
    return Mesh(points, corners[np.repeat(keep, sizes)], sizes[keep], _within(lines))


def _rows_of(statements: list[str], word: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows of the vertices that statements name, one after the other, and how many each names."""
    # No vertex has the number 0, so it can stand for the word.
    numbers, sizes = _numbers_of(statements, word, "0", np.int64)
    return numbers - 1, sizes


def _numbers_of(
    statements: list[str], word: str, mark: str, kind: type[Number]
) -> tuple[NDArray[Number], NDArray[np.int64]]:
    """Numbers of statements that begin with a word, one after the other, and how many each has.

    The word is written as a number that none of them may be, so that all are read at once. Raises ValueError, or the
    warning that is to become one, where something is no such number.
    """
    text = "\n".join(statements)
    if "/" in text:
        text = BEHIND_SLASH.sub("", text)
    text = text.replace("fo", mark).replace(word, mark) if word == "f" else text.replace(word, mark)
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)
        numbers = np.fromstring(text, kind, sep=" ")
    is_mark = numbers == 0 if mark == "0" else np.isnan(numbers)
    begin = np.flatnonzero(is_mark)
    if len(begin) != len(statements):
        raise ValueError(text[:40])
    return numbers[~is_mark], np.diff(np.append(begin, len(numbers))) - 1


def _line_by_line(text: str, limits: Limits) -> Mesh:
    """Read any file, and name the line where it is wrong."""
    points: list[list[str]] = []
    corners: list[int] = []
    sizes: list[int] = []
    lines: list[tuple[int, int]] = []
    point_lines: list[int] = []
    left_out: dict[str, int] = {}
    for number, fields in _statements(text):
        word = fields[0]
        if word == "v":
            points.append(fields[1:4])
            point_lines.append(number)
        elif word in {"f", "fo", "l"}:
            rows = [_row(field, len(points), number) for field in fields[1:]]
            if word == "l":
                lines.extend(itertools.pairwise(rows))
            elif len(rows) > 1:
                corners.extend(rows)
                sizes.append(len(rows))
        elif word in FREE_FORM:
            left_out[word] = left_out.get(word, 0) + 1
    check_count(max(len(points), len(corners), len(lines)), "vertices or edges", limits)
    words = tuple(f"{count} `{word}` left out: curves by formula are not drawn" for word, count in left_out.items())
    return Mesh(
        _numbers(points, point_lines),
        np.asarray(corners, np.int64),
        np.asarray(sizes, np.int64),
        _within(np.asarray(lines, np.int64).reshape(-1, 2)),
        words,
    )


def _statements(text: str) -> list[tuple[int, list[str]]]:
    """Lines that say something, with their numbers; a line that ends in a backslash goes on in the next."""
    found = []
    waiting: list[str] = []
    begun = 0
    for number, line in enumerate(text.split("\n"), 1):
        fields = line.split("#", 1)[0].split() if "#" in line else line.split()
        if not waiting:
            begun = number
        if fields and fields[-1].endswith("\\"):
            waiting += [*fields[:-1], fields[-1][:-1]] if fields[-1] != "\\" else fields[:-1]
            continue
        if waiting:
            fields, waiting = waiting + fields, []
        if fields:
            found.append((begun, fields))
    if waiting:
        found.append((begun, waiting))
    return found


def _row(field: str, count: int, number: int) -> int:
    """Row of the vertex that a corner such as `7`, `7/2/3`, `7//3` or `-1` means."""
    word = field.split("/", 1)[0]
    try:
        index = int(word)
    except ValueError:
        raise DrawingError(
            f"{field[:40]!r} is not a vertex; a corner is a whole number such as 7 or 7/1/3", line=number
        ) from None
    row = index - 1 if index > 0 else count + index
    if index == 0 or not 0 <= row < count:
        raise DrawingError(
            f"vertex {index} does not exist; {count} vertices were given before this line, counted from 1, "
            "or from the last one as -1",
            line=number,
        )
    return row


def _numbers(points: list[list[str]], lines: list[int]) -> NDArray[np.float64]:
    try:
        table = np.asarray(points, np.float64).reshape(len(points), 3)
    except ValueError:
        # The quick way failed; the slow one finds the line.
        table = np.array([_vertex(fields, line) for fields, line in zip(points, lines, strict=True)])
    bad = np.flatnonzero(~np.isfinite(table).all(axis=1))
    if len(bad):
        raise DrawingError(
            f"vertex {bad[0] + 1} is ({', '.join(points[bad[0]])}); every coordinate must be a finite number",
            line=lines[bad[0]],
        )
    return table


def _vertex(fields: list[str], line: int) -> list[float]:
    if len(fields) != 3:
        raise DrawingError(f"a vertex needs 3 coordinates (got {len(fields)})", line=line)
    for field in fields:
        try:
            float(field)
        except ValueError:
            raise DrawingError(f"{field[:40]!r} is not a number; a vertex is 3 numbers", line=line) from None
    return [float(field) for field in fields]


def _within(lines: NDArray[np.int64]) -> NDArray[np.int64]:
    return lines[lines[:, 0] != lines[:, 1]] if len(lines) else lines
