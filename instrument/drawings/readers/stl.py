"""Stereolithography files, binary and text: triangles."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits, check_count
from instrument.drawings.readers.file_contents import decode
from instrument.drawings.readers.mesh_edges import Mesh

if TYPE_CHECKING:
    from numpy.typing import NDArray

HEADER_BYTES = 80
# Normal, three corners, and two bytes of attributes (3D Systems, Stereolithography Interface Specification,
# 1989, from memory).
TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
VERTEX = re.compile(r"^[ \t]*vertex\b(.*)$", re.IGNORECASE | re.MULTILINE)


def parse_stl(content: bytes, limits: Limits = DEFAULT_LIMITS) -> Mesh:
    """Read an STL file's triangles.

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
        If the file is cut off, or names the line with a bad number.
    """
    body = len(content) - HEADER_BYTES - 4
    claimed = int.from_bytes(content[HEADER_BYTES : HEADER_BYTES + 4], "little") if body >= 0 else -1
    # Some programs begin binary files with the word solid too, so the size decides first.
    is_text = content[:512].lstrip().lower().startswith(b"solid") and b"facet" in content[:4096].lower()
    if body >= 0 and (claimed * TRIANGLE.itemsize == body or not is_text):
        held = body // TRIANGLE.itemsize
        if claimed > held:
            raise DrawingError(
                f"{claimed:,} triangles are announced, but the file holds only {held:,}; it is cut off or not an "
                "STL file"
            )
        check_count(claimed, "triangles", limits)
        triangles = np.frombuffer(content, TRIANGLE, claimed, HEADER_BYTES + 4)
        points = triangles["corners"].reshape(-1, 3).astype(np.float64)
        return _triangles(points)
    if not is_text:
        raise DrawingError(f"the file has {len(content)} bytes; a binary STL file has at least 84")
    return _text(decode(content), limits)


def _text(text: str, limits: Limits) -> Mesh:
    found = list(VERTEX.finditer(text))
    check_count(len(found), "corners", limits)
    if not found or len(found) % 3:
        raise DrawingError(f"{len(found)} `vertex` lines were found; an STL file has three for each of its triangles")
    points = []
    for match in found:
        try:
            x, y, z = (float(field) for field in match.group(1).split())
        except ValueError:
            line = text.count("\n", 0, match.start()) + 1
            raise DrawingError(f"{match.group(1).strip()!r} should be 3 numbers", line=line) from None
        points.append((x, y, z))
    table = np.asarray(points)
    bad = np.flatnonzero(~np.isfinite(table).all(axis=1))
    if len(bad):
        line = text.count("\n", 0, found[bad[0]].start()) + 1
        raise DrawingError("every coordinate must be a finite number", line=line)
    return _triangles(table)


def _triangles(points: NDArray[np.float64]) -> Mesh:
    return Mesh(points, np.arange(len(points)), np.full(len(points) // 3, 3))
