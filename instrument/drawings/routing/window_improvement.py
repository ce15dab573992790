"""Approximate T-joins for graphs too large to solve in time: a tree's T-join, improved exactly window by window."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Solver = Callable[[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]], NDArray[np.bool_]]

# Edges in the first windows.
FIRST_WINDOW = 1_000


def spanning_tree_t_join(
    edges: NDArray[np.int64], weights: NDArray[np.float64], parity: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return the only T-join within a minimum spanning forest.

    Parameters
    ----------
    edges : ndarray of int64, shape (m, 2)
        Without parallels and loops.
    weights : ndarray of float64, shape (m,)
    parity : ndarray of bool, shape (n,)

    Returns
    -------
    ndarray of bool, shape (m,)

    Examples
    --------
    >>> path = np.array([[0, 1], [1, 2], [2, 3]])
    >>> spanning_tree_t_join(path, np.ones(3), np.array([True, False, True, False])).tolist()
    [True, True, False]
    """
    from scipy import sparse
    from scipy.sparse import csgraph

    count = len(parity)
    number: dict[tuple[int, int], int] = {}
    # A rank in place of the weight: the library takes a weight of nought for a missing edge.
    rank = np.empty(len(edges))
    rank[np.argsort(weights, kind="stable")] = np.arange(1, len(edges) + 1)
    matrix = sparse.csr_matrix((rank, (edges[:, 0], edges[:, 1])), shape=(count, count))
    tree = csgraph.minimum_spanning_tree(matrix).tocoo()
    by_rank = np.argsort(rank)
    rows = by_rank[tree.data.astype(np.int64) - 1]
    for row in rows.tolist():
        a, b = edges[row].tolist()
        number[a, b] = number[b, a] = row
    forest = sparse.csr_matrix((np.ones(len(rows)), (edges[rows, 0], edges[rows, 1])), shape=(count, count))
    chosen = np.zeros(len(edges), bool)
    odd = parity.copy()
    _, label = csgraph.connected_components(forest, directed=False)
    # In a forest the choice is forced: an edge is taken exactly if the part of the tree below it holds an odd number of odd
    # vertices.
    for root in np.unique(label, return_index=True)[1].tolist():
        order, parent = csgraph.breadth_first_order(forest, root, directed=False)
        # Leaves first: a vertex that is still odd hands its oddness to its parent over the edge between them.
        for vertex in order[:0:-1].tolist():
            if odd[vertex]:
                above = int(parent[vertex])
                chosen[number[vertex, above]] = True
                odd[above] = not odd[above]
    return chosen


def improve_in_windows(
    edges: NDArray[np.int64],
    weights: NDArray[np.float64],
    chosen: NDArray[np.bool_],
    solver: Solver,
    window: int,
    deadline: float,
    publish: Callable[[NDArray[np.bool_]], None] | None = None,
) -> NDArray[np.bool_]:
    """Replace the part of a T-join within a window of the graph by the best possible one; go on to the next.

    Within any set of edges a T-join's part may be exchanged for the least one with the same odd vertices, so
    the whole never gets worse and is a T-join at any moment: it can stop when time is up.

    Parameters
    ----------
    edges, weights, chosen
        The graph and a T-join of it.
    solver : callable
        `solver(edges, weights, parity)` gives the exact T-join of a small graph.
    window : int
        Edges in the largest windows; the first ones are smaller, since they are quicker.
    deadline : float
        Of `time.monotonic`.
    publish : callable, optional
        Called with each better T-join as it is found.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    from scipy import sparse
    from scipy.sparse import csgraph

    best = chosen.copy()
    count = int(edges.max()) + 1
    graph = sparse.csr_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(count, count))
    random = np.random.default_rng(0)
    quiet = 0
    edges_each = min(FIRST_WINDOW, window)
    while time.monotonic() < deadline and (quiet < 2 or edges_each < window):
        before = float(weights[best].sum())
        # Voronoi cells of random vertices, counted in edges: compact, so that few paths of the answer cross their borders; the next pass has other cells, so a boundary of this one lies
        # within a cell of that one.
        seeds = random.integers(count, size=max(1, len(edges) // edges_each))
        _, _, cell = csgraph.dijkstra(
            graph, directed=False, indices=np.unique(seeds), min_only=True, return_predecessors=True
        )
        # An edge between two cells belongs to one of them; every edge lies in exactly one window of a pass.
        owner = np.maximum(cell[edges[:, 0]], cell[edges[:, 1]])
        order = np.argsort(owner, kind="stable")
        for rows in np.split(order, np.flatnonzero(np.diff(owner[order])) + 1):
            if time.monotonic() >= deadline:
                break
            if _solve_window(edges, weights, best, rows, solver) and publish is not None:
                publish(best)
        gained = 1.0 - float(weights[best].sum()) / before if before > 0 else 0.0
        quiet = quiet + 1 if gained < 1e-5 else 0
        if gained < 1e-3:
            edges_each = min(2 * edges_each, window)
    return best


def _solve_window(
    edges: NDArray[np.int64],
    weights: NDArray[np.float64],
    best: NDArray[np.bool_],
    rows: NDArray[np.int64],
    solver: Solver,
) -> bool:
    """Solve one window and tell whether it got better."""
    vertices, compact = np.unique(edges[rows], return_inverse=True)
    compact = compact.reshape(-1, 2)
    # The odd vertices of the present answer's part are what its replacement must have too: then the rest fits on.
    inside = best[rows]
    parity = np.bincount(compact[inside].ravel(), minlength=len(vertices)) % 2 == 1
    if not parity.any():
        return False
    found = solver(compact, weights[rows], parity)
    better = bool(weights[rows][found].sum() < weights[rows][inside].sum())
    if better:
        best[rows] = found
    return better


def half_nearest_bound(edges: NDArray[np.int64], weights: NDArray[np.float64], parity: NDArray[np.bool_]) -> float:
    """Proven lower bound on any T-join: half of each odd vertex's distance to the nearest other one.

    A T-join pairs the odd vertices by paths that share no edge; each path is at least as long as either of its
    ends' distance to the nearest other odd vertex, so at least as long as half their sum.

    Returns
    -------
    float
        In the unit of `weights`.

    Examples
    --------
    >>> path = np.array([[0, 1], [1, 2], [2, 3]])
    >>> half_nearest_bound(path, np.array([1.0, 5.0, 2.0]), np.array([True, True, True, True]))
    3.0
    """
    from scipy import sparse
    from scipy.sparse import csgraph

    terminals = np.flatnonzero(parity)
    # The library takes nought for a missing edge; the smallest number is as good as nought.
    matrix = sparse.csr_matrix(
        (np.maximum(weights, np.finfo(np.float64).tiny), (edges[:, 0], edges[:, 1])),
        shape=(len(parity), len(parity)),
    )
    distance, _, source = csgraph.dijkstra(
        matrix, directed=False, indices=terminals, min_only=True, return_predecessors=True
    )
    # The nearest other terminal is met across an edge whose ends are nearest to two different terminals (the borders of
    # the Voronoi cells): one run of Dijkstra's method finds all of them.
    a, b = edges[:, 0], edges[:, 1]
    meets = (source[a] != source[b]) & (source[a] >= 0) & (source[b] >= 0)
    length = distance[a] + weights + distance[b]
    nearest = np.full(len(parity), np.inf)
    np.minimum.at(nearest, source[a][meets], length[meets])
    np.minimum.at(nearest, source[b][meets], length[meets])
    return 0.5 * float(nearest[terminals].sum())
