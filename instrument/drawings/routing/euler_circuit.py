"""Euler circuits: one closed walk over every edge of an even graph, straight on through its crossings."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.edge_arrays import stable_argsort

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

# Up to this many edges at a vertex every way of pairing them is weighed.
EXHAUSTIVE_DEGREE = 8
# Cosine between two headings that are one line walked back.
TURNING_BACK = 0.9999
# Vertices with more edges than this are paired one by one instead of all vertices of a degree at once.
WIDE_DEGREE = 16
# Steps of a grid on which products of two numbers up to 1, and sums of a few of them, are exact in float64. On it the
# ties of a symmetric drawing are ties on every processor, and are decided by the order of its edges.
GRID = 2.0**25
# Beyond this many edges at one vertex, pairing by straightness costs more than it shows.
STAR_DEGREE = 600


def euler_circuit(
    edges: NDArray[np.int64], points: NDArray[np.float64], free: NDArray[np.bool_], *, straight: bool = True
) -> NDArray[np.int64]:
    """Walk every edge exactly once and return to the start.

    At every vertex the edge ends are paired: where the line comes in by one, it goes out by the other. The
    pairing splits the graph into closed trails; trails that meet are made one by exchanging partners where
    that bends the line least.

    Parameters
    ----------
    edges : ndarray of int64, shape (m, 2)
        Connected; every vertex even. Parallel edges are allowed, loops are not.
    points : ndarray of float64, shape (n, 3)
    free : ndarray of bool, shape (m,)
        Edges with no direction to be kept (jumps).
    straight : bool
        Prefer going straight on at a crossing; otherwise pair in any order, which is quicker.

    Returns
    -------
    ndarray of int64, shape (m,)
        Half-edges in walking order: `2 * edge` walks an edge forwards, `2 * edge + 1` backwards. Begins with
        edge 0 forwards.

    Notes
    -----
    C. Hierholzer (1873) joined trails by inserting one in another; exchanging partners does the same and lets
    the place be chosen.

    Examples
    --------
    >>> triangle = np.array([[0, 1], [1, 2], [2, 0]])
    >>> euler_circuit(triangle, np.eye(3), np.zeros(3, bool)).tolist()
    [0, 2, 4]
    """
    # A half-edge is an edge seen from one of its ends: 2 * edge from the first, 2 * edge + 1 from the second, so that the
    # other end is `half ^ 1`. `mate` holds for each the half-edge by which the line goes on.
    heading = _headings(edges, points, free) if straight else np.zeros((2 * len(edges), 3))
    vertex = edges.ravel()
    mate = np.empty(2 * len(edges), np.int64)
    for group in _ends_by_degree(vertex):
        _pair(group, heading, mate)
    _merge_trails(vertex, heading, mate)
    return _walk(mate)


def snapped_to_grid(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round numbers within -1..1 to the `GRID`, which is finer than any two points that are not one."""
    return np.asarray(np.round(values * GRID) / GRID)


