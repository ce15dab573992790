"""Object File Format: counts, vertices, and faces with any number of corners."""

from __future__ import annotations

import re

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits, check_count
from instrument.drawings.readers.file_contents import decode
from instrument.drawings.readers.mesh_edges import Mesh

# Optional letters before OFF: texture, colours, normals, a fourth coordinate, any dimension (Geomview manual,
# section 4.2.5, OFF: geometry file format). The last two do not say where x, y and z are.
HEADER = re.compile(r"^(ST)?(C)?(N)?(4)?(n)?OFF\b\s*", re.IGNORECASE)


def parse_off(content: bytes, limits: Limits = DEFAULT_LIMITS) -> Mesh:
    r"""Read an OFF file's geometry.

    Parameters
    ----------
    content : bytes
    limits : Limits

    Returns
    -------
    Mesh

    Raises
    ------
    DrawingError
        Names the line with what is wrong.

    Examples
    --------
    >>> parse_off(b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n").corners.tolist()
    [0, 1, 2]
    """
    rows = _rows(decode(content))
    if not rows:
        raise DrawingError("no counts of vertices and faces were found after the word OFF")
    number, counts = rows[0]
    vertices, faces = _whole(counts, number, 2)[:2]
    check_count(max(vertices, faces), "vertices or faces", limits)
    if len(rows) - 1 < vertices + faces:
        raise DrawingError(
            f"{vertices} vertices and {faces} faces are announced, but only {len(rows) - 1} lines follow; "
            "the file is cut off or its counts are wrong",
            line=number,
        )
    points = np.array([_point(fields, line) for line, fields in rows[1 : vertices + 1]]).reshape(-1, 3)
    corners: list[int] = []
    sizes: list[int] = []
    for line, fields in rows[vertices + 1 : vertices + faces + 1]:
        size = _whole(fields, line, 1)[0]
        if not 0 <= size < len(fields):
            raise DrawingError(f"a face of {size} corners names only {len(fields) - 1}", line=line)
        face = _whole(fields[1 : size + 1], line, size)
        bad = [row for row in face if not 0 <= row < vertices]
        if bad:
            raise DrawingError(f"vertex {bad[0]} does not exist; there are {vertices}, counted from 0", line=line)
        if size > 1:
            corners.extend(face)
            sizes.append(size)
    return Mesh(points, np.asarray(corners, np.int64), np.asarray(sizes, np.int64))


def _rows(text: str) -> list[tuple[int, list[str]]]:
    rows = []
    seen_header = False
    for number, line in enumerate(text.split("\n"), 1):
        words = line.split("#", 1)[0].strip()
        if words and not seen_header:
            seen_header = True
            header = HEADER.match(words)
            if header is not None:
                if header.group(4) or header.group(5) or "BINARY" in words.upper():
                    raise DrawingError(
                        f"{words.split()[0]} is not read; save it as plain OFF with 3 coordinates",
                        line=number,
                    )
                words = words[header.end() :]
        if words:
            rows.append((number, words.split()))
    return rows


def _whole(fields: list[str], line: int, least: int) -> list[int]:
    if len(fields) < least:
        raise DrawingError(f"{least} whole numbers are needed here (got {len(fields)})", line=line)
    try:
        # Counts and indices alone: the colours behind a face may be fractions.
        return [int(field) for field in fields[:least]]
    except ValueError:
        raise DrawingError(f"{' '.join(fields[:4])!r} should be whole numbers", line=line) from None


def _point(fields: list[str], line: int) -> list[float]:
    try:
        point = [float(field) for field in fields[:3]]
    except ValueError:
        raise DrawingError(f"{' '.join(fields[:3])!r} should be 3 numbers", line=line) from None
    if len(point) < 3 or not np.isfinite(point).all():
        raise DrawingError(f"{' '.join(fields[:3])!r} should be 3 finite numbers", line=line)
    return point
