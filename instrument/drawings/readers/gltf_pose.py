"""Poses of glTF models: where nodes, skins and morph targets bring every point in each frame of a clip."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import DrawingError, check_count
from instrument.drawings.readers.file_contents import CompanionFolder
from instrument.drawings.readers.gltf import DEEPEST, GltfGeometry, Part, node_matrix, placed
from instrument.drawings.readers.gltf_clip import WEIGHTS, Clip, read_clip
from instrument.drawings.readers.gltf_file import open_gltf, told_plainly
from instrument.drawings.readers.moving_mesh import MovingMesh, frame_count

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.drawings.readers.gltf_file import GltfFile

MOST_MATRICES = 1 << 20
"""Matrices of all nodes in all frames together, 128 bytes each: hundreds of joints for a minute."""

_USUAL = {"translation": (0.0, 0.0, 0.0), "rotation": (0.0, 0.0, 0.0, 1.0), "scale": (1.0, 1.0, 1.0)}


def parse_moving_gltf(
    content: bytes, clip: str, frame_rate: float | None = None, folder: CompanionFolder | None = None
) -> MovingMesh:
    """Read a glTF or GLB file with one of its animations.

    Parameters
    ----------
    content : bytes
    clip : str
        Name of the animation, or its number counted from 1 where it has none.
    frame_rate : float, optional
        Frames a second.
    folder : CompanionFolder, optional
        Where buffers that the file names are read from.

    Returns
    -------
    MovingMesh
        From the clip's first keyframe to its last; the last one is left out, for it is followed by the first.

    Raises
    ------
    DrawingError
        Names the part of the file that is wrong.
    """
    with told_plainly():
        file = open_gltf(content, folder or CompanionFolder())
        geometry = GltfGeometry(file)
        mesh = geometry.mesh()
        found = read_clip(file, clip)
        seconds = found.end - found.begin
        frames = frame_count(seconds, frame_rate, file.folder.limits)
        times = found.begin + seconds * np.arange(frames) / frames
        nodes = _Nodes(file, found, times)
        bodies = [_body(file, part, nodes) for part in geometry.parts]

    def points_at(frame: int) -> NDArray[np.float64]:
        with np.errstate(over="ignore", invalid="ignore"):
            return np.concatenate([np.zeros((0, 3)), *(body(frame) for body in bodies)])

    return MovingMesh(mesh, frames, seconds, points_at)


class _Nodes:
    """Matrices of nodes in the scene, in every frame; each is worked out when it is first asked for."""

    def __init__(self, file: GltfFile, clip: Clip, times: NDArray[np.float64]) -> None:
        self.clip = clip
        self.times = times
        self.nodes: list[dict[str, Any]] = file.scene.get("nodes", [])
        self.parents: dict[int, int] = {}
        for number, node in enumerate(self.nodes):
            for child in node.get("children", []):
                if int(child) in self.parents:
                    raise DrawingError(f"node {int(child)} hangs below two others; its nodes are no tree")
                self.parents[int(child)] = number
        self.kept: dict[int, NDArray[np.float64]] = {}

    def matrices(self, number: int) -> NDArray[np.float64]:
        """Return a node's matrices in the scene, float64, shape (frames, 4, 4)."""
        chain: list[int] = []
        at: int | None = number
        while at is not None and at not in self.kept:
            if len(chain) > DEEPEST:
                raise DrawingError("its nodes are nested in a ring, or too deeply")
            chain.append(at)
            at = self.parents.get(at)
        above = np.broadcast_to(np.eye(4), (len(self.times), 4, 4)) if at is None else self.kept[at]
        for below in reversed(chain):
            if (len(self.kept) + 1) * len(self.times) > MOST_MATRICES:
                raise DrawingError("its clip moves too many nodes for so many frames; set frame_rate lower")
            with np.errstate(over="ignore", invalid="ignore"):
                above = above @ self._local(below)
            self.kept[below] = above
        return above

    def _local(self, number: int) -> NDArray[np.float64]:
        if not 0 <= number < len(self.nodes):
            raise DrawingError(f"node {number} is named, but there are only {len(self.nodes)}")
        node = self.nodes[number]
        moved = [path for path in _USUAL if (number, path) in self.clip.tracks]
        if not moved:
            return node_matrix(node)[None]
        move, turn, scale = (
            self.clip.tracks[number, path].at(self.times)
            if path in moved
            else np.asarray(node.get(path, usual), np.float64)[None]
            for path, usual in _USUAL.items()
        )
        move, turn, scale = (np.broadcast_to(x, (len(self.times), x.shape[1])) for x in (move, turn, scale))
        return placed(move, turn, scale)

    def weights(self, number: int, usual: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the weights of a node's morph targets, float64, shape (frames, targets)."""
        track = self.clip.tracks.get((number, WEIGHTS))
        if track is None:
            return np.broadcast_to(usual, (len(self.times), len(usual)))
        found = track.at(self.times)
        if found.shape[1] != len(usual):
            raise DrawingError(f"the clip has {found.shape[1]} weights for a mesh of {len(usual)} morph targets")
        return found


def _body(file: GltfFile, part: Part, nodes: _Nodes) -> Callable[[int], NDArray[np.float64]]:
    """Return the function from a frame to the points of one primitive."""
    node = nodes.nodes[part.node] if part.node >= 0 else {}
    shape = _morphed(file, part, node, nodes)
    if "skin" in node and "JOINTS_0" in part.primitive["attributes"]:
        return _skinned(file, part, int(node["skin"]), nodes, shape)
    if part.node < 0:
        return shape
    matrices = nodes.matrices(part.node)
    return lambda frame: np.asarray(shape(frame) @ matrices[frame, :3, :3].T + matrices[frame, :3, 3])


def _morphed(file: GltfFile, part: Part, node: dict[str, Any], nodes: _Nodes) -> Callable[[int], NDArray[np.float64]]:
    # 3.7.2.2: the base, and each target's displacement as far as its weight goes.
    targets = part.primitive.get("targets", [])
    if not targets:
        return lambda _: part.points
    check_count(len(targets) * len(part.points), "points in morph targets", file.folder.limits)
    away = np.zeros((len(targets), *part.points.shape))
    for number, target in enumerate(targets):
        if "POSITION" in target:
            table = file.accessor(int(target["POSITION"]))
            if table.shape != part.points.shape:
                raise DrawingError(f"morph target {number + 1} has {len(table)} points, its mesh {len(part.points)}")
            away[number] = table
    given = node.get(WEIGHTS, file.scene["meshes"][part.mesh].get(WEIGHTS, np.zeros(len(targets))))
    usual = np.asarray(given, np.float64)
    if usual.shape != (len(targets),):
        raise DrawingError(f"a mesh of {len(targets)} morph targets has {usual.size} weights")
    weights = nodes.weights(part.node, usual)
    return lambda frame: np.asarray(part.points + np.tensordot(weights[frame], away, axes=1))


def _skinned(
    file: GltfFile, part: Part, number: int, nodes: _Nodes, shape: Callable[[int], NDArray[np.float64]]
) -> Callable[[int], NDArray[np.float64]]:
    # 3.7.3.3: joints place the points in the scene, and the matrix of the mesh's own node counts for nothing. Each joint acts
    # by its matrix in the scene times its inverse bind matrix, and each point is their mean by its weights.
    skins = file.scene["skins"]
    if not 0 <= number < len(skins):
        raise DrawingError(f"skin {number} is named, but there are only {len(skins)}")
    skin = skins[number]
    joints, weights = _influences(file, part, len(skin["joints"]))
    inverse = np.broadcast_to(np.eye(4), (len(skin["joints"]), 4, 4))
    if "inverseBindMatrices" in skin:
        table = file.accessor(int(skin["inverseBindMatrices"]))
        if table.shape[1] != 16 or len(table) < len(skin["joints"]):
            raise DrawingError(f"skin {number} has {len(skin['joints'])} joints and {len(table)} inverse bind matrices")
        # Column by column, as all matrices of the format (3.6.2.4).
        inverse = table[: len(skin["joints"])].reshape(-1, 4, 4).transpose(0, 2, 1)
    if len(skin["joints"]) * len(nodes.times) > MOST_MATRICES:
        raise DrawingError(f"skin {number} has {len(skin['joints']):,} joints, too many for so many frames")
    acting = [(nodes.matrices(int(joint)) @ inverse[k])[:, :3] for k, joint in enumerate(skin["joints"])]

    def points_at(frame: int) -> NDArray[np.float64]:
        points = shape(frame)
        matrices = np.stack([matrix[frame] for matrix in acting])
        found = np.zeros_like(points)
        for k in range(joints.shape[1]):
            by = matrices[joints[:, k]]
            found += weights[:, k, None] * (np.einsum("nij,nj->ni", by[:, :, :3], points) + by[:, :, 3])
        return found

    return points_at


def _influences(file: GltfFile, part: Part, count: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Joints and weights of each point, four or more each, the weights adding up to 1."""
    attributes = part.primitive["attributes"]
    joints, weights = [], []
    for number in range(4):
        if f"JOINTS_{number}" not in attributes:
            break
        joints.append(file.accessor(int(attributes[f"JOINTS_{number}"])))
        weights.append(file.accessor(int(attributes[f"WEIGHTS_{number}"])))
    rows, shares = np.concatenate(joints, axis=1).astype(np.int64), np.concatenate(weights, axis=1)
    if rows.shape != shares.shape or len(rows) != len(part.points):
        raise DrawingError(
            f"a skin has {len(rows)} rows of joints and {len(shares)} of weights for {len(part.points)} points"
        )
    if rows.size and not 0 <= rows.min() <= rows.max() < count:
        raise DrawingError(f"a point hangs on joint {rows.max()}, but the skin has only {count}")
    total = shares.sum(axis=1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        return rows, np.where(total > 0, shares / total, np.eye(1, shares.shape[1]))
