"""Solids for tests of outlines, and eyes to look at them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import trimesh

from instrument.drawings.outline.picture_plane import Eye
from instrument.drawings.outline.surface import Surface, surface_of
from instrument.drawings.readers.mesh_edges import Mesh
from tests.drawings.meshes import CUBE_FACES, CUBE_POINTS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray


def mesh(points: ArrayLike, faces: Sequence[Sequence[int]] | NDArray[np.int64]) -> Mesh:
    corners = np.concatenate([np.asarray(face, np.int64) for face in faces])
    return Mesh(np.asarray(points, np.float64), corners, np.array([len(face) for face in faces]))


def box(low: Sequence[float], high: Sequence[float]) -> tuple[NDArray[np.float64], list[tuple[int, ...]]]:
    return np.asarray(low) + np.array(CUBE_POINTS) * (np.asarray(high) - np.asarray(low)), list(CUBE_FACES)


def cube() -> Surface:
    return surface_of(mesh(*box((-1, -1, -1), (1, 1, 1))))


def sphere(subdivisions: int = 4) -> Surface:
    reference = trimesh.creation.icosphere(subdivisions)
    return surface_of(mesh(reference.vertices, reference.faces))


def torus(tube: float = 0.4, around: int = 64, across: int = 32) -> Surface:
    """A ring of radius 1 about the z axis."""
    turn, roll = np.meshgrid(
        np.arange(around) * math.tau / around, np.arange(across) * math.tau / across, indexing="ij"
    )
    out = 1 + tube * np.cos(roll)
    points = np.stack([out * np.cos(turn), out * np.sin(turn), tube * np.sin(roll)], axis=-1).reshape(-1, 3)
    number = np.arange(around * across).reshape(around, across)
    right, up = np.roll(number, -1, axis=0), np.roll(number, -1, axis=1)
    corner = np.roll(right, -1, axis=1)
    faces = np.stack([number, right, corner, up], axis=-1).reshape(-1, 4)
    return surface_of(mesh(points, faces))


def eye(*direction: float, distance: float = math.inf) -> Eye:
    towards = np.array(direction, np.float64)
    return Eye(towards / np.linalg.norm(towards), distance)


def total_length(points: NDArray[np.float64], edges: NDArray[np.int64]) -> float:
    return float(np.linalg.norm(points[edges[:, 1]] - points[edges[:, 0]], axis=1).sum())
