"""Strokes made into a graph: coincident points welded, loose ends joined, points that do not matter left out."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_TOLERANCES, DrawingError, Tolerances
from instrument.drawings.routing.edge_arrays import degrees, first_occurrences
from instrument.drawings.strokes import Drawing, check_finite, edge_lengths

if TYPE_CHECKING:
    from numpy.typing import NDArray


def weld(drawing: Drawing, tolerances: Tolerances = DEFAULT_TOLERANCES) -> Drawing:
    """Join what touches and drop what draws nothing.

    No point moves further than the tolerance, however densely a curve is sampled: points are drawn to
    chosen representatives, never along chains. The first of the points that coincide keeps its place in the
    order; edges keep their order and direction.

    Parameters
    ----------
    drawing : Drawing
    tolerances : Tolerances

    Returns
    -------
    Drawing
        Every point is used by an edge or a bridge; no edge has zero length or is drawn twice.

    Raises
    ------
    DrawingError
        If nothing is left to draw, or a coordinate is not a finite number.
    """
    check_finite(drawing, tolerances)
    drawn = drawing.points[drawing.edges.ravel()]
    if not len(drawn):
        raise DrawingError("there is nothing to draw: no line, edge or curve was found")
    low, high = drawn.min(axis=0), drawn.max(axis=0)
    size = float(np.linalg.norm(high - low))
    if size == 0.0:
        raise DrawingError("there is nothing to draw: every point lies in the same place")
    warnings = list(drawing.warnings)
    furthest = float(max(np.abs(low).max(), np.abs(high).max()))
    if furthest > tolerances.offset * size:
        warnings.append(
            f"the drawing lies {furthest / size:.0e} of its own sizes from the origin and has lost fine detail; "
            "move it to the origin before saving"
        )
    # Three steps, in this order: points that are one; loose ends that nearly meet a point; loose ends that nearly meet the
    # middle of an edge. The first works to float32's precision, the others to what a hand can draw.
    joined = _renumbered(drawing, representatives(drawing.points, tolerances.coincident * size))
    joined = _split_touched(_join_ends(joined, tolerances.ends * size), tolerances.ends * size)
    if not len(joined.edges):
        raise DrawingError("there is nothing to draw: every line is shorter than the drawing's tolerance")
    dropped = len(drawing.edges) - len(drawing.edges[_nonzero(drawing)])
    if dropped:
        warnings.append(f"{dropped} edge{'s' if dropped > 1 else ''} of zero length left out")
    return replace(joined, warnings=tuple(warnings))


def _nonzero(drawing: Drawing) -> NDArray[np.bool_]:
    return np.asarray(edge_lengths(drawing.points, drawing.edges) > 0.0)


def representatives(points: NDArray[np.float64], tolerance: float) -> NDArray[np.int64]:
    """Find for each point the one it is drawn to: points that stand are further apart than the tolerance.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    tolerance : float
        In the units of `points`.

    Returns
    -------
    ndarray of int64, shape (n,)
        Rows of `points`; of the points drawn together, the first.
    """
    from scipy.spatial import cKDTree

    pairs = cKDTree(points).query_pairs(tolerance, output_type="ndarray")
    chosen = np.arange(len(points))
    if not len(pairs):
        return chosen
    # Luby's maximal independent set: a point stands if it comes first among its undecided neighbours. The
    # ranks are shuffled so that a long dense chain is settled in a few rounds instead of one point a round.
    rank = np.random.default_rng(0).permutation(len(points))
    ends = np.concatenate([pairs, pairs[:, ::-1]])
    undecided = np.ones(len(points), bool)
    while len(ends):
        smallest = np.full(len(points), len(points))
        np.minimum.at(smallest, ends[:, 0], rank[ends[:, 1]])
        stands = undecided & (rank < smallest)
        caught = ends[stands[ends[:, 0]]]
        chosen[caught[:, 1]] = caught[:, 0]
        undecided &= ~stands
        undecided[caught[:, 1]] = False
        ends = ends[undecided[ends[:, 0]] & undecided[ends[:, 1]]]
    # Which point of a cluster stands was a matter of chance; let the first one give the place.
    first = np.full(len(points), len(points))
    np.minimum.at(first, chosen, np.arange(len(points)))
    return np.asarray(first[chosen])


def _renumbered(drawing: Drawing, to: NDArray[np.int64]) -> Drawing:
    """Send every point to its representative, drop empty and repeated edges, number the rest without gaps."""
    edges, bridges = _unique_edges(to[drawing.edges]), _unique_edges(to[drawing.bridges])
    if len(bridges):
        drawn = np.sort(edges, axis=1) @ [len(to), 1]
        bridges = bridges[~np.isin(np.sort(bridges, axis=1) @ [len(to), 1], drawn)]
    used = np.zeros(len(to), bool)
    used[edges.ravel()] = True
    used[bridges.ravel()] = True
    number = np.cumsum(used) - 1
    return Drawing(drawing.points[used], number[edges], number[bridges], drawing.warnings)


def _unique_edges(edges: NDArray[np.int64]) -> NDArray[np.int64]:
    """Edges between two different points, the first of each pair alone."""
    edges = edges[edges[:, 0] != edges[:, 1]]
    if not len(edges):
        return edges
    key = np.minimum(*edges.T) * (int(edges.max()) + 1) + np.maximum(*edges.T)
    return edges[first_occurrences(key)]


def _join_ends(drawing: Drawing, tolerance: float) -> Drawing:
    """Draw each loose end to the nearest other point within the tolerance."""
    from scipy.spatial import cKDTree

    count = len(drawing.points)
    loose = np.flatnonzero(degrees(drawing.edges, count) == 1)
    if not len(loose):
        return drawing
    drawn = np.flatnonzero(degrees(drawing.edges, count))
    distance, near = cKDTree(drawing.points[drawn]).query(
        drawing.points[loose], k=min(3, len(drawn)), distance_upper_bound=tolerance
    )
    neighbour = _neighbours(drawing.edges, count)
    to = np.arange(count)
    stays: set[int] = set()
    # Where nothing is near, the library gives a row behind the last.
    target = np.append(drawn, -1)[near]
    eligible = np.isfinite(distance) & (target != loose[:, None]) & (target != neighbour[loose][:, None])
    # A short last edge must not be folded onto itself: its own other end does not count. A point that something was
    # drawn to stays, and nothing is drawn to a point that moved: no chains.
    for row in np.flatnonzero(eligible.any(axis=1)).tolist():
        end = int(loose[row])
        if end in stays:
            continue
        for found in target[row][eligible[row]].tolist():
            if to[found] == found:
                to[end] = found
                stays.add(found)
                break
    return _renumbered(drawing, to)


def _neighbours(edges: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Find some neighbour of each point; of a loose end, its only one."""
    neighbour = np.full(count, -1)
    neighbour[edges[:, 0]] = edges[:, 1]
    neighbour[edges[:, 1]] = edges[:, 0]
    return neighbour


