"""Reduction of a graph that keeps its least T-joins: dead ends settled, chains contracted to one edge each."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.edge_arrays import stable_argsort

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Rounds go on while each takes away at least this share of the edges.
WORTH_A_ROUND = 0.05


class ReducedGraph:
    """The part of a graph that a matching must still decide, and how to say its decision for the whole graph.

    A vertex with one edge leaves no choice. Along a chain of vertices with two edges each there are two choices, one
    the other's opposite: the cheaper one is taken for granted, and the chain becomes an edge that costs the
    difference. Of parallel edges only the cheapest is needed, and loops never are. Settling a dead end makes other
    vertices' edges fewer, so it is done in rounds. No answer is lost and none is added: a least T-join of what is left
    is a least T-join of the whole.

    Parameters
    ----------
    edges : ndarray of int64, shape (m, 2)
        Parallel edges and loops are allowed.
    weights : ndarray of float64, shape (m,)
        Not negative.
    odd : ndarray of bool, shape (n,)
        An even number of them in each connected component.

    Attributes
    ----------
    edges : ndarray of int64, shape (k, 2)
        Without parallels and loops; vertices numbered without gaps, neighbours close together.
    weights : ndarray of float64, shape (k,)
    odd : ndarray of bool, shape (j,)

    Notes
    -----
    G. L. Miller and J. H. Reif, Parallel tree contraction and its application, FOCS 1985, pages 478 to 489: removing
    leaves and contracting chains in turn takes any tree away in a number of rounds like the logarithm of its size.

    Examples
    --------
    >>> path = np.array([[0, 1], [1, 2], [2, 3]])
    >>> reduced = ReducedGraph(path, np.ones(3), np.array([True, False, True, False]))
    >>> len(reduced.edges), reduced.whole(np.zeros(0, bool)).tolist()
    (0, [True, True, False])
    """

    def __init__(self, edges: NDArray[np.int64], weights: NDArray[np.float64], odd: NDArray[np.bool_]) -> None:
        self.edges = edges
        self.weights = weights
        self.odd = odd.copy()
        # What is taken for granted of each edge of the whole graph, and which edge that is left, if any, turns that
        # into its opposite.
        # Formally: the answer for edge e is granted[e] xor chosen[owner[e]], or granted[e] alone where owner[e] is -1.
        self._granted = np.zeros(len(edges), bool)
        self._owner = np.arange(len(edges))
        self._keep(cheapest_parallel(self.edges, self.weights, len(odd)))
        while len(self.edges):
            before = len(self.edges)
            self._settle_dead_ends()
            self._contract_chains()
            self._keep(cheapest_parallel(self.edges, self.weights, len(odd)))
            if before - len(self.edges) <= WORTH_A_ROUND * before:
                break
        self._number_neighbours_together()

    def whole(self, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Expand a T-join of the reduced graph to one of the whole graph, bool, shape (m,)."""
        turned = np.zeros(len(self._owner), bool)
        owned = self._owner >= 0
        turned[owned] = chosen[self._owner[owned]]
        return self._granted ^ turned

    def _replace(self, owner: NDArray[np.int64], granted: NDArray[np.bool_]) -> None:
        """Hand each edge over to a new owner (-1: none), and settle for good whether it is inverted."""
        owned = self._owner >= 0
        old = self._owner[owned]
        self._granted[owned] ^= granted[old]
        self._owner[owned] = owner[old]

    def _keep(self, rows: NDArray[np.int64]) -> None:
        """Keep these edges; the others stay as they are granted."""
        if len(rows) == len(self.edges):
            return
        owner = np.full(len(self.edges), -1)
        owner[rows] = np.arange(len(rows))
        self._replace(owner, np.zeros(len(self.edges), bool))
        self.edges, self.weights = self.edges[rows], self.weights[rows]

    def _settle_dead_ends(self) -> None:
        degree = np.bincount(self.edges.ravel(), minlength=len(self.odd))
        dead = degree[self.edges] == 1
        rows = np.flatnonzero(dead.any(axis=1))
        if not len(rows):
            return
        # The only edge of a vertex is run exactly if the vertex is odd; its other end then changes sides. An edge alone
        # between two dead ends is counted from one of them, and both ends are odd or neither is.
        column = dead[rows, 1].astype(np.int64)
        end, other = self.edges[rows, column], self.edges[rows, 1 - column]
        needed = self.odd[end]
        granted = np.zeros(len(self.edges), bool)
        granted[rows] = needed
        self.odd[end] = False
        self.odd ^= np.bincount(other[needed], minlength=len(self.odd)) % 2 == 1
        self._replace(np.arange(len(self.edges)), granted)
        self._keep(np.delete(np.arange(len(self.edges)), rows))

    def _contract_chains(self) -> None:
        found = _chains(self.edges, len(self.odd))
        if found is None:
            return
        rows, begin, joint = found
        chain = np.cumsum(begin) - 1
        first = np.flatnonzero(begin)
        last = np.append(first[1:], len(rows)) - 1
        # An edge is run if the one before it is, unless the vertex between them is odd. So the first edge of a chain decides
        # all others, and there are two ways: `runs`, in which the first one is not run, and its opposite.
        flips = np.zeros(len(rows), np.int64)
        inner = np.flatnonzero(~begin)
        flips[inner] = self.odd[joint[inner - 1]]
        flips = np.cumsum(flips)
        runs = (flips - flips[first][chain]) % 2 == 1
        weights = self.weights[rows]
        with_first = np.bincount(chain, weights * ~runs)
        without_first = np.bincount(chain, weights * runs)
        # The cheaper way is granted; choosing the edge that stands for the chain means the other one, at the difference.
        runs ^= (with_first < without_first)[chain]
        start = self.edges[rows[first]].sum(axis=1) - joint[first]
        stop = self.edges[rows[last]].sum(axis=1) - joint[last - 1]
        self.odd[joint[inner - 1]] = False
        toggled = np.concatenate([start[runs[first]], stop[runs[last]]])
        self.odd ^= np.bincount(toggled, minlength=len(self.odd)) % 2 == 1
        stay = np.ones(len(self.edges), bool)
        stay[rows] = False
        kept = np.flatnonzero(stay)
        owner = np.empty(len(self.edges), np.int64)
        owner[kept] = np.arange(len(kept))
        owner[rows] = len(kept) + chain
        granted = np.zeros(len(self.edges), bool)
        granted[rows] = runs
        self._replace(owner, granted)
        self.edges = np.concatenate([self.edges[kept], np.stack([start, stop], axis=1)])
        self.weights = np.concatenate([self.weights[kept], np.abs(with_first - without_first)])

    def _number_neighbours_together(self) -> None:
        """Put neighbours close together in memory, where the matching finds them sooner."""
        from scipy import sparse
        from scipy.sparse import csgraph

        used = np.zeros(len(self.odd), bool)
        used[self.edges.ravel()] = True
        number = np.cumsum(used) - 1
        edges, odd = number[self.edges], self.odd[used]
        if not len(edges):
            self.edges, self.odd = edges, odd
            return
        both = np.concatenate([edges, edges[:, ::-1]])
        matrix = sparse.csr_matrix((np.ones(len(both), np.int8), (both[:, 0], both[:, 1])), (len(odd),) * 2)
        # E. Cuthill and J. McKee, Reducing the bandwidth of sparse symmetric matrices, ACM 1969: breadth-first, so that the
        # regions which the matching grows lie together in the cache.
        order = csgraph.reverse_cuthill_mckee(matrix, symmetric_mode=True)
        number = np.empty(len(odd), np.int64)
        number[order] = np.arange(len(odd))
        self.odd = odd[order]
        edges = np.sort(number[edges], axis=1)
        rows = stable_argsort(edges[:, 0] * len(odd) + edges[:, 1])
        rank = np.empty(len(rows), np.int64)
        rank[rows] = np.arange(len(rows))
        self._replace(rank, np.zeros(len(rows), bool))
        self.edges, self.weights = edges[rows], self.weights[rows]


