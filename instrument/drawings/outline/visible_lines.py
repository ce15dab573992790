"""Lines that one eye sees of a surface: hidden pieces cut off, chained, crumbs swept away, as a drawing to be routed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from instrument.drawings.outline.contours import facing, segments_from
from instrument.drawings.outline.hidden_lines import fill_grid, seen_pieces
from instrument.drawings.outline.picture_plane import Eye, place_along
from instrument.drawings.outline.surface import surface_of
from instrument.drawings.readers.mesh_edges import Mesh
from instrument.drawings.strokes import Drawing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.outline.contours import Segments
    from instrument.drawings.outline.surface import Surface

_NEARER = 1e-7
"""By how much what covers an edge must be nearer (of the model's size): rounding of what touches it."""

_ROUNDING = 1e-9

_POINT = 1e-5
"""Length (of the model's size) up to which a piece is a point, which is left out; its neighbours lie as near as to be welded."""

_SPECK = 1e-4
"""Length in the picture (of the model's size) that is no more than rounding, seen or hidden."""

_NEARER_CONTOUR = 1e-3
"""The same for contours, which lie beside the surface, not on it."""


@dataclass(frozen=True)
class Tidying:
    """Lengths in the picture, of the model's size, below which a line is no line.

    Attributes
    ----------
    crumb : float
        Pieces that touch no others and are shorter are left out.
    gap : float
        Hidden stretches of a smooth contour that are shorter are drawn over: facets hide what the surface would not.
    """

    crumb: float = 0.015
    gap: float = 0.02


def visible_lines(surface: Surface, eye: Eye, tidying: Tidying | None = None) -> Drawing:
    """Find the outline that an eye sees.

    Parameters
    ----------
    surface : Surface
    eye : Eye
        Outside of the model.
    tidying : Tidying, optional

    Returns
    -------
    Drawing
        Points on the model. It has no edge if nothing is seen.
    """
    tidying = tidying or Tidying()
    segments = segments_from(surface, eye)
    begin, near_begin = eye.projected(segments.tested_begin)
    end, near_end = eye.projected(segments.tested_end)
    flat = eye.projected(surface.points)[0]
    low, high = flat.min(axis=0), flat.max(axis=0)
    size = float(np.linalg.norm(high[:2] - low[:2])) or 1.0
    covering = np.flatnonzero(facing(surface, eye) | ~surface.closed)
    corners = np.ascontiguousarray(flat[surface.triangles[covering]])
    side = int(np.clip(np.sqrt(len(covering)), 4, 256))
    width = float((high[:2] - low[:2]).max()) / side or 1.0
    first, listed = fill_grid(corners, low, width, side)
    margin = np.where(segments.smooth, _NEARER_CONTOUR, _NEARER) * size
    around = segments.smooth.astype(np.int64)
    segment, place = seen_pieces(
        begin,
        end,
        segments.owners,
        around,
        margin,
        corners,
        covering,
        surface.triangles,
        first,
        listed,
        low,
        width,
        side,
    )
    length = np.linalg.norm((end - begin)[:, :2], axis=1)
    segment, place = _without_gaps(segments, length, segment, place, tidying.gap * size)
    place = _without_specks(length[segment], place, _SPECK * size)
    keys, points, lengths = _ends(segments, segment, place, near_begin, near_end, length)
    keep = np.flatnonzero((np.ptp(place, axis=1) >= 1.0) | (lengths > _SPECK * size))
    keep = keep[_without_crumbs(keys[keep], lengths[keep], tidying.crumb * size)]
    # A contour through a corner has pieces of no length there, which held it together until now.
    keep = keep[np.linalg.norm(points[keep, 1] - points[keep, 0], axis=1) > _POINT * size]
    _, rows = np.unique(keys[keep], return_inverse=True)
    rows = rows.reshape(-1, 2)
    placed = np.zeros((int(rows.max(initial=-1)) + 1, 3))
    placed[rows] = points[keep]
    return Drawing(placed, rows.astype(np.int64))


def warm() -> None:
    """Load the loops' machine code, or compile it once."""
    corners = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    tetrahedron = Mesh(corners, np.array([0, 2, 1, 0, 1, 3, 0, 3, 2, 1, 2, 3]), np.full(4, 3))
    visible_lines(surface_of(tetrahedron), Eye(np.array([0.6, 0.0, 0.8])))


def _without_gaps(
    segments: Segments, length: NDArray[np.float64], segment: NDArray[np.int64], place: NDArray[np.float64], gap: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Draw over short hidden stretches along each smooth contour, and leave out short visible ones between hidden ones."""
    smooth = segments.smooth[segment]
    found_segment, found_place = [segment[~smooth]], [place[~smooth]]
    pieces: dict[int, list[tuple[float, float]]] = {}
    for row, (here, there) in zip(segment[smooth].tolist(), place[smooth].tolist(), strict=True):
        pieces.setdefault(row, []).append((here, there))
    for chain in _chains(segments):
        visible: list[list[float]] = []
        starts = np.concatenate([[0.0], np.cumsum(length[np.abs(chain) - 1])]).tolist()
        for (at, row), whole in zip(enumerate(chain.tolist()), length[np.abs(chain) - 1].tolist(), strict=True):
            parts = pieces.get(abs(row) - 1, [])
            if row < 0:
                parts = [(1.0 - there, 1.0 - here) for here, there in reversed(parts)]
            for here, there in parts:
                begin, end = starts[at] + here * whole, starts[at] + there * whole
                if visible and begin - visible[-1][1] <= gap:
                    visible[-1][1] = end
                else:
                    visible.append([begin, end])
        for begin, end in visible:
            at = max(int(np.searchsorted(starts, begin, side="right")) - 1, 0)
            while at < len(chain) and starts[at] < end:
                row, whole = int(chain[at]), starts[at + 1] - starts[at]
                here, there = 0.0, 1.0
                if whole > 0.0:
                    # Sums of lengths are rounded: an end is an end, or the line would come apart there.
                    here = (begin - starts[at]) / whole if begin - starts[at] > _ROUNDING * whole else 0.0
                    there = (end - starts[at]) / whole if end - starts[at] < (1.0 - _ROUNDING) * whole else 1.0
                if row < 0:
                    here, there = 1.0 - there, 1.0 - here
                found_segment.append(np.array([abs(row) - 1]))
                found_place.append(np.array([[here, there]]))
                at += 1
    return np.concatenate(found_segment), np.concatenate(found_place)


def _without_specks(length: NDArray[np.float64], place: NDArray[np.float64], speck: float) -> NDArray[np.float64]:
    """Lengthen pieces up to the ends of their segments where they miss them by no more than a speck."""
    begin = np.where(place[:, 0] * length <= speck, 0.0, place[:, 0])
    end = np.where((1.0 - place[:, 1]) * length <= speck, 1.0, place[:, 1])
    # What is no longer than a speck itself stays as it is, and is left out.
    tiny = (place[:, 1] - place[:, 0]) * length <= speck
    return np.where(tiny[:, None], place, np.stack([begin, end], axis=1))


def _chains(segments: Segments) -> list[NDArray[np.int64]]:
    """Smooth segments in the order in which they follow one another: rows counted from 1, negative if run backwards."""
    rows = np.flatnonzero(segments.smooth)
    at_key: dict[int, list[int]] = {}
    keys = segments.keys[rows].tolist()
    for k, ends in enumerate(keys):
        for key in ends:
            at_key.setdefault(key, []).append(k)
    used = [False] * len(keys)
    # Ends first, so that an open chain is begun there and not in its middle.
    ends = [k for k, pair in enumerate(keys) if any(len(at_key[key]) == 1 for key in pair)]
    found = []
    for begin in [*ends, *range(len(keys))]:
        if used[begin]:
            continue
        key = keys[begin][0] if len(at_key[keys[begin][0]]) == 1 else keys[begin][1]
        if len(at_key[key]) != 1:
            key = keys[begin][0]
        chain, here = [], begin
        while True:
            used[here] = True
            forwards = keys[here][0] == key
            chain.append((rows[here] + 1) * (1 if forwards else -1))
            key = keys[here][1] if forwards else keys[here][0]
            onwards = [k for k in at_key[key] if not used[k]]
            if not onwards:
                break
            here = onwards[0]
        found.append(np.array(chain, np.int64))
    return found


def _ends(
    segments: Segments,
    segment: NDArray[np.int64],
    place: NDArray[np.float64],
    near_begin: NDArray[np.float64],
    near_end: NDArray[np.float64],
    length: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Names of both ends of each visible piece (m, 2), their points (m, 2, 3), and lengths in the picture (m,)."""
    keys = segments.keys[segment]
    fresh = int(segments.keys.max(initial=0)) + 1 + np.arange(2 * len(segment)).reshape(-1, 2)
    whole = np.stack([place[:, 0] <= 0.0, place[:, 1] >= 1.0], axis=1)
    # A piece that goes on in the same segment from a cut has a name of its own there: nothing else ends at it.
    named = np.where(whole, keys, fresh)
    share = np.stack([place_along(place[:, k], near_begin[segment], near_end[segment]) for k in (0, 1)], axis=1)
    begin, end = segments.begin[segment], segments.end[segment]
    points = begin[:, None] + share[..., None] * (end - begin)[:, None]
    points = np.where(whole[..., None], np.stack([begin, end], axis=1), points)
    return named, points, length[segment] * (place[:, 1] - place[:, 0])


def _without_crumbs(keys: NDArray[np.int64], lengths: NDArray[np.float64], least: float) -> NDArray[np.bool_]:
    """Return which pieces hang together to at least so much; the longest lot where none does."""
    if not len(keys):
        return np.zeros(0, bool)
    _, rows = np.unique(keys, return_inverse=True)
    rows = rows.reshape(-1, 2)
    count = int(rows.max()) + 1
    lot = connected_components(
        coo_array((np.ones(len(rows)), (rows[:, 0], rows[:, 1])), (count, count)), directed=False
    )[1]
    total = np.bincount(lot[rows[:, 0]], lengths)
    return np.asarray(total[lot[rows[:, 0]]] >= min(least, float(total.max())))
