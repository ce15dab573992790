"""glTF 2.0 and GLB: triangles and lines of every mesh, placed by the scene's nodes."""

from __future__ import annotations

import json
import struct
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import DrawingError, check_count
from instrument.drawings.readers.file_contents import CompanionFolder, decode
from instrument.drawings.readers.mesh_edges import Mesh
from instrument.drawings.strokes import no_edges

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

# Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022): 3.6.2.2 accessor data types, 3.7.2.1 topology
# types, 4.4 binary chunks.
COMPONENTS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
POINTS, LINES, LINE_LOOP, LINE_STRIP, TRIANGLES, TRIANGLE_STRIP, TRIANGLE_FAN = range(7)
MAGIC = b"glTF"
JSON_CHUNK, BINARY_CHUNK = 0x4E4F534A, 0x004E4942
# Extensions that pack the geometry in a way that is not read.
PACKED = frozenset({"KHR_draco_mesh_compression", "EXT_meshopt_compression"})
DEEPEST = 256


def parse_gltf(content: bytes, folder: CompanionFolder | None = None) -> Mesh:
    """Read a glTF or GLB file's geometry.

    Parameters
    ----------
    content : bytes
    folder : CompanionFolder, optional
        Where buffers that the file names are read from.

    Returns
    -------
    Mesh

    Raises
    ------
    DrawingError
        Names the part of the file that is wrong.
    """
    folder = folder or CompanionFolder()
    try:
        if content.startswith(MAGIC):
            header, binary = _chunks(content)
        else:
            header, binary = decode(content).encode(), None
        scene = json.loads(header)
        if not isinstance(scene, dict):
            raise DrawingError("the file holds no glTF scene")
        return _Reader(scene, binary, folder).mesh()
    except RecursionError:
        raise DrawingError("the file is nested too deeply to be a scene") from None
    except json.JSONDecodeError as error:
        raise DrawingError(f"the scene is not valid JSON ({error.msg})", line=error.lineno) from None
    except DrawingError:
        raise
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise DrawingError(f"the scene does not keep to the glTF format ({type(error).__name__}: {error})") from None


def _chunks(content: bytes) -> tuple[bytes, bytes | None]:
    if len(content) < 20:
        raise DrawingError("the file is cut off within its header")
    version, length = struct.unpack_from("<II", content, 4)
    if version != 2:
        raise DrawingError(f"this is GLB version {version}; version 2 is read")
    if length > len(content):
        raise DrawingError(f"the header claims {length:,} bytes, but the file has {len(content):,}; it is cut off")
    chunks: dict[int, bytes] = {}
    offset = 12
    while offset + 8 <= length:
        size, kind = struct.unpack_from("<II", content, offset)
        if offset + 8 + size > len(content):
            raise DrawingError(f"a chunk claims {size:,} bytes, which the file does not have; it is cut off")
        chunks.setdefault(kind, content[offset + 8 : offset + 8 + size])
        offset += 8 + size
    if JSON_CHUNK not in chunks:
        raise DrawingError("the file has no JSON chunk")
    return chunks[JSON_CHUNK], chunks.get(BINARY_CHUNK)


