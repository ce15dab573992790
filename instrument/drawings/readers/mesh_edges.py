"""Edges of a mesh: all of them, or those where its surface creases or ends."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from instrument.drawings.limits import DEFAULT_TOLERANCES, Tolerances
from instrument.drawings.routing.edge_arrays import first_occurrences
from instrument.drawings.routing.weld import representatives
from instrument.drawings.strokes import Drawing, check_finite, no_edges

if TYPE_CHECKING:
    from numpy.typing import NDArray

Edges = Literal["all", "feature"]


@dataclass(frozen=True)
class Mesh:
    """Points, faces with any number of corners, and lines.

    Attributes
    ----------
    points : ndarray of float64, shape (n, 3)
    corners : ndarray of int64, shape (c,)
        Corners of all faces, one face after the other, as rows of `points`.
    sizes : ndarray of int64, shape (f,)
        How many corners each face has.
    lines : ndarray of int64, shape (l, 2)
        Edges drawn whatever the faces do.
    warnings : tuple of str
    """

    points: NDArray[np.float64]
    corners: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    sizes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    lines: NDArray[np.int64] = field(default_factory=no_edges)
    warnings: tuple[str, ...] = ()


def mesh_drawing(
    mesh: Mesh, edges: Edges = "all", crease: float = 30.0, tolerances: Tolerances = DEFAULT_TOLERANCES
) -> Drawing:
    """Draw a mesh by its edges.

    Faces are kept as they were drawn: a square is four edges, with no diagonal. Faces given twice count once.

    Parameters
    ----------
    mesh : Mesh
    edges : {"all", "feature"}
        Feature edges are those where two faces meet at an angle above `crease`, where a face ends, and where
        three or more faces meet. The other edges become bridges that a route may run along.
    crease : float
        Degrees between the faces' directions, 0 to 180.
    tolerances : Tolerances

    Returns
    -------
    Drawing

    Raises
    ------
    DrawingError
        If a coordinate is not a finite number.
    """
    check_finite(Drawing(mesh.points, no_edges()), tolerances)
    points = mesh.points
    if not len(mesh.sizes):
        return Drawing(points, mesh.lines, warnings=mesh.warnings)
    size = float(np.linalg.norm(points.max(axis=0) - points.min(axis=0)))
    to = representatives(points, tolerances.coincident * size)
    sides = sides_of(to[mesh.corners], mesh.sizes)
    warnings = list(mesh.warnings)
    if sides.again:
        warnings.append(f"{sides.again} face{'s' if sides.again > 1 else ''} given twice, drawn once")
    low, high = np.minimum(*sides.ends.T), np.maximum(*sides.ends.T)
    key = low * len(points) + high
    if edges == "all":
        drawn, bridges = sides.ends[first_occurrences(key)], no_edges()
    else:
        _, first, group = np.unique(key, return_index=True, return_inverse=True)
        unique = sides.ends[first]
        is_feature = feature_mask(points, sides, group, len(unique), crease)
        drawn, bridges = unique[is_feature], unique[~is_feature]
    return Drawing(points, np.concatenate([drawn, to[mesh.lines]]), bridges, tuple(warnings))


@dataclass(frozen=True)
class Sides:
    """Every side of every face: its ends in the face's own direction, the face, and the faces' normals."""

    ends: NDArray[np.int64]
    face: NDArray[np.int64]
    corners: NDArray[np.int64]
    sizes: NDArray[np.int64]
    again: int


def sides_of(corners: NDArray[np.int64], sizes: NDArray[np.int64]) -> Sides:
    """Return the sides of faces, those given twice left out; parameters as the fields of `Mesh`."""
    face = np.repeat(np.arange(len(sizes)), sizes)
    keep, again = _faces_once(corners, sizes, face)
    corners, sizes = corners[keep[face]], sizes[keep]
    face = np.repeat(np.arange(len(sizes)), sizes)
    following = np.arange(1, len(corners) + 1)
    last = np.cumsum(sizes) - 1
    following[last[sizes > 0]] = (np.cumsum(sizes) - sizes)[sizes > 0]
    ends = np.stack([corners, corners[following]], axis=1)
    real = ends[:, 0] != ends[:, 1]
    return Sides(ends[real], face[real], corners, sizes, again)


def _faces_once(
    corners: NDArray[np.int64], sizes: NDArray[np.int64], face: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], int]:
    """Mask of the faces to keep: of those with the same corners in whatever order, the first."""
    keep = sizes >= 2
    # Hashing by sums (J. L. Carter and M. N. Wegman, 1979): faces with the same corners have the same sum of the random
    # numbers drawn for each; where no two sums are equal, no two faces are.
    drawn = np.random.default_rng(0).integers(2**63, size=int(corners.max(initial=0)) + 1, dtype=np.uint64)
    total = np.sort(_summed(drawn[corners], sizes))
    if not (total[1:] == total[:-1]).any():
        return keep, 0
    by_corner = corners[np.lexsort((corners, face))]
    start = np.cumsum(sizes) - sizes
    for size in np.unique(sizes).tolist():
        rows = np.flatnonzero(sizes == size)
        if size < 2:
            keep[rows] = False
            continue
        table = by_corner[start[rows][:, None] + np.arange(size)]
        _, first = np.unique(table, axis=0, return_index=True)
        keep[rows] = False
        keep[rows[first]] = True
    return keep, int((sizes >= 2).sum() - keep.sum())


def _summed(numbers: NDArray[np.uint64], sizes: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Sum as many numbers as each size says, one group after the other; what overflows is left out."""
    upto = np.concatenate([np.zeros(1, np.uint64), np.cumsum(numbers, dtype=np.uint64)])
    stop = np.cumsum(sizes)
    return np.asarray(upto[stop] - upto[stop - sizes])


