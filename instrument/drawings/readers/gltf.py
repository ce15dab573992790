"""glTF 2.0 and GLB: triangles and lines of every mesh, placed by the scene's nodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import DrawingError, check_count
from instrument.drawings.readers.file_contents import CompanionFolder
from instrument.drawings.readers.gltf_file import PACKED, GltfFile, open_gltf, told_plainly
from instrument.drawings.readers.mesh_edges import Mesh
from instrument.drawings.strokes import no_edges

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

# Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022): 3.7.2.1 topology types.
POINTS, LINES, LINE_LOOP, LINE_STRIP, TRIANGLES, TRIANGLE_STRIP, TRIANGLE_FAN = range(7)
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
    with told_plainly():
        return GltfGeometry(open_gltf(content, folder or CompanionFolder())).mesh()


@dataclass(frozen=True)
class Part:
    """One primitive of the scene: whose it is, and which rows of the mesh are its.

    Attributes
    ----------
    primitive : dict
    mesh, node : int
        Numbers in the file; node is -1 in a file without scenes.
    first : int
        First row of the mesh's points.
    points : ndarray of float64, shape (n, 3)
        As they are in the file.
    """

    primitive: dict[str, Any]
    mesh: int
    node: int
    first: int
    points: NDArray[np.float64]


class GltfGeometry:
    """Triangles and lines of one file as they are found.

    Attributes
    ----------
    parts : list of Part
        In the order of the mesh's points, once `mesh` has been called.
    """

    def __init__(self, file: GltfFile) -> None:
        self.file = file
        self.scene = file.scene
        self.folder = file.folder
        self.parts: list[Part] = []
        self.warnings: dict[str, int] = {}
        self.points: list[NDArray[np.float64]] = []
        self.triangles: list[NDArray[np.int64]] = []
        self.lines: list[NDArray[np.int64]] = []
        self.count = 0
        self.edges = 0

    def mesh(self) -> Mesh:
        """Return everything that the scene shows, as it stands."""
        for number, node, matrix in self._placed():
            for primitive in self.scene["meshes"][number]["primitives"]:
                self._primitive(primitive, number, node, matrix)
        triangles = np.concatenate([*self.triangles, np.zeros((0, 3), np.int64)])
        return Mesh(
            np.concatenate([*self.points, np.zeros((0, 3))]),
            triangles.ravel(),
            np.full(len(triangles), 3),
            np.concatenate([*self.lines, no_edges()]),
            tuple(f"{count} of {what}" for what, count in self.warnings.items()),
        )

    def _placed(self) -> Iterator[tuple[int, int, NDArray[np.float64]]]:
        """Every mesh with its node and the matrix of where it stands; all meshes as they are in a file without scenes."""
        nodes = self.scene.get("nodes", [])
        scenes = self.scene.get("scenes", [])
        if not scenes:
            yield from ((number, -1, np.eye(4)) for number in range(len(self.scene.get("meshes", []))))
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
            matrix = above @ node_matrix(node)
            if "mesh" in node:
                yield int(node["mesh"]), number, matrix
            waiting += [(int(child), matrix, depth + 1) for child in node.get("children", [])]

    def _primitive(self, primitive: dict[str, Any], mesh: int, node: int, matrix: NDArray[np.float64]) -> None:
        if PACKED.intersection(primitive.get("extensions", {})):
            raise DrawingError("its geometry is packed; save it without compression")
        points = self.file.accessor(int(primitive["attributes"]["POSITION"]))
        if points.ndim != 2 or points.shape[1] != 3:
            raise DrawingError("its positions are not 3 numbers each")
        if "indices" in primitive:
            rows = self.file.accessor(int(primitive["indices"])).ravel().astype(np.int64)
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
        self.parts.append(Part(primitive, mesh, node, self.count, points))
        self.count += len(points)

    def _warn(self, what: str) -> None:
        self.warnings[what] = self.warnings.get(what, 0) + 1


def node_matrix(node: dict[str, Any]) -> NDArray[np.float64]:
    """Matrix of a node in its parent: given column by column, or as move, turn (quaternion) and scale."""
    if "matrix" in node:
        return np.asarray(node["matrix"], np.float64).reshape(4, 4).T
    move = np.asarray(node.get("translation", (0, 0, 0)), np.float64)
    turn = np.asarray(node.get("rotation", (0, 0, 0, 1)), np.float64)
    return placed(move, turn, np.asarray(node.get("scale", (1, 1, 1)), np.float64))


def placed(move: NDArray[np.float64], turn: NDArray[np.float64], scale: NDArray[np.float64]) -> NDArray[np.float64]:
    """Matrices of scale, then turn (quaternion x, y, z, w), then move (glTF 2.0, 3.5.2).

    Parameters
    ----------
    move, scale : ndarray of float64, shape (..., 3)
    turn : ndarray of float64, shape (..., 4)

    Returns
    -------
    ndarray of float64, shape (..., 4, 4)
    """
    x, y, z, w = np.moveaxis(turn, -1, 0)
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    turned = np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
    matrix = np.zeros((*turned.shape[:-2], 4, 4))
    matrix[..., :3, :3] = turned * scale[..., None, :]
    matrix[..., :3, 3] = move
    matrix[..., 3, 3] = 1.0
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
