"""Slow, certain answers to hold the quick ones against: matching by networkx, and trying everything."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def by_matching(
    edges: NDArray[np.int64],
    weights: NDArray[np.float64],
    odd: NDArray[np.bool_],
    jumps: dict[tuple[int, int], float] | None = None,
) -> float:
    """Pair the odd vertices by shortest paths with networkx's exact matching (Edmonds and Johnson 1973)."""
    graph = nx.Graph()
    graph.add_nodes_from(range(len(odd)))
    for (a, b), weight in [*zip(edges.tolist(), weights.tolist(), strict=True), *(jumps or {}).items()]:
        if not graph.has_edge(a, b) or graph[a][b]["weight"] > weight:
            graph.add_edge(a, b, weight=weight)
    terminals = np.flatnonzero(odd).tolist()
    pairs = nx.Graph()
    for a in terminals:
        for b, way in nx.single_source_dijkstra_path_length(graph, a).items():
            if odd[b] and a < b:
                pairs.add_edge(a, b, weight=way)
    matching = nx.min_weight_matching(pairs)
    assert len(matching) * 2 == len(terminals)
    return float(sum(pairs[a][b]["weight"] for a, b in matching))


def by_trying_all(edges: NDArray[np.int64], weights: NDArray[np.float64], odd: NDArray[np.bool_]) -> float:
    """Look at every set of edges."""
    best = np.inf
    for chosen in itertools.product([False, True], repeat=len(edges)):
        rows = np.flatnonzero(chosen)
        ends = np.bincount(edges[rows].ravel(), minlength=len(odd))
        if np.array_equal(ends % 2 == 1, odd):
            best = min(best, float(weights[rows].sum()))
    return best