def feature_mask(
    points: NDArray[np.float64],
    sides: Sides,
    group: NDArray[np.int64],
    count: int,
    crease: float,
) -> NDArray[np.bool_]:
    """Mark the edges where the surface creases, ends, or branches."""
    normals = _normals(points, sides)
    flat = ~np.any(normals[sides.face] != 0.0, axis=1)
    solid_sides = np.bincount(group[~flat], minlength=count)
    flat_sides = np.bincount(group[flat], minlength=count)
    # A face without area has no direction and makes no crease: it only fills a crack between its neighbours.
    # Where it stands alone it was meant as a line.
    feature = np.select(
        [solid_sides > 2, solid_sides == 1, solid_sides == 0],
        [True, flat_sides == 0, flat_sides == 1],
        default=False,
    )
    order = np.argsort(group[~flat], kind="stable")
    rows = np.flatnonzero(~flat)[order]
    start = np.cumsum(solid_sides) - solid_sides
    pairs = np.flatnonzero(solid_sides == 2)
    one, other = rows[start[pairs]], rows[start[pairs] + 1]
    # Neighbours wound alike run their common side in opposite directions; otherwise one normal points inwards.
    alike = sides.ends[one, 0] != sides.ends[other, 0]
    cosine = np.einsum("ij,ij->i", normals[sides.face[one]], normals[sides.face[other]])
    feature[pairs] = np.where(alike, cosine, -cosine) < np.cos(np.radians(crease))
    return np.asarray(feature, bool)


def _normals(points: NDArray[np.float64], sides: Sides) -> NDArray[np.float64]:
    """Return the unit normal of each face, zero where it has no area (Newell's sum, exact for any polygon)."""
    count = len(sides.sizes)
    middle = points.mean(axis=0)
    a, b = points[sides.ends[:, 0]] - middle, points[sides.ends[:, 1]] - middle
    # Relative to the face's first corner, so that a face far from the middle loses no digits.
    origin = points[sides.corners[np.cumsum(sides.sizes) - sides.sizes]] - middle
    a, b = a - origin[sides.face], b - origin[sides.face]
    area = np.cross(a, b)
    total = np.stack([np.bincount(sides.face, area[:, axis], count) for axis in range(3)], axis=1)
    longest = np.zeros(count)
    np.maximum.at(longest, sides.face, np.einsum("ij,ij->i", b - a, b - a))
    length = np.sqrt(np.einsum("ij,ij->i", total, total))
    has_area = length > 1e-9 * longest
    return np.where(has_area[:, None], total / np.where(has_area, length, 1)[:, None], 0.0)
