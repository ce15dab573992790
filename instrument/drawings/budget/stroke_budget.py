"""Strokes within a budget of points: what matters least leaves first, by one measure of detail."""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.budget.points_needed import longer_side, points_expected
from instrument.drawings.limits import DEFAULT_TOLERANCES, Tolerances
from instrument.drawings.routing.weld import chains, weld
from instrument.drawings.strokes import Drawing, edge_lengths

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FINEST, COARSEST = 2.0**-11, 1.0
"""Details between which the search goes on, as shares of the drawing's longer side: half a pixel of a screen, and all of it."""

SHORTEST = 3.0
"""A stroke that shows less than so many details of length is left out."""

HIDDEN = 0.004
"""A stroke within this share of the drawing of a longer one is hidden under it; half of what a spot of light covers."""

SEARCHED = 14
"""Halvings of the search: the detail is found to a part in two thousand."""


@dataclass(frozen=True)
class Budgeted:
    """Drawing within a budget, and what it lacks.

    Attributes
    ----------
    drawing : Drawing
        Welded.
    strokes : int
        Strokes that were left out as a whole.
    of_strokes : int
        Strokes of the drawing before.
    points : int
        Points that were left out of the strokes that stay.
    detail : float
        Smallest detail that is left, as a share of the drawing's longer side; 0 where nothing was left out.
    """

    drawing: Drawing
    strokes: int = 0
    of_strokes: int = 0
    points: int = 0
    detail: float = 0.0


def within_budget(
    drawing: Drawing,
    points: float,
    tolerances: Tolerances = DEFAULT_TOLERANCES,
    needed: Callable[[Drawing], float] = points_expected,
) -> Budgeted:
    """Leave out of a drawing what matters least, until the points of a cycle show the rest.

    One number decides, the smallest detail that is left. Strokes that show less than three times that length leave, longest
    ones never hidden by shorter ones, and so do points whose triangle with their neighbours has less than half its square.

    Parameters
    ----------
    drawing : Drawing
        Flat or not, welded or not. Bridges are lost where strokes are left out.
    points : float
        Points that one cycle has, above 0.
    tolerances : Tolerances
    needed : callable
        Points that a welded drawing needs; the default is an estimate that takes no routing.

    Returns
    -------
    Budgeted
        At least the stroke that matters most; a budget of a few points may be exceeded by it.

    Raises
    ------
    DrawingError
        If there is nothing to draw.

    Notes
    -----
    M. Visvalingam and J. D. Whyatt, Line generalisation by repeated elimination of points, The Cartographic Journal 30 (1993),
    46 to 51: the point of the least triangle leaves first, and its neighbours' triangles are measured anew.

    See Also
    --------
    instrument.drawings.budget.fitted_route.fitted_route : the same, held against the routed line.
    """
    welded = weld(drawing, tolerances)
    if needed(welded) <= points:
        return Budgeted(welded, of_strokes=0)
    strokes = _Strokes(welded)
    low, high = math.log2(FINEST), math.log2(COARSEST)
    best = strokes.without(COARSEST)
    for _ in range(SEARCHED):
        middle = 0.5 * (low + high)
        found = strokes.without(2.0**middle)
        if needed(found.drawing) <= points:
            best, high = found, middle
        else:
            low = middle
    return best


class _Strokes:
    """Strokes of a welded drawing with what each of them, and each of their points, is worth."""

    def __init__(self, drawing: Drawing) -> None:
        self._drawing = drawing
        self._side = longer_side(drawing)
        self._chains = chains(drawing.edges, len(drawing.points))
        # In units of the drawing, so that squares of small and large coordinates stay numbers.
        places = drawing.points / self._side
        self._areas = [triangle_areas(places[chain]) for chain in self._chains]
        self._shown = shown_lengths([places[chain] for chain in self._chains])

    def without(self, detail: float) -> Budgeted:
        """Leave out what is smaller than a detail."""
        stays = self._shown >= SHORTEST * detail
        stays[int(np.argmax(self._shown))] = True
        edges: list[tuple[int, int]] = []
        points = 0
        for row in np.flatnonzero(stays).tolist():
            chain, area = self._chains[row], self._areas[row]
            kept = chain[area >= 0.5 * detail**2]
            points += len(chain) - len(kept)
            edges += itertools.pairwise(kept.tolist())
        table = np.asarray(edges, np.int64)
        used = np.unique(table)
        number = np.searchsorted(used, table)
        drawing = replace(
            self._drawing, points=self._drawing.points[used], edges=number, bridges=np.zeros((0, 2), np.int64)
        )
        return Budgeted(drawing, int((~stays).sum()), len(stays), points, detail)