def _headings(edges: NDArray[np.int64], points: NDArray[np.float64], free: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the unit vector of each half-edge away from its vertex, shape (2m, 3); zero for free edges."""
    step = points[edges[:, 1]] - points[edges[:, 0]]
    length = np.sqrt(np.einsum("ij,ij->i", step, step))
    step /= np.where(length > 0, length, 1)[:, None]
    step[free] = 0.0
    step = snapped_to_grid(step)
    heading = np.empty((2 * len(edges), 3))
    heading[0::2] = step
    heading[1::2] = -step
    return heading


def _ends_by_degree(vertex: NDArray[np.int64]) -> Iterator[NDArray[np.int64]]:
    """Half-edges of all vertices of one degree, int64, shape (vertices, degree); wide vertices singly."""
    order = stable_argsort(vertex)
    degree = np.bincount(vertex)
    start = np.cumsum(degree) - degree
    for size in np.unique(degree[degree > 0]).tolist():
        rows = start[degree == size][:, None] + np.arange(size)
        if size <= WIDE_DEGREE:
            yield order[rows]
        else:
            yield from (order[row][None] for row in rows)


def _pair(ends: NDArray[np.int64], heading: NDArray[np.float64], mate: NDArray[np.int64]) -> None:
    """Pair the half-edges in each row: for the straightest sum of bends, or the straightest pair first."""
    degree = ends.shape[1]
    half = degree // 2
    if degree == 2 or degree > STAR_DEGREE:
        _match(ends[:, :half], ends[:, half:], mate)
        return
    if degree <= EXHAUSTIVE_DEGREE:
        _pair_few(ends, heading, mate)
        return
    # Both headings point away from the vertex, so that going straight on is -1, a right angle 0, turning back 1.
    there = heading[ends]
    bend = np.einsum("vik,vjk->vij", there, there)
    # Turning back on oneself is worse than any corner.
    bend[bend > TURNING_BACK] = 4.0
    bend[:, np.arange(degree), np.arange(degree)] = np.inf
    rows = np.arange(len(ends))
    for _ in range(half):
        nearest = bend.reshape(len(ends), -1).argmin(axis=1)
        one, other = nearest // degree, nearest % degree
        _match(ends[rows, one], ends[rows, other], mate)
        for used in (one, other):
            bend[rows, used, :] = np.inf
            bend[rows, :, used] = np.inf


def _pair_few(ends: NDArray[np.int64], heading: NDArray[np.float64], mate: NDArray[np.int64]) -> None:
    """Pair the half-edges in each row by the straightest of all ways there are."""
    degree = ends.shape[1]
    there = [heading[column] for column in ends.T]
    bend = {}
    for one, other in itertools.combinations(range(degree), 2):
        bends = np.einsum("vk,vk->v", there[one], there[other])
        bends[bends > TURNING_BACK] = 4.0
        bend[one, other] = bends
    ways = np.asarray(_pairings(tuple(range(degree))))
    best = np.full(len(ends), np.inf)
    which = np.zeros(len(ends), np.int64)
    for way, pairs in enumerate(ways.tolist()):
        total = sum(bend[one, other] for one, other in pairs)
        which[total < best] = way
        best = np.minimum(best, total)
    best_ways = ways[which]
    left = np.take_along_axis(ends, best_ways[:, :, 0], 1)
    _match(left, np.take_along_axis(ends, best_ways[:, :, 1], 1), mate)


def _match(one: NDArray[np.int64], other: NDArray[np.int64], mate: NDArray[np.int64]) -> None:
    mate[one] = other
    mate[other] = one


def _pairings(items: tuple[int, ...]) -> list[list[tuple[int, int]]]:
    """List all ways to put an even number of things in pairs: 3 for 4 things, 15 for 6, 105 for 8."""
    if not items:
        return [[]]
    first, rest = items[0], items[1:]
    return [
        [(first, other), *others]
        for index, other in enumerate(rest)
        for others in _pairings(rest[:index] + rest[index + 1 :])
    ]


def _merge_trails(vertex: NDArray[np.int64], heading: NDArray[np.float64], mate: NDArray[np.int64]) -> None:
    """Exchange partners until one trail is left."""
    from scipy import sparse
    from scipy.sparse import csgraph

    half = np.flatnonzero(np.arange(len(mate)) < mate)
    count = len(mate) // 2
    links = sparse.csr_matrix(
        (np.ones(count, np.int8), (half // 2, mate[half] // 2)),
        shape=(count, count),
    )
    trails, trail = csgraph.connected_components(links, directed=False)
    trail = np.repeat(trail, 2)
    if trails == 1:
        return
    # Two trails through one vertex become one if they exchange partners there, in either of two ways. Of all meetings a
    # spanning tree of trails with the least added bend is taken; more would only part them again.
    one, other = _meetings(vertex, mate, trail)
    cost = np.minimum(
        _bend(heading, one, other) + _bend(heading, mate[one], mate[other]),
        _bend(heading, one, mate[other]) + _bend(heading, mate[one], other),
    )
    cost -= _bend(heading, one, mate[one]) + _bend(heading, other, mate[other])
    # The cheapest meeting of each two trails, then a spanning tree of trails. Ranks stand for the costs: the
    # library takes nought for a missing link.
    order = np.argsort(cost, kind="stable")
    one, other = one[order], other[order]
    low, high = np.minimum(trail[one], trail[other]), np.maximum(trail[one], trail[other])
    first = np.unique(low.astype(np.int64) * trails + high, return_index=True)[1]
    rank = sparse.csr_matrix((first + 1.0, (low[first], high[first])), shape=(trails, trails))
    tree = csgraph.minimum_spanning_tree(rank)
    for row in (np.sort(tree.data).astype(np.int64) - 1).tolist():
        a, c = int(one[row]), int(other[row])
        b, d = int(mate[a]), int(mate[c])
        # Partners may have changed since the cost was taken, so the better way is looked up anew.
        crossed = heading[a] @ heading[c] + heading[b] @ heading[d]
        if crossed > heading[a] @ heading[d] + heading[b] @ heading[c]:
            c, d = d, c
        mate[a], mate[c], mate[b], mate[d] = c, a, d, b


def _bend(heading: NDArray[np.float64], one: NDArray[np.int64], other: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(np.einsum("ij,ij->i", heading[one], heading[other]))


def _meetings(
    vertex: NDArray[np.int64], mate: NDArray[np.int64], trail: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Places where two trails pass through one vertex: a half-edge of each."""
    half = np.flatnonzero(np.arange(len(mate)) < mate)
    half = half[np.lexsort((trail[half], vertex[half]))]
    found: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    # Neighbours in this order suffice to connect; those a little further apart give a choice of cost.
    for apart in range(1, WIDE_DEGREE // 2):
        one, other = half[:-apart], half[apart:]
        meets = (vertex[one] == vertex[other]) & (trail[one] != trail[other])
        if not meets.any():
            # Further apart there may still be some when equal trails lie between, but the nearest suffice.
            break
        found.append((one[meets], other[meets]))
    return np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])


def _walk(mate: NDArray[np.int64]) -> NDArray[np.int64]:
    """Follow the partners from half-edge 0 until it comes round again."""
    from scipy import sparse
    from scipy.sparse import csgraph

    count = len(mate)
    # Each half-edge leads to one other, so that breadth-first order is the order of the walk.
    onward = mate[np.arange(count) ^ 1]
    steps = sparse.csr_matrix((np.ones(count, np.int8), onward, np.arange(count + 1)), shape=(count, count))
    return np.asarray(csgraph.breadth_first_order(steps, 0, return_predecessors=False), np.int64)