def cheapest_parallel(edges: NDArray[np.int64], weights: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    """Rows of the cheapest edge between each two vertices, in their order; loops never help."""
    key = np.minimum(*edges.T) * count + np.maximum(*edges.T)
    rows = np.flatnonzero(edges[:, 0] != edges[:, 1])
    ordered = np.sort(key[rows])
    if not (ordered[1:] == ordered[:-1]).any():
        return rows
    rows = rows[np.lexsort((weights[rows], key[rows]))]
    first = np.ones(len(rows), bool)
    first[1:] = key[rows][1:] != key[rows][:-1]
    return np.sort(rows[first])


def _chains(
    edges: NDArray[np.int64], count: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.int64]] | None:
    """Find the chains of two edges and more that run through vertices with no other edge.

    Parameters
    ----------
    edges : ndarray of int64, shape (m, 2)
        No parallels, no loops.
    count : int
        Number of vertices.

    Returns
    -------
    rows : ndarray of int64, shape (k,)
        Edges of the chains, one chain after the other, each from end to end. A ring begins anywhere.
    begin : ndarray of bool, shape (k,)
        Whether a chain begins with this edge.
    joint : ndarray of int64, shape (k,)
        The vertex between this edge and the next of its chain; means nothing for the last.
    """
    from scipy.sparse import csgraph

    # The two edges at each vertex that has two.
    half = stable_argsort(edges.ravel())
    degree = np.bincount(edges.ravel(), minlength=count)
    start = (np.cumsum(degree) - degree)[degree == 2]
    if not len(start):
        return None
    links = np.stack([half[start], half[start + 1]], axis=1) // 2
    rows, links = np.unique(links, return_inverse=True)
    links = links.reshape(-1, 2)
    size = len(rows)
    _, label = csgraph.connected_components(_both_ways(links, size), directed=False)
    # A path has one link fewer than edges; a ring has as many and is cut at one of them.
    ring = np.bincount(label) == np.bincount(label[links[:, 0]], minlength=int(label.max()) + 1)
    cut = np.unique(label[links[:, 0]], return_index=True)[1]
    links = np.delete(links, cut[ring[label[links[cut, 0]]]], axis=0)
    ends = np.flatnonzero(np.bincount(links.ravel(), minlength=size) == 1)
    ends = ends[np.unique(label[ends], return_index=True)[1]]
    # A walk in breadth from one extra node, from which every chain can be entered at one end, meets the edges of each
    # chain in their order, those of different chains in turn.
    entered = np.concatenate([links, np.stack([np.full(len(ends), size), ends], axis=1)])
    order = csgraph.breadth_first_order(_both_ways(entered, size + 1), size, directed=True, return_predecessors=False)[
        1:
    ]
    order = order[stable_argsort(label[order])]
    label, rows = label[order], rows[order]
    begin = np.ones(size, bool)
    begin[1:] = label[1:] != label[:-1]
    here, following = edges[rows], edges[np.roll(rows, -1)]
    shared = (here[:, :1] == following).any(axis=1)
    return rows, begin, np.where(shared, here[:, 0], here[:, 1])


def _both_ways(links: NDArray[np.int64], size: int) -> object:
    from scipy import sparse

    both = np.concatenate([links, links[:, ::-1]])
    return sparse.csr_matrix((np.ones(len(both), np.int8), (both[:, 0], both[:, 1])), shape=(size, size))