def _split_touched(drawing: Drawing, tolerance: float) -> Drawing:
    """Split an edge where a loose end of another stroke touches it, as in the letter T."""
    from scipy.spatial import cKDTree

    points, edges = drawing.points, drawing.edges
    loose = np.flatnonzero(degrees(edges, len(points)) == 1)
    if not len(loose) or len(edges) < 2:
        return drawing
    # Samples along the edges, closer together than the search radius allows, find the edges near each end: a tree of points
    # answers at once, where every end against every edge would cost their product.
    # About two samples an edge: with fewer the search radius takes in half the drawing, with more the tree grows.
    lengths = edge_lengths(points, edges)
    spacing = max(float(lengths.sum()) / (2 * len(edges)), 4 * tolerance)
    per_edge = np.ceil(lengths / spacing).astype(np.int64) + 1
    owner = np.repeat(np.arange(len(edges)), per_edge)
    position = (np.arange(len(owner)) - np.repeat(np.cumsum(per_edge) - per_edge, per_edge)) / (per_edge[owner] - 1)
    a, b = points[edges[owner, 0]], points[edges[owner, 1]]
    tree = cKDTree(a + position[:, None] * (b - a), compact_nodes=False, balanced_tree=False)
    found = tree.query_ball_point(points[loose], 0.5 * spacing + tolerance)
    end = np.repeat(loose, [len(rows) for rows in found])
    edge = owner[np.concatenate([np.asarray(rows, np.int64) for rows in found])]
    once = first_occurrences(end * len(edges) + edge)
    end, edge = end[once], edge[once]
    apart = (edges[edge] != end[:, None]).all(axis=1)
    end, edge = end[apart], edge[apart]
    start = points[edges[edge, 0]]
    along = points[edges[edge, 1]] - start
    t = np.einsum("ij,ij->i", points[end] - start, along) / lengths[edge] ** 2
    distance = np.linalg.norm(start + np.clip(t, 0, 1)[:, None] * along - points[end], axis=1)
    # Each end touches the edge nearest to it, if that is near enough, and if it is not its end that is touched.
    nearest = np.lexsort((edge, distance, end))
    nearest = nearest[first_occurrences(end[nearest])]
    cuts: dict[int, list[tuple[float, int]]] = {}
    for row in nearest[distance[nearest] <= tolerance].tolist():
        if 0.0 < t[row] < 1.0:
            cuts.setdefault(int(edge[row]), []).append((float(t[row]), int(end[row])))
    if not cuts:
        return drawing
    pieces: list[tuple[int, int]] = []
    for edge, (first, last) in enumerate(edges.tolist()):
        stops = [first, *(end for _, end in sorted(cuts.get(edge, []))), last]
        pieces.extend(itertools.pairwise(stops))
    return _renumbered(replace(drawing, edges=np.asarray(pieces, np.int64)), np.arange(len(points)))


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
        kept = _douglas_peucker(drawing.points[chain], tolerances.simplify * size)
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


def _douglas_peucker(line: NDArray[np.float64], tolerance: float) -> NDArray[np.int64]:
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
