"""Polygon files (PLY), text and binary: vertices, faces, triangle strips and edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits, check_count
from instrument.drawings.readers.file_contents import decode
from instrument.drawings.readers.mesh_edges import Mesh
from instrument.drawings.strokes import no_edges

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# Both spellings of the scalar types (G. Turk, The PLY Polygon File Format, 1994, from memory).
TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4", "float": "f4",
    "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4",
    "float32": "f4", "float64": "f8",
}  # fmt: skip
ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
FACE_LISTS = ("vertex_indices", "vertex_index")
# A header longer than this is no header.
HEADER_BYTES = 65_536


@dataclass
class _Property:
    name: str
    kind: str
    count_kind: str | None = None


@dataclass
class _Element:
    name: str
    count: int
    properties: list[_Property]


@dataclass(frozen=True)
class _Lists:
    """Lists of whole numbers, one after the other, and how long each is."""

    values: NDArray[np.int64]
    sizes: NDArray[np.int64]


_Column = "NDArray[np.float64] | _Lists"


def parse_ply(content: bytes, limits: Limits = DEFAULT_LIMITS) -> Mesh:
    """Read a PLY file's geometry.

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
        If the header cannot be understood, the file is cut off, or an index names no vertex.
    """
    order, elements, body = _header(content)
    for element in elements:
        check_count(element.count, f"of element {element.name}", limits)
    read = _read_text if order == "" else _read_binary
    columns = read(content[body:], elements, order)
    vertex = columns.get("vertex", {})
    if not {"x", "y", "z"} <= vertex.keys():
        raise DrawingError("the file has no vertices with x, y and z")
    points = np.stack([_scalars(vertex, axis) for axis in "xyz"], axis=1)
    bad = np.flatnonzero(~np.isfinite(points).all(axis=1))
    if len(bad):
        raise DrawingError(f"vertex {bad[0]} is not made of finite numbers; correct or remove it")
    corners, sizes = _faces(columns)
    lines = no_edges()
    if "edge" in columns:
        lines = np.stack([_scalars(columns["edge"], f"vertex{end}") for end in (1, 2)], axis=1).astype(np.int64)
    for rows, what in ((corners, "face"), (lines.ravel(), "edge")):
        wrong = rows[(rows < 0) | (rows >= len(points))]
        if len(wrong):
            raise DrawingError(
                f"a {what} names vertex {wrong[0]}, which does not exist; there are {len(points)}, counted from 0"
            )
    return Mesh(points, corners, sizes, lines)


def _faces(columns: dict[str, dict[str, object]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    found = []
    for name in FACE_LISTS:
        lists = columns.get("face", {}).get(name)
        if isinstance(lists, _Lists):
            found.append((lists.values, lists.sizes))
    for name in FACE_LISTS:
        strips = columns.get("tristrips", {}).get(name)
        if isinstance(strips, _Lists):
            # A strip goes on to the next triangle with each vertex; -1 begins a new strip.
            windows = np.lib.stride_tricks.sliding_window_view(np.append(strips.values, [-1, -1]), 3)
            triangles = windows[(windows >= 0).all(axis=1)]
            found.append((triangles.ravel(), np.full(len(triangles), 3)))
    if not found:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    return np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])


def _scalars(columns: dict[str, object], name: str) -> NDArray[np.float64]:
    column = columns.get(name)
    if not isinstance(column, np.ndarray):
        raise DrawingError(f"property {name} is missing, or is a list where one number is needed")
    return column.astype(np.float64)


def _header(content: bytes) -> tuple[str, list[_Element], int]:
    if not content.startswith(b"ply"):
        raise DrawingError("the file does not begin with the word ply", line=1)
    end = content.find(b"end_header", 0, HEADER_BYTES)
    body = content.find(b"\n", end) + 1 if end >= 0 else 0
    if end >= 0 and content[end + 10 : end + 11] == b"\r" and content[end + 11 : end + 12] != b"\n":
        body = end + 11
    if end < 0 or body == 0:
        raise DrawingError(f"no line `end_header` was found in the first {HEADER_BYTES:,} bytes")
    order: str | None = None
    elements: list[_Element] = []
    for number, line in enumerate(decode(content[:end]).split("\n"), 1):
        fields = line.split()
        try:
            if fields[:1] == ["format"]:
                order = ORDERS[fields[1]]
            elif fields[:1] == ["element"]:
                elements.append(_Element(fields[1], int(fields[2]), []))
                if elements[-1].count < 0:
                    raise ValueError
            elif fields[:2] == ["property", "list"]:
                elements[-1].properties.append(_Property(fields[4], TYPES[fields[3]], TYPES[fields[2]]))
            elif fields[:1] == ["property"]:
                elements[-1].properties.append(_Property(fields[2], TYPES[fields[1]]))
        except (KeyError, IndexError, ValueError):
            raise DrawingError(f"{line.strip()[:80]!r} is not understood", line=number) from None
    if order is None:
        raise DrawingError("the header names no format (ascii, binary_little_endian or binary_big_endian)")
    return order, elements, body


def _cut_off(element: _Element) -> DrawingError:
    return DrawingError(
        f"{element.count:,} of element {element.name} are announced, but the file ends before; it is cut off or "
        "its header is wrong"
    )


def _read_text(body: bytes, elements: Sequence[_Element], order: str) -> dict[str, dict[str, object]]:
    del order
    words = decode(body).split()
    offset = 0
    columns: dict[str, dict[str, object]] = {}
    for element in elements:
        scalars_only = all(p.count_kind is None for p in element.properties)
        width = len(element.properties)
        if element.count * width > len(words) - offset:
            raise _cut_off(element)
        try:
            if scalars_only:
                table = np.asarray(words[offset : offset + element.count * width], np.float64)
                offset += element.count * width
                columns[element.name] = {p.name: table[at::width] for at, p in enumerate(element.properties) if width}
            else:
                columns[element.name], offset = _text_lists(words, offset, element)
        except ValueError as error:
            if isinstance(error, DrawingError):
                raise
            raise DrawingError(f"element {element.name} holds something that is no number ({error})") from None
    return columns


def _text_lists(words: list[str], offset: int, element: _Element) -> tuple[dict[str, object], int]:
    values: dict[str, list[float]] = {p.name: [] for p in element.properties}
    sizes: dict[str, list[int]] = {p.name: [] for p in element.properties}
    for _ in range(element.count):
        for prop in element.properties:
            size = 1
            if offset >= len(words):
                raise _cut_off(element)
            if prop.count_kind is not None:
                size = int(words[offset])
                offset += 1
            if not 0 <= size <= len(words) - offset:
                raise _cut_off(element)
            values[prop.name].extend(map(float, words[offset : offset + size]))
            sizes[prop.name].append(size)
            offset += size
    return {p.name: _column(values[p.name], sizes[p.name], p) for p in element.properties}, offset


def _column(values: Sequence[float] | NDArray[np.float64], sizes: Sequence[int], prop: _Property) -> object:
    table = np.asarray(values, np.float64)
    if prop.count_kind is None:
        return table
    # Whole numbers far outside any index become -1 on the way, which names no vertex either.
    whole = np.where(np.abs(table) < 2**53, table, -1).astype(np.int64)
    return _Lists(whole, np.asarray(sizes, np.int64))


def _read_binary(body: bytes, elements: Sequence[_Element], order: str) -> dict[str, dict[str, object]]:
    offset = 0
    columns: dict[str, dict[str, object]] = {}
    for element in elements:
        if all(p.count_kind is None for p in element.properties):
            row = np.dtype([(f"f{at}", order + p.kind) for at, p in enumerate(element.properties)])
            if element.count * row.itemsize > len(body) - offset:
                raise _cut_off(element)
            table = np.frombuffer(body, row, element.count, offset) if row.itemsize else None
            offset += element.count * row.itemsize
            columns[element.name] = {
                p.name: table[f"f{at}"].astype(np.float64)
                for at, p in enumerate(element.properties)
                if table is not None
            }
        else:
            columns[element.name], offset = _binary_lists(body, offset, element, order)
    return columns


def _binary_lists(body: bytes, offset: int, element: _Element, order: str) -> tuple[dict[str, object], int]:
    """Read rows with lists: all at once while they are as long as the first of the rest, singly at worst."""
    blocks: dict[str, list[NDArray[np.float64]]] = {p.name: [] for p in element.properties}
    sizes: dict[str, list[int]] = {p.name: [] for p in element.properties}
    left = element.count
    while left:
        row = _row_like_the_next(body, offset, element, order)
        whole = min(left, (len(body) - offset) // row.itemsize) if row.itemsize else left
        if whole == 0:
            raise _cut_off(element)
        # Most files have faces of one size; where they are mixed, short runs are tried before long ones.
        run = _same_run(body, offset, row, element, whole)
        table = np.frombuffer(body, row, run, offset)
        for at, prop in enumerate(element.properties):
            cells = table[f"f{at}"].astype(np.float64).reshape(run, -1)
            blocks[prop.name].append(cells.ravel())
            sizes[prop.name].extend([cells.shape[1]] * run)
        offset += run * row.itemsize
        left -= run
    return {
        p.name: _column(np.concatenate(blocks[p.name]) if blocks[p.name] else np.zeros(0), sizes[p.name], p)
        for p in element.properties
    }, offset


def _row_like_the_next(body: bytes, offset: int, element: _Element, order: str) -> np.dtype[np.void]:
    fields: list[tuple[str, str] | tuple[str, str, tuple[int, ...]]] = []
    for at, prop in enumerate(element.properties):
        kind = np.dtype(order + prop.kind)
        if prop.count_kind is None:
            fields.append((f"f{at}", kind.str))
            offset += kind.itemsize
            continue
        counter = np.dtype(order + prop.count_kind)
        if offset + counter.itemsize > len(body):
            raise _cut_off(element)
        size = int(np.frombuffer(body, counter, 1, offset)[0])
        offset += counter.itemsize + size * kind.itemsize
        if size < 0 or offset > len(body):
            raise _cut_off(element)
        fields += [(f"n{at}", counter.str), (f"f{at}", kind.str, (size,))]
    return np.dtype(fields)


def _same_run(body: bytes, offset: int, row: np.dtype[np.void], element: _Element, most: int) -> int:
    """Count of the next rows whose lists are as long as the first one's."""
    run, tried = 1, 1
    while tried < most:
        tried = min(most, tried * 8)
        table = np.frombuffer(body, row, tried, offset)
        same = np.ones(tried, bool)
        for at, prop in enumerate(element.properties):
            if prop.count_kind is not None:
                same &= table[f"n{at}"] == table[f"n{at}"][0]
        run = tried if same.all() else int(np.argmin(same))
        if run < tried:
            break
    return run
