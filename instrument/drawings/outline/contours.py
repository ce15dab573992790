"""Segments that an outline may show from one eye: smooth contours across faces, creases and borders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.outline.picture_plane import Eye
    from instrument.drawings.outline.surface import Surface

OUTWARDS = 0.1
"""Distance by which a contour is moved outwards, of its triangle's size, to see what hides it: the smooth surface bulges past
its facets by an edge times a twelfth of the angle between normals, at most 0.04 of it where that is 30 degrees."""


@dataclass(frozen=True)
class Segments:
    """Straight pieces of line on a surface, visible or not.

    Attributes
    ----------
    begin, end : ndarray of float64, shape (s, 3)
    tested_begin, tested_end : ndarray of float64, shape (s, 3)
        The same, a little outside of the surface where it curves away.
    keys : ndarray of int64, shape (s, 2)
        Names of both ends: segments that share one are joined there.
    owners : ndarray of int64, shape (s, 2)
        Triangles that they lie on, -1 for none.
    smooth : ndarray of bool, shape (s,)
        Contours of smooth surface, in contrast to edges of the mesh.
    """

    begin: NDArray[np.float64]
    end: NDArray[np.float64]
    tested_begin: NDArray[np.float64]
    tested_end: NDArray[np.float64]
    keys: NDArray[np.int64]
    owners: NDArray[np.int64]
    smooth: NDArray[np.bool_]


def segments_from(surface: Surface, eye: Eye) -> Segments:
    """List what may be seen of a surface from one eye.

    Parameters
    ----------
    surface : Surface
    eye : Eye

    Returns
    -------
    Segments

    Notes
    -----
    A. Hertzmann and D. Zorin, *Illustrating smooth surfaces* (SIGGRAPH 2000), from memory: the product of normal and
    view is interpolated over each triangle, and the contour runs where it is 0. Where it rises away from the eye, the
    surface curves in front of its own contour, which is then never seen (J. J. Koenderink, 1984, from memory).
    """
    edges = _edges(surface, eye)
    contour = _contours(surface, eye)
    return Segments(*[np.concatenate([a, b]) for a, b in zip(edges, contour, strict=True)])


def _edges(surface: Surface, eye: Eye) -> tuple[NDArray[np.float64] | NDArray[np.int64] | NDArray[np.bool_], ...]:
    front = facing(surface, eye)
    # Behind the last row stands what a missing triangle says.
    front_or_open = np.append(front | ~surface.closed, True)
    rows = np.flatnonzero(surface.drawn & np.any(front_or_open[surface.faces], axis=1))
    ends = np.concatenate([surface.edges[rows], surface.lines])
    owners = np.concatenate([surface.faces[rows], np.full(surface.lines.shape, -1, np.int64)])
    begin, end = surface.points[ends[:, 0]], surface.points[ends[:, 1]]
    return begin, end, begin, end, ends, owners, np.zeros(len(ends), bool)


def facing(surface: Surface, eye: Eye) -> NDArray[np.bool_]:
    """Return which triangles turn their front to the eye [shape=(t,)]."""
    corner = surface.points[surface.triangles]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return np.asarray(np.einsum("ij,ij->i", normal, eye.rays(corner[:, 0])) > 0.0)


def _contours(surface: Surface, eye: Eye) -> tuple[NDArray[np.float64] | NDArray[np.int64] | NDArray[np.bool_], ...]:
    corner = surface.points[surface.triangles]
    toward = eye.rays(corner)
    turned = np.einsum("tci,tci->tc", surface.normals, toward)
    positive = turned >= 0.0
    rows = np.flatnonzero(np.any(positive, axis=1) & ~np.all(positive, axis=1))
    corner, turned, positive, normals = corner[rows], turned[rows], positive[rows], surface.normals[rows]
    falls = _falls_away(corner, turned, toward[rows, 0])
    keep = (falls > 0.0) | ~surface.closed[rows]
    rows, falls = rows[keep], falls[keep]
    corner, turned, positive, normals = corner[keep], turned[keep], positive[keep], normals[keep]
    sides = surface.sides[rows]
    crossed = positive != np.roll(positive, -1, axis=1)
    which = np.argsort(~crossed, axis=1, kind="stable")[:, :2]
    here = np.arange(len(rows))[:, None]
    a, b = which, (which + 1) % 3
    # From the lower end of each edge, whichever triangle asks, so that neighbours find the same point to the last bit.
    swap = surface.triangles[rows[:, None], a] > surface.triangles[rows[:, None], b]
    a, b = np.where(swap, b, a), np.where(swap, a, b)
    share = turned[here, a] / (turned[here, a] - turned[here, b])
    place = corner[here, a] + share[..., None] * (corner[here, b] - corner[here, a])
    normal = normals[here, a] + share[..., None] * (normals[here, b] - normals[here, a])
    size = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).mean(axis=1)
    length = np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-12)
    tested = place + (OUTWARDS * np.sign(falls) * size)[:, None, None] * normal / length
    # A contour ends at a crease, where the normal jumps: the surface beyond has a contour of its own, or none.
    edge = np.take_along_axis(sides, which, axis=1)
    alone = len(surface.points) + len(surface.edges) + 2 * rows[:, None] + np.arange(2)
    keys = np.where(surface.drawn[edge], alone, len(surface.points) + edge)
    owners = np.stack([rows, np.full(len(rows), -1)], axis=1)
    return place[:, 0], place[:, 1], tested[:, 0], tested[:, 1], keys, owners, np.ones(len(rows), bool)


def _falls_away(
    corner: NDArray[np.float64], turned: NDArray[np.float64], toward: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how the product of normal and view changes along the surface towards the eye; above 0 where it curves away."""
    u, v = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    uu, uv, vv = (np.einsum("ij,ij->i", p, q) for p, q in ((u, u), (u, v), (v, v)))
    tu, tv = np.einsum("ij,ij->i", toward, u), np.einsum("ij,ij->i", toward, v)
    # Coordinates of the view's part within the triangle, times a determinant that is above 0.
    along_u, along_v = tu * vv - tv * uv, tv * uu - tu * uv
    return np.asarray(along_u * (turned[:, 1] - turned[:, 0]) + along_v * (turned[:, 2] - turned[:, 0]))