def triangle_areas(line: Floats) -> Floats:
    """Effective area of each point of a line: that of the triangle it makes when its turn to leave has come.

    Parameters
    ----------
    line : ndarray of float64, shape (n, 3)
        The last point is the first one where the line closes.

    Returns
    -------
    ndarray of float64, shape (n,)
        Infinite at the ends; of a closed line also at two more points, so that it stays one. Never less than that of a point
        which left earlier.

    Examples
    --------
    >>> triangle_areas(np.array([[0.0, 0, 0], [1, 0, 0], [1, 2, 0]])).tolist()
    [inf, 1.0, inf]
    """
    count = len(line)
    areas = np.full(count, np.inf)
    stay = 2 if count > 3 and np.array_equal(line[0], line[-1]) else 0
    left = list(range(-1, count - 1))
    right = list(range(1, count + 1))
    places = line.tolist()

    def area(at: int) -> float:
        (ax, ay, az), (bx, by, bz), (cx, cy, cz) = places[left[at]], places[at], places[right[at]]
        ux, uy, uz, vx, vy, vz = bx - ax, by - ay, bz - az, cx - ax, cy - ay, cz - az
        return 0.5 * math.sqrt((uy * vz - uz * vy) ** 2 + (uz * vx - ux * vz) ** 2 + (ux * vy - uy * vx) ** 2)

    now = [0.0] * count
    heap = []
    for at in range(1, count - 1):
        now[at] = area(at)
        heap.append((now[at], at))
    heapq.heapify(heap)
    gone = [False] * count
    waiting, most = count - 2, 0.0
    while heap and waiting > stay:
        size, at = heapq.heappop(heap)
        if gone[at] or size != now[at]:
            continue
        most = max(most, size)
        areas[at] = most
        gone[at] = True
        waiting -= 1
        left[right[at]], right[left[at]] = left[at], right[at]
        for beside in (left[at], right[at]):
            if 0 < beside < count - 1:
                now[beside] = area(beside)
                heapq.heappush(heap, (now[beside], beside))
    return areas


def shown_lengths(lines: list[Floats]) -> Floats:
    """Length of each line that no longer one hides; of a line that fills a small place, twice the size of that place at most.

    Parameters
    ----------
    lines : list of ndarray of float64, each of shape (n, 3)
        In units of the drawing's longer side.

    Returns
    -------
    ndarray of float64, shape (len(lines),)
    """
    lengths = np.array([float(edge_lengths(line, _steps(len(line))).sum()) for line in lines])
    extents = np.array([float(np.linalg.norm(np.ptp(line, axis=0))) for line in lines])
    rank = np.empty(len(lines), np.int64)
    rank[np.lexsort((np.arange(len(lines)), -lengths))] = np.arange(len(lines))
    owner, places = _laid_out(lines, lengths)
    cells = np.floor(places / HIDDEN).astype(np.int64)
    cells -= cells.min(axis=0)
    # Of each cell the longest line that runs through it; a point is hidden if a longer one runs through its own or the next.
    spans = cells.max(axis=0) + 3
    key = ((cells[:, 0] + 1) * spans[1] + cells[:, 1] + 1) * spans[2] + cells[:, 2] + 1
    known, cell = np.unique(key, return_inverse=True)
    first = np.full(len(known), len(lines))
    np.minimum.at(first, cell, rank[owner])
    hidden = np.zeros(len(owner), bool)
    for dx, dy, dz in itertools.product((-1, 0, 1), repeat=3):
        beside = key + (dx * spans[1] + dy) * spans[2] + dz
        at = np.minimum(np.searchsorted(known, beside), len(known) - 1)
        hidden |= (known[at] == beside) & (first[at] < rank[owner])
    count = np.bincount(owner, minlength=len(lines))
    share = np.bincount(owner, ~hidden, len(lines)) / np.maximum(count, 1)
    return np.asarray(np.minimum(lengths * share, 2 * extents))


def _steps(count: int) -> NDArray[np.int64]:
    return np.stack([np.arange(count - 1), np.arange(1, count)], axis=1)


def _laid_out(lines: list[Floats], lengths: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Points along all lines, close enough for `HIDDEN`, with the line each belongs to; very many lines are sampled wider."""
    spacing = max(HIDDEN / 2, float(lengths.sum()) / 2_000_000)
    owners, places = [], []
    for row, line in enumerate(lines):
        step = edge_lengths(line, _steps(len(line)))
        reach = np.concatenate([[0.0], np.cumsum(step)])
        count = max(2, math.ceil(reach[-1] / spacing))
        at = (np.arange(count) + 0.5) / count * reach[-1]
        owners.append(np.full(count, row))
        places.append(np.stack([np.interp(at, reach, line[:, axis]) for axis in range(3)], axis=1))
    return np.concatenate(owners), np.concatenate(places)