class _Reader:
    """One file being read: its JSON, its buffers as far as they are needed, and what is found."""

    def __init__(self, scene: dict[str, Any], binary: bytes | None, folder: CompanionFolder) -> None:
        self.scene = scene
        self.binary = binary
        self.folder = folder
        self.buffers: dict[int, bytes] = {}
        self.warnings: dict[str, int] = {}
        self.points: list[NDArray[np.float64]] = []
        self.triangles: list[NDArray[np.int64]] = []
        self.lines: list[NDArray[np.int64]] = []
        self.count = 0
        self.edges = 0

    def mesh(self) -> Mesh:
        packed = PACKED.intersection(self.scene.get("extensionsRequired", []))
        if packed:
            raise DrawingError(f"its geometry is packed by {min(packed)}; save it without compression")
        for number, matrix in self._placed():
            for primitive in self.scene["meshes"][number]["primitives"]:
                self._primitive(primitive, matrix)
        triangles = np.concatenate([*self.triangles, np.zeros((0, 3), np.int64)])
        return Mesh(
            np.concatenate([*self.points, np.zeros((0, 3))]),
            triangles.ravel(),
            np.full(len(triangles), 3),
            np.concatenate([*self.lines, no_edges()]),
            tuple(f"{count} of {what}" for what, count in self.warnings.items()),
        )

    def _placed(self) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Every mesh with the matrix of where it stands; all meshes as they are in a file without scenes."""
        nodes = self.scene.get("nodes", [])
        scenes = self.scene.get("scenes", [])
        if not scenes:
            yield from ((number, np.eye(4)) for number in range(len(self.scene.get("meshes", []))))
            return
        waiting = [(int(n), np.eye(4), 0) for n in scenes[self.scene.get("scene", 0)].get("nodes", [])]
        seen = 0
        while waiting:
            number, above, depth = waiting.pop()
            seen += 1
            # Each node has one parent in a proper file, so more visits than nodes mean a ring.
            if depth > DEEPEST or seen > len(nodes) or number < 0:
                raise DrawingError("its nodes are nested in a ring, or too deeply")
            node = nodes[number]
            matrix = above @ _matrix(node)
            if "mesh" in node:
                yield int(node["mesh"]), matrix
            waiting += [(int(child), matrix, depth + 1) for child in node.get("children", [])]

    def _primitive(self, primitive: dict[str, Any], matrix: NDArray[np.float64]) -> None:
        if PACKED.intersection(primitive.get("extensions", {})):
            raise DrawingError("its geometry is packed; save it without compression")
        points = self._accessor(int(primitive["attributes"]["POSITION"]))
        if points.ndim != 2 or points.shape[1] != 3:
            raise DrawingError("its positions are not 3 numbers each")
        if "indices" in primitive:
            rows = self._accessor(int(primitive["indices"])).ravel().astype(np.int64)
        else:
            rows = np.arange(len(points))
        if len(rows) and not 0 <= rows.min() <= rows.max() < len(points):
            raise DrawingError(f"an index names vertex {rows.max()}, but there are only {len(points)}")
        mode = int(primitive.get("mode", TRIANGLES))
        if mode == POINTS:
            self._warn("loose points left out: they have no line")
            return
        lines, triangles = _topology(mode, rows)
        self.edges += len(lines) + 3 * len(triangles)
        check_count(self.count + len(points), "vertices", self.folder.limits)
        check_count(self.edges, "edges", self.folder.limits)
        with np.errstate(over="ignore", invalid="ignore"):
            # What becomes infinite here is refused with the other coordinates.
            self.points.append(points @ matrix[:3, :3].T + matrix[:3, 3])
        self.lines.append(lines + self.count)
        self.triangles.append(triangles + self.count)
        self.count += len(points)

    def _warn(self, what: str) -> None:
        self.warnings[what] = self.warnings.get(what, 0) + 1

    def _accessor(self, number: int) -> NDArray[np.float64]:
        accessor = self.scene["accessors"][number]
        count, width = int(accessor["count"]), WIDTHS[accessor["type"]]
        check_count(count, "entries in one table", self.folder.limits)
        if count < 0 or number < 0:
            raise DrawingError(f"accessor {number} has {count} entries")
        kind = np.dtype(COMPONENTS[int(accessor["componentType"])])
        table = np.zeros((count, width))
        if "bufferView" in accessor:
            offset = int(accessor.get("byteOffset", 0))
            table = self._table(int(accessor["bufferView"]), offset, kind, count, width).astype(np.float64)
        if "sparse" in accessor:
            self._replace(table, accessor["sparse"], kind, width)
        if accessor.get("normalized", False) and kind.kind != "f":
            table = np.maximum(table / np.iinfo(kind).max, -1.0)
        return table

    def _replace(self, table: NDArray[np.float64], sparse: dict[str, Any], kind: np.dtype[Any], width: int) -> None:
        count = int(sparse["count"])
        where, what = sparse["indices"], sparse["values"]
        index_kind = np.dtype(COMPONENTS[int(where["componentType"])])
        rows = self._table(int(where["bufferView"]), int(where.get("byteOffset", 0)), index_kind, count, 1)
        values = self._table(int(what["bufferView"]), int(what.get("byteOffset", 0)), kind, count, width)
        table[rows.ravel()] = values

    def _table(self, number: int, offset: int, kind: np.dtype[Any], count: int, width: int) -> NDArray[Any]:
        view = self.scene["bufferViews"][number]
        buffer = self._buffer(int(view["buffer"]))
        stride = int(view.get("byteStride", kind.itemsize * width))
        begin = int(view.get("byteOffset", 0)) + offset
        end = begin + (count - 1) * stride + kind.itemsize * width
        if min(begin, offset, number) < 0 or stride < kind.itemsize * width or (count and end > len(buffer)):
            raise DrawingError(
                f"buffer view {number} needs {end:,} bytes of a buffer that has {len(buffer):,}; the file is cut off"
            )
        if not count:
            return np.zeros((0, width), kind)
        return np.ndarray((count, width), kind, buffer, begin, (stride, kind.itemsize))

    def _buffer(self, number: int) -> bytes:
        if number not in self.buffers:
            reference = self.scene["buffers"][number].get("uri")
            if reference is None and self.binary is None:
                raise DrawingError(f"buffer {number} has no data")
            self.buffers[number] = self.binary or b"" if reference is None else self.folder.read(str(reference))
        return self.buffers[number]


def _matrix(node: dict[str, Any]) -> NDArray[np.float64]:
    """Matrix of a node in its parent: given column by column, or as move, turn (quaternion) and scale."""
    if "matrix" in node:
        return np.asarray(node["matrix"], np.float64).reshape(4, 4).T
    x, y, z, w = np.asarray(node.get("rotation", (0, 0, 0, 1)), np.float64)
    turn = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    matrix = np.eye(4)
    matrix[:3, :3] = turn * np.asarray(node.get("scale", (1, 1, 1)), np.float64)
    matrix[:3, 3] = np.asarray(node.get("translation", (0, 0, 0)), np.float64)
    return matrix


def _topology(mode: int, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Lines and triangles that a row of vertices means."""
    none = np.zeros((0, 3), np.int64)
    if mode == LINES:
        return rows[: len(rows) // 2 * 2].reshape(-1, 2), none
    if mode in {LINE_STRIP, LINE_LOOP}:
        closed = np.append(rows, rows[:1]) if mode == LINE_LOOP else rows
        return np.stack([closed[:-1], closed[1:]], axis=1), none
    if mode == TRIANGLES:
        return no_edges(), rows[: len(rows) // 3 * 3].reshape(-1, 3)
    if mode == TRIANGLE_STRIP and len(rows) > 2:
        return no_edges(), np.stack([rows[:-2], rows[1:-1], rows[2:]], axis=1)
    if mode == TRIANGLE_FAN and len(rows) > 2:
        return no_edges(), np.stack([np.full(len(rows) - 2, rows[0]), rows[1:-1], rows[2:]], axis=1)
    if mode in {TRIANGLE_STRIP, TRIANGLE_FAN}:
        return no_edges(), none
    raise DrawingError(f"mode {mode} is no way of drawing; 0 to 6 are")
