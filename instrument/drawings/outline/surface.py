"""Surface of a mesh as its outline needs it: triangles, smoothed normals, and the edges that are drawn from any side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from instrument.drawings.limits import DEFAULT_TOLERANCES, DrawingError, Tolerances
from instrument.drawings.outline.triangles import triangulated
from instrument.drawings.readers.mesh_edges import Mesh, feature_mask, sides_of
from instrument.drawings.routing.weld import representatives
from instrument.drawings.strokes import Drawing, check_finite, no_edges

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.readers.mesh_edges import Sides


@dataclass(frozen=True)
class Surface:
    """Triangles of a mesh and what is known of them from every side.

    Attributes
    ----------
    points : ndarray of float64, shape (n, 3)
        Corners, those that coincide as one.
    triangles : ndarray of int64, shape (t, 3)
        Wound alike wherever the surface allows it, and of closed pieces so that normals point outwards.
    sides : ndarray of int64, shape (t, 3)
        Edge from each corner of a triangle to the next, as a row of `edges`.
    normals : ndarray of float64, shape (t, 3, 3)
        Unit normal of the smoothed surface at each corner of each triangle; creases are not smoothed over.
    closed : ndarray of bool, shape (t,)
        Triangles of pieces that enclose a space, which are never seen from behind.
    edges : ndarray of int64, shape (e, 2)
    faces : ndarray of int64, shape (e, 2)
        Two of the triangles at each edge; -1 where there is none.
    drawn : ndarray of bool, shape (e,)
        Edges that are drawn wherever they are seen: creases, borders, and where three or more faces meet.
    lines : ndarray of int64, shape (l, 2)
        Lines of the file that belong to no face.
    warnings : tuple of str
    """

    points: NDArray[np.float64]
    triangles: NDArray[np.int64]
    sides: NDArray[np.int64]
    normals: NDArray[np.float64]
    closed: NDArray[np.bool_]
    edges: NDArray[np.int64]
    faces: NDArray[np.int64]
    drawn: NDArray[np.bool_]
    lines: NDArray[np.int64]
    warnings: tuple[str, ...] = ()


def surface_of(mesh: Mesh, crease: float = 30.0, tolerances: Tolerances = DEFAULT_TOLERANCES) -> Surface:
    """Make the surface of a mesh.

    Parameters
    ----------
    mesh : Mesh
    crease : float
        Degrees between the directions of two faces, 0 to 180, above which their edge is drawn and not smoothed over.
    tolerances : Tolerances

    Returns
    -------
    Surface

    Raises
    ------
    DrawingError
        If a coordinate is not a finite number, or there is no face.
    """
    check_finite(Drawing(mesh.points, no_edges()), tolerances)
    if not len(mesh.sizes):
        raise DrawingError('it holds no faces, so nothing can hide a line. Draw it with lines = "edges"')
    points = mesh.points
    size = float(np.linalg.norm(points.max(axis=0) - points.min(axis=0)))
    to = representatives(points, tolerances.coincident * size)
    polygons = sides_of(to[mesh.corners], mesh.sizes)
    drawn_keys = _drawn_keys(points, polygons, crease)
    triangles = triangulated(points, polygons.corners, polygons.sizes)
    area = np.cross(
        points[triangles[:, 1]] - points[triangles[:, 0]], points[triangles[:, 2]] - points[triangles[:, 0]]
    )
    triangles = triangles[np.any(area != 0.0, axis=1)]
    edges, sides = _edges_of(triangles, len(points))
    key = edges[:, 0] * len(points) + edges[:, 1]
    drawn = np.isin(key, drawn_keys)
    # A feature edge between faces that have no area belongs to no triangle; it is a line of the drawing.
    missing = drawn_keys[~np.isin(drawn_keys, key)]
    alone = np.stack([missing // len(points), missing % len(points)], axis=1)
    triangles, sides, closed = _wound_alike(points, triangles, sides, len(edges))
    faces = _faces_of(sides, len(edges))
    normals = _smoothed(points, triangles, sides, faces, drawn)
    warnings = mesh.warnings
    if polygons.again:
        warnings += (f"{polygons.again} face{'s' if polygons.again > 1 else ''} given twice, drawn once",)
    lines = np.concatenate([to[mesh.lines], alone])
    return Surface(points, triangles, sides, normals, closed, edges, faces, drawn, lines, warnings)


def _drawn_keys(points: NDArray[np.float64], polygons: Sides, crease: float) -> NDArray[np.int64]:
    low, high = np.minimum(*polygons.ends.T), np.maximum(*polygons.ends.T)
    unique, group = np.unique(low * len(points) + high, return_inverse=True)
    return np.asarray(unique[feature_mask(points, polygons, group, len(unique), crease)])


def _edges_of(triangles: NDArray[np.int64], count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2)
    key, side = np.unique(ends.min(axis=1) * count + ends.max(axis=1), return_inverse=True)
    return np.stack([key // count, key % count], axis=1), side.reshape(-1, 3)


def _faces_of(sides: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    flat = sides.ravel()
    number = np.bincount(flat, minlength=count)
    order = np.argsort(flat, kind="stable")
    start = np.cumsum(number) - number
    faces = np.full((count, 2), -1, np.int64)
    faces[:, 0] = order[start] // 3
    more = number > 1
    faces[more, 1] = order[start[more] + 1] // 3
    return faces


def _pairs(sides: NDArray[np.int64], count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Sides (triangle * 3 + corner) that meet in twos: one and the other."""
    flat = sides.ravel()
    number = np.bincount(flat, minlength=count)
    order = np.argsort(flat, kind="stable")
    start = (np.cumsum(number) - number)[number == 2]
    return order[start], order[start + 1]


