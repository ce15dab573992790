"""Edges that may close a drawing's line: drawn ones run again, jumps and bridges, weighed against one another."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.closed_line import RouteOptions, StepKind
from instrument.drawings.routing.edge_arrays import component_labels, degrees, stable_argsort
from instrument.drawings.routing.t_join import SURE_EDGES, TJoin, TJoinSearch, minimum_t_join
from instrument.drawings.strokes import edge_lengths

if TYPE_CHECKING:
    from numpy.typing import NDArray


# Looking at so many ways takes about a second.
MOST_WALKS = 4_000_000
# So many jumps are each held against the whole drawing: most often none of them is left.
FEW_JUMPS = 20
# Seconds, or as long as the mixture took if that is more, for which only the bound is still waited for.
BOUND_SECONDS = 1.5


class ClosingGraph:
    """A drawing's edges with every other way between its odd vertices, each with its cost.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    edges, bridges : ndarray of int64, shape (m, 2) and (b, 2)
        Welded.
    options : RouteOptions
    """

    def __init__(
        self,
        points: NDArray[np.float64],
        edges: NDArray[np.int64],
        bridges: NDArray[np.int64],
        options: RouteOptions,
    ) -> None:
        self.points = points
        self.edges = edges
        self.options = options
        self.lengths = edge_lengths(points, edges)
        self.odd = degrees(edges, len(points)) % 2 == 1
        drawn = degrees(edges, len(points)) > 0
        self.components = len(np.unique(component_labels(edges, len(points))[drawn]))
        # Retracing alone gives the promised lower bound. Where that takes long it is solved in a child of its own, on the
        # other core, beside everything else.
        self._retracing: TJoinSearch | None = None
        if len(edges) > SURE_EDGES and self.odd.any() and options.time_limit > 0:
            self._retracing = TJoinSearch(edges, self.lengths, self.odd)
        try:
            self._list_candidates(bridges)
        except BaseException:
            self._end_retracing()
            raise

    def _list_candidates(self, bridges: NDArray[np.int64]) -> None:
        points, edges, options = self.points, self.edges, self.options
        bridge_cost = 0.75 * options.jump_cost if options.bridge_cost is None else options.bridge_cost
        jumps = np.zeros((0, 2), np.int64) if math.isinf(options.jump_cost) else self._jumps(options.neighbours)
        if math.isinf(bridge_cost):
            bridges = bridges[:0]
        self.candidates = np.concatenate([edges, jumps, bridges])
        self.kinds = np.repeat(
            np.array([StepKind.REPEATED, StepKind.JUMP, StepKind.BRIDGE], np.uint8),
            [len(edges), len(jumps), len(bridges)],
        )
        self.costs = np.concatenate(
            [
                self.lengths,
                edge_lengths(points, jumps) * (options.jump_cost if len(jumps) else 0.0),
                edge_lengths(points, bridges) * (bridge_cost if len(bridges) else 0.0),
            ]
        )

    def _jumps(self, neighbours: int) -> NDArray[np.int64]:
        """Pairs of odd vertices, each with its nearest few."""
        from scipy.spatial import cKDTree

        # Only between odd vertices: a T-join falls into paths between odd vertices, and a jump straight from one to the other
        # is no longer than any detour through the air. Few neighbours suffice, since the matching may chain them.
        odd = np.flatnonzero(self.odd)
        near = min(neighbours + 1, len(odd))
        if near < 2:
            return np.zeros((0, 2), np.int64)
        _, neighbour = cKDTree(self.points[odd]).query(self.points[odd], k=near)
        pairs = np.stack([np.repeat(np.arange(len(odd)), near), neighbour.ravel()], axis=1)
        low, high = np.minimum(*pairs.T), np.maximum(*pairs.T)
        key = np.unique((low * len(odd) + high)[low != high])
        jumps = odd[np.stack(np.divmod(key, len(odd)), axis=1)]
        return np.asarray(jumps[self._not_undercut(jumps, edge_lengths(self.points, jumps) * self.options.jump_cost)])

    def _not_undercut(self, jumps: NDArray[np.int64], costs: NDArray[np.float64]) -> NDArray[np.int64]:
        """Rows of the jumps that no way over a few drawn edges undercuts; the rest need never be chosen."""
        count = len(self.points)
        low, high = np.minimum(*self.edges.T), np.maximum(*self.edges.T)
        key = low * count + high
        order = stable_argsort(key)
        key, length = key[order], self.lengths[order]

        def direct(one: NDArray[np.int64], other: NDArray[np.int64]) -> NDArray[np.float64]:
            wanted = np.minimum(one, other) * count + np.maximum(one, other)
            found = np.minimum(np.searchsorted(key, wanted), len(key) - 1)
            return np.where(key[found] == wanted, length[found], np.inf)

        # Three sieves, each dearer and finer than the one before: one edge, two edges, four edges; and for the last few
        # jumps the whole graph. What one of them takes out a least T-join never needs, so no answer is lost.
        row = np.flatnonzero(direct(jumps[:, 0], jumps[:, 1]) > costs)
        step = _ShortWalks(self.edges, self.lengths, count)
        # Ways of two edges, which undercut most.
        fan = step.degree[jumps[row, 0]]
        jump = np.repeat(row, fan)
        edge = np.repeat(step.begin[jumps[row, 0]] - (np.cumsum(fan) - fan), fan) + np.arange(len(jump))
        way = step.length[edge] + direct(step.to[edge], jumps[jump, 1])
        undercut = np.zeros(len(jumps), bool)
        undercut[jump[way <= costs[jump]]] = True
        row = row[~undercut[row]]
        # Ways of up to four edges: two from either end that meet. Where that would be too many to look at, the
        # matching looks at the jumps instead.
        if not len(row) or step.most_within_two(jumps[row]) > MOST_WALKS:
            return row
        meeting, far = step.nearest_within_two(jumps[row, 1], costs[row])
        jump, node, way = step.within_two(jumps[row, 0], costs[row])
        wanted = jump * count + node
        found = np.minimum(np.searchsorted(meeting, wanted), len(meeting) - 1)
        way = np.where(meeting[found] == wanted, way + far[found], np.inf)
        undercut[row[jump[way <= costs[row][jump]]]] = True
        row = row[~undercut[row]]
        return row if len(row) > FEW_JUMPS else row[self._shortest_paths(jumps[row], costs[row]) > costs[row]]

    def _shortest_paths(self, pairs: NDArray[np.int64], limits: NDArray[np.float64]) -> NDArray[np.float64]:
        """Length of the shortest way over drawn edges between pairs of vertices; infinite if above its limit."""
        from scipy import sparse
        from scipy.sparse import csgraph

        count = len(self.points)
        # The library takes nought for a missing edge; the smallest number is as good as nought.
        length = np.maximum(self.lengths, np.finfo(np.float64).tiny)
        graph = sparse.csr_matrix((length, (self.edges[:, 0], self.edges[:, 1])), shape=(count, count))
        graph = graph + graph.T
        return np.array(
            [
                csgraph.dijkstra(graph, indices=one, limit=limit)[other]
                for (one, other), limit in zip(pairs.tolist(), limits.tolist(), strict=True)
            ]
        )

    def close(self) -> tuple[NDArray[np.int64], NDArray[np.uint8], TJoin, TJoin]:
        """Edges with what must be run besides, their kinds, the T-join, and the T-join by retracing alone."""
        try:
            join, alone = self._joins(time.monotonic() + self.options.time_limit)
        finally:
            self._end_retracing()
        if alone.weight < join.weight:
            # Only when time ran out: retracing alone is one of the mixtures, so an exact mixture is never worse.
            chosen = np.concatenate([alone.chosen, np.zeros(len(self.candidates) - len(self.edges), bool)])
            join = replace(join, chosen=chosen, weight=alone.weight)
        extra, extra_kinds = self.candidates[join.chosen], self.kinds[join.chosen]
        drawn = np.zeros(len(self.edges), np.uint8)
        return np.concatenate([self.edges, extra]), np.concatenate([drawn, extra_kinds]), join, alone

    def _joins(self, end: float) -> tuple[TJoin, TJoin]:
        """Find the best mixture, and what retracing alone would cost, both by a moment of `time.monotonic`."""
        limit, began = self.options.time_limit, time.monotonic()
        if len(self.candidates) == len(self.edges):
            if self._retracing is None:
                join = minimum_t_join(self.edges, self.lengths, self.odd, limit)
            else:
                join = self._retracing.best(limit)
            return join, join
        join = minimum_t_join(self.candidates, self.costs, self.odd, 0.7 * limit)
        if join.exact and bool(np.all(self.kinds[join.chosen] == StepKind.REPEATED)):
            # Where the best mixture is retracing alone, that is it.
            return join, replace(join, chosen=join.chosen[: len(self.edges)])
        if self._retracing is None:
            alone = minimum_t_join(self.edges, self.lengths, self.odd, max(end - time.monotonic(), 0.0))
        else:
            now = time.monotonic()
            patience = max(BOUND_SECONDS, now - began)
            alone = self._retracing.exact(min(end, now + patience)) or self._retracing.best(0.0)
        # With fewer edges to choose from nothing can become cheaper, so a bound on the mixture is one on retracing alone.
        return join, replace(alone, bound=min(alone.weight, max(alone.bound, join.bound)))

    def _end_retracing(self) -> None:
        if self._retracing is not None:
            self._retracing.end()


class _ShortWalks:
    """Ways of one and two edges from vertices of a graph."""

    def __init__(self, edges: NDArray[np.int64], lengths: NDArray[np.float64], count: int) -> None:
        ends = np.concatenate([edges, edges[:, ::-1]])
        order = stable_argsort(ends[:, 0])
        self.count = count
        self.to = ends[order, 1]
        self.length = np.tile(lengths, 2)[order]
        self.degree = np.bincount(ends[:, 0], minlength=count)
        self.begin = np.cumsum(self.degree) - self.degree

    def most_within_two(self, vertices: NDArray[np.int64]) -> int:
        """Count the ways of up to two edges from vertices, without walking them."""
        second = np.bincount(np.repeat(np.arange(self.count), self.degree), self.degree[self.to], minlength=self.count)
        return int((1 + self.degree + second)[vertices].sum())

    def within_two(
        self, vertices: NDArray[np.int64], limits: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
        """Walk every way of up to two edges from each vertex that is not longer than its limit.

        Returns
        -------
        rows : ndarray of int64, shape (k,)
            Index into `vertices` of the vertex started from.
        nodes : ndarray of int64, shape (k,)
            Where it leads.
        far : ndarray of float64, shape (k,)
        """
        row, node, far = np.arange(len(vertices)), vertices, np.zeros(len(vertices))
        rows, nodes, fars = [row], [node], [far]
        for _ in range(2):
            fan = self.degree[node]
            # All edges of all nodes in one array: each node's begin repeated as often as it has edges, and counted on.
            edge = np.repeat(self.begin[node] - (np.cumsum(fan) - fan), fan) + np.arange(fan.sum())
            row, far = np.repeat(row, fan), np.repeat(far, fan) + self.length[edge]
            within = far <= limits[row]
            row, node, far = row[within], self.to[edge[within]], far[within]
            rows, nodes, fars = [*rows, row], [*nodes, node], [*fars, far]
        return np.concatenate(rows), np.concatenate(nodes), np.concatenate(fars)

    def nearest_within_two(
        self, vertices: NDArray[np.int64], limits: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Everything within two edges of each vertex, each once by its shortest way.

        Returns
        -------
        keys : ndarray of int64, shape (k,)
            Index into `vertices` times `count` plus the vertex reached, ascending.
        far : ndarray of float64, shape (k,)
        """
        row, node, far = self.within_two(vertices, limits)
        key = row * self.count + node
        order = stable_argsort(key)
        key = key[order]
        first = np.ones(len(key), bool)
        first[1:] = key[1:] != key[:-1]
        return key[first], np.minimum.reduceat(far[order], np.flatnonzero(first))
