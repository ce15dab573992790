"""Points that a drawing can do without are taken out of its strokes."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.strokes import Drawing
    from instrument.drawings.tolerances import Tolerances


def simplify(drawing: Drawing, tolerances: Tolerances) -> Drawing:
    """Take out points between crossings and ends, so that no stroke moves by more than the tolerance.

    Parameters
    ----------
    drawing : Drawing
        Welded.
    tolerances : Tolerances
        `simplify` is a fraction of the drawing's bounding diagonal; 0 leaves the drawing as it is.

    Returns
    -------
    Drawing

    Notes
    -----
    D. Douglas and T. Peucker, Algorithms for the reduction of the number of points required to represent a
    digitized line or its caricature, Cartographica 10 (1973), pages 112 to 122.
    """
    if tolerances.simplify <= 0.0:
        return drawing
    drawn = drawing.points[drawing.edges.ravel()]
    size = float(np.linalg.norm(drawn.max(axis=0) - drawn.min(axis=0)))
    edges: list[tuple[int, int]] = []
    for chain in chains(drawing.edges, len(drawing.points)):
        kept = _needed(drawing.points[chain], tolerances.simplify * size)
        edges.extend(zip(chain[kept[:-1]].tolist(), chain[kept[1:]].tolist(), strict=True))
    kept_edges = np.asarray(edges, np.int64)
    # The chains come in another order than the strokes; the first edge of each tells where it belongs.
    used = np.zeros(len(drawing.points), bool)
    used[kept_edges.ravel()] = True
    used[drawing.bridges.ravel()] = True
    number = np.cumsum(used) - 1
    return replace(
        drawing,
        points=drawing.points[used],
        edges=number[kept_edges],
        bridges=number[drawing.bridges],
    )


def chains(edges: NDArray[np.int64], count: int) -> list[NDArray[np.int64]]:
    """Cut a graph into chains of vertices between those where it ends or branches; a ring is a chain too.

    Parameters
    ----------
    edges : ndarray of int64, shape (m, 2)
        No loops.
    count : int
        Number of vertices.

    Returns
    -------
    list of ndarray of int64
        Vertices in order, each chain in the direction and order of its first edge.

    Examples
    --------
    >>> [c.tolist() for c in chains(np.array([[0, 1], [1, 2], [2, 3], [2, 4]]), 5)]
    [[0, 1, 2], [2, 3], [2, 4]]
    """
    at: list[list[int]] = [[] for _ in range(count)]
    pairs = edges.tolist()
    for row, (a, b) in enumerate(pairs):
        at[a].append(row)
        at[b].append(row)
    done = [False] * len(pairs)

    def follow(vertex: int, row: int) -> list[int]:
        found = []
        while len(at[vertex]) == 2:
            row = at[vertex][0] if at[vertex][1] == row else at[vertex][1]
            if done[row]:
                break
            done[row] = True
            a, b = pairs[row]
            vertex = b if a == vertex else a
            found.append(vertex)
        return found

    result = []
    for row, (a, b) in enumerate(pairs):
        if not done[row]:
            done[row] = True
            onward = follow(b, row)
            result.append(np.asarray([*follow(a, row)[::-1], a, b, *onward], np.int64))
    return result


def _needed(line: NDArray[np.float64], tolerance: float) -> NDArray[np.int64]:
    """Places of the points that must stay. A ring keeps three, so that it stays a ring."""
    keep = np.zeros(len(line), bool)
    keep[[0, -1]] = True
    stretches = [(0, len(line) - 1)]
    if len(line) > 3 and np.array_equal(line[0], line[-1]):
        far = int(np.argmax(np.linalg.norm(line - line[0], axis=1)))
        chord = _distance(line, line[0], line[far])
        third = int(np.argmax(chord))
        stops = sorted({0, far, third, len(line) - 1})
        keep[stops] = True
        stretches = list(itertools.pairwise(stops))
    while stretches:
        first, last = stretches.pop()
        if last - first < 2:
            continue
        away = _distance(line[first + 1 : last], line[first], line[last])
        furthest = int(np.argmax(away))
        if away[furthest] > tolerance:
            middle = first + 1 + furthest
            keep[middle] = True
            stretches += [(first, middle), (middle, last)]
    return np.flatnonzero(keep)


def _distance(points: NDArray[np.float64], one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of points from the straight piece between two others."""
    along = other - one
    square = float(along @ along)
    share = np.clip((points - one) @ along / square, 0, 1) if square > 0 else np.zeros(len(points))
    return np.asarray(np.linalg.norm(points - one - share[:, None] * along, axis=1))