def _wound_alike(
    points: NDArray[np.float64], triangles: NDArray[np.int64], sides: NDArray[np.int64], count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Turn triangles round so that neighbours agree and closed pieces face outwards."""
    number = len(triangles)
    one, other = _pairs(sides, count)
    corner = triangles.ravel()
    # Neighbours wound alike run their common side in opposite directions.
    alike = corner[one] != corner[other]
    a, b = one // 3, other // 3
    # Each triangle is there twice, as it is and turned round; neighbours that agree are joined. A piece that can be
    # wound alike falls into two halves, each the other turned round; one like a Moebius band stays whole.
    first = np.concatenate([a, a + number])
    second = np.concatenate([np.where(alike, b, b + number), np.where(alike, b + number, b)])
    graph = coo_array((np.ones(len(first)), (first, second)), (2 * number, 2 * number))
    label = connected_components(graph, directed=False)[1]
    turned = label[:number] > label[number:]
    one_sided = label[:number] == label[number:]
    triangles = np.where(turned[:, None], triangles[:, ::-1], triangles)
    sides = np.where(turned[:, None], sides[:, [1, 0, 2]], sides)
    piece = np.minimum(label[:number], label[number:])
    times = np.bincount(sides.ravel(), minlength=count)
    is_open = np.zeros(int(label.max(initial=0)) + 1, bool)
    is_open[piece[np.any(times[sides] != 2, axis=1) | one_sided]] = True
    corners = points[triangles] - points.mean(axis=0)
    volume = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    inside_out = np.bincount(piece, volume, len(is_open)) < 0.0
    turn = inside_out[piece] & ~is_open[piece]
    triangles = np.where(turn[:, None], triangles[:, ::-1], triangles)
    sides = np.where(turn[:, None], sides[:, [1, 0, 2]], sides)
    return triangles, sides, ~is_open[piece]


def _smoothed(
    points: NDArray[np.float64],
    triangles: NDArray[np.int64],
    sides: NDArray[np.int64],
    faces: NDArray[np.int64],
    drawn: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Mean normals at corners, weighted by the angle of each triangle there (G. Thuermer and C. Wuethrich, 1998)."""
    corner = points[triangles]
    to_next = np.roll(corner, -1, axis=1) - corner
    to_last = np.roll(corner, 1, axis=1) - corner
    normal = _unit(np.cross(to_next[:, 0], to_last[:, 0]))
    cosine = np.einsum("tci,tci->tc", _unit(to_next), _unit(to_last))
    weighted = np.arccos(np.clip(cosine, -1.0, 1.0))[:, :, None] * normal[:, None]
    one, other = _pairs(sides, len(faces))
    smooth = ~drawn[sides.ravel()[one]]
    one, other = one[smooth], other[smooth]
    # Corners at both ends of a smooth side are one: the start of one triangle's side is the end of the other's,
    # unless the two are wound against each other.
    alike = triangles.ravel()[one] != triangles.ravel()[other]
    begin = np.where(alike, _next_corner(other), other)
    end = np.where(alike, other, _next_corner(other))
    first, second = np.concatenate([one, _next_corner(one)]), np.concatenate([begin, end])
    many = 3 * len(triangles)
    group = connected_components(coo_array((np.ones(len(first)), (first, second)), (many, many)), directed=False)[1]
    flat = weighted.reshape(-1, 3)
    total = np.stack([np.bincount(group, flat[:, axis], many) for axis in range(3)], axis=1)
    found = _unit(total[group]).reshape(-1, 3, 3)
    return np.where(np.any(found != 0.0, axis=2)[:, :, None], found, normal[:, None])


def _next_corner(side: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.asarray(side // 3 * 3 + (side + 1) % 3)


def _unit(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(np.where(length > 0.0, vectors / np.where(length > 0.0, length, 1.0), 0.0))


def fitted(surface: Surface, points: NDArray[np.float64]) -> Surface:
    """Return the surface with its points moved and scaled alike, which leaves normals as they are."""
    return Surface(points, *[getattr(surface, name) for name in list(Surface.__dataclass_fields__)[1:]])
