"""Meshes of fewer faces: edges collapsed where that changes the surface least."""

# ruff: noqa: PLC0415 (the library is loaded when it is first needed)

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_TOLERANCES, Tolerances
from instrument.drawings.routing.weld import representatives
from instrument.drawings.strokes import Drawing, check_finite, no_edges

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.readers.mesh_edges import Mesh

FEWEST_FACES = 4
"""A solid has no fewer."""

HELD = 1.1
"""Times the faces wanted that a mesh may have with its border held, or the border is let go."""

SMOOTH = 1.0
"""Degrees: two faces that meet at less lie in one plane, and their edge is the diagonal of a polygon."""


def collapsed(mesh: Mesh, faces: int, tolerances: Tolerances = DEFAULT_TOLERANCES) -> Mesh:
    """Collapse edges of a mesh until it has no more than so many triangles, as far as it lets itself be collapsed.

    Parameters
    ----------
    mesh : Mesh
        Its lines stay as they are.
    faces : int
        Triangles, at least 1.
    tolerances : Tolerances

    Returns
    -------
    Mesh
        Of triangles alone; the mesh itself where it has no more than so many.

    Raises
    ------
    DrawingError
        If a coordinate is not a finite number.

    Notes
    -----
    M. Garland and P. S. Heckbert, Surface simplification using quadric error metrics, SIGGRAPH 1997: each vertex carries the
    sum of the squared distances to the planes of its faces, and an edge costs the sum of its ends' at the best place between
    them. The library collapses all edges below a threshold that rises from pass to pass.
    """
    check_finite(Drawing(mesh.points, no_edges()), tolerances)
    triangles, faces = _fans(mesh), max(faces, FEWEST_FACES)
    if len(triangles) <= faces or not len(triangles):
        return mesh
    import fast_simplification

    low, high = mesh.points.min(axis=0), mesh.points.max(axis=0)
    size = float((high - low).max())
    if not size > 0.0:
        return mesh
    # Files of triangles write a corner once for each face: joined, or no edge has two sides.
    to = representatives(mesh.points, tolerances.coincident * float(np.linalg.norm(high - low)))
    triangles = to[triangles]
    whole = np.ones(len(triangles), bool)
    for one, other in ((0, 1), (1, 2), (2, 0)):
        whole &= triangles[:, one] != triangles[:, other]
    used, triangles = np.unique(triangles[whole], return_inverse=True)
    triangles = triangles.reshape(-1, 3)
    if len(triangles) <= faces:
        return mesh
    # In units of its own size: thresholds and areas of very small or large meshes stay numbers.
    places, table = (mesh.points[used] - low) / size, triangles.astype(np.int32)
    # A border that lies in the plane of its faces costs nothing to move, so it is held where the number can be had so.
    for held in (True, False):
        points, left = fast_simplification.simplify(places, table, target_count=faces, preserve_border=held)
        points, left = np.asarray(points, np.float64), np.asarray(left, np.int64).reshape(-1, 3)
        if len(left) <= HELD * faces:
            break
    if not len(left) or not np.isfinite(points).all() or left.min() < 0 or left.max() >= len(points):
        return mesh
    points = low + size * np.clip(points, -1.0, 2.0)
    lines = mesh.lines + len(points)
    return replace(
        mesh,
        points=np.concatenate([points, mesh.points]) if len(lines) else points,
        corners=left.ravel(),
        sizes=np.full(len(left), 3, np.int64),
        lines=lines if len(lines) else no_edges(),
    )


def triangle_count(mesh: Mesh) -> int:
    """Count the triangles that the faces of a mesh are cut into."""
    return int(np.maximum(mesh.sizes - 2, 0).sum())


def _fans(mesh: Mesh) -> NDArray[np.int64]:
    """Triangles of all faces, each face a fan from its first corner."""
    count = np.maximum(mesh.sizes - 2, 0)
    start = np.repeat(np.cumsum(mesh.sizes) - mesh.sizes, count)
    within = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    return np.stack([mesh.corners[start], mesh.corners[start + within + 1], mesh.corners[start + within + 2]], axis=1)


HALVINGS = 9
"""Numbers of faces that are tried for a distance; the last two differ by a few percent."""

NEAREST = 12
"""Triangles that a point is measured against: those whose middles are nearest. What is missed makes the distance too long."""


def collapsed_within(mesh: Mesh, distance: float, tolerances: Tolerances = DEFAULT_TOLERANCES) -> Mesh:
    """Collapse edges of a mesh as far as no corner of it comes to lie farther than a distance from the new surface.

    Parameters
    ----------
    mesh : Mesh
    distance : float
        In the units of its points, at least 0.
    tolerances : Tolerances

    Returns
    -------
    Mesh
        The mesh itself where nothing can be left out.

    Raises
    ------
    DrawingError
        If a coordinate is not a finite number.
    """
    least, most = FEWEST_FACES, triangle_count(mesh)
    best = mesh
    if not distance > 0 or most <= least:
        return best
    corners = mesh.points[np.unique(mesh.corners)]
    for _ in range(HALVINGS):
        if least >= most:
            break
        faces = round(float(np.sqrt(least * most)))
        found = collapsed(mesh, faces, tolerances)
        if found is mesh:
            break
        away = distances_to(corners, found.points, found.corners.reshape(-1, 3))
        if away.max() <= distance:
            best, most = found, faces
        else:
            least = faces + 1
    return best


def distances_to(
    points: NDArray[np.float64], corners: NDArray[np.float64], triangles: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Distance of points from a surface, measured to the triangles whose middles are nearest; never too short.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    corners : ndarray of float64, shape (m, 3)
    triangles : ndarray of int64, shape (t, 3)
        Rows of `corners`; at least one.

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    from scipy.spatial import cKDTree

    table = corners[triangles]
    near = cKDTree(table.mean(axis=1)).query(points, k=min(NEAREST, len(table)))[1].reshape(len(points), -1)
    best = np.full(len(points), np.inf)
    for column in near.T:
        best = np.minimum(best, _to_triangles(points, table[column]))
    return best


def _to_triangles(points: NDArray[np.float64], triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each point from its triangle [shape=(n, 3, 3)]: from the plane within, else from the nearest side."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    normal = np.cross(b - a, c - a)
    square = np.einsum("ij,ij->i", normal, normal)
    sides = np.minimum.reduce([_to_side(points, p, q) for p, q in ((a, b), (b, c), (c, a))])
    inside = square > 0
    for p, q in ((a, b), (b, c), (c, a)):
        inside &= np.einsum("ij,ij->i", np.cross(q - p, points - p), normal) >= 0
    height = np.abs(np.einsum("ij,ij->i", points - a, normal)) / np.sqrt(np.where(square > 0, square, 1.0))
    return np.asarray(np.where(inside, height, sides))


def _to_side(points: NDArray[np.float64], one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    along = other - one
    square = np.einsum("ij,ij->i", along, along)
    share = np.einsum("ij,ij->i", points - one, along) / np.where(square > 0, square, 1.0)
    return np.asarray(np.linalg.norm(points - one - np.clip(share, 0, 1)[:, None] * along, axis=1))
