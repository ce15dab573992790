"""Making a graph smaller loses no least T-join and invents none."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from instrument.drawings.routing.graph_reduction import ReducedGraph
from instrument.drawings.routing.t_join import GRID_STEPS, solve_t_join
from tests.drawings.drawings import graphs
from tests.drawings.exact import by_matching

Graph = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]]


@st.composite
def with_dead_ends_and_chains(draw: st.DrawFn) -> Graph:
    """A graph, some of whose edges are chains, with chains hung on and rings beside it."""
    edges, weights, odd = draw(graphs(most_edges=8))
    pairs, costs = edges.tolist(), weights.tolist()
    count = len(odd)
    for _ in range(draw(st.integers(0, 4))):
        start = draw(st.integers(0, count - 1))
        stop = draw(st.sampled_from(["dead end", "back", "elsewhere"]))
        length = draw(st.integers(1, 5))
        stops = [start, *range(count, count + length)]
        count += length
        if stop != "dead end":
            stops.append(start if stop == "back" else draw(st.integers(0, count - 1)))
        pairs += map(list, itertools.pairwise(stops))
        costs += [draw(st.floats(0.0, 9.0)) for _ in stops[1:]]
    ring = draw(st.sampled_from([0, 2, 3, 5]))
    pairs += [[count + i, count + (i + 1) % ring] for i in range(ring)]
    costs += [draw(st.floats(0.0, 9.0)) for _ in range(ring)]
    odd = np.zeros(count + ring, bool)
    # Any even number of odd vertices within a component will do, not only those with an odd number of edges.
    for a, b in pairs:
        if draw(st.booleans()):
            odd[[a, b]] ^= a != b
    return np.asarray(pairs, np.int64).reshape(-1, 2), np.asarray(costs), odd


def is_t_join(graph: Graph, chosen: NDArray[np.bool_]) -> bool:
    edges, _, odd = graph
    return np.array_equal(np.bincount(edges[chosen].ravel(), minlength=len(odd)) % 2 == 1, odd)


@given(with_dead_ends_and_chains())
@settings(max_examples=300, deadline=None)
def test_a_least_answer_of_what_is_left_is_a_least_answer_of_the_whole(graph: Graph) -> None:
    edges, weights, odd = graph
    reduced = ReducedGraph(*graph)
    whole = reduced.whole(solve_t_join(reduced.edges, reduced.weights, reduced.odd))
    assert np.array_equal(np.bincount(edges[whole].ravel(), minlength=len(odd)) % 2 == 1, odd)
    expected = by_matching(*graph) if odd.any() else 0.0
    slack = reduced.weights.max(initial=0.0) / GRID_STEPS * len(edges)
    assert float(weights[whole].sum()) == pytest.approx(expected, abs=slack + 1e-9)


@given(with_dead_ends_and_chains())
@settings(max_examples=200, deadline=None)
def test_what_is_left_has_no_parallels_no_loops_and_no_negative_weight(graph: Graph) -> None:
    reduced = ReducedGraph(*graph)
    pairs = [frozenset(pair) for pair in reduced.edges.tolist()]
    assert all(len(pair) == 2 for pair in pairs)
    assert len(set(pairs)) == len(pairs)
    assert np.all(reduced.weights >= 0)
    assert set(reduced.edges.ravel().tolist()) == set(range(len(reduced.odd)))


def test_a_tree_leaves_nothing_to_decide() -> None:
    random = np.random.default_rng(0)
    edges = np.array([[random.integers(vertex), vertex] for vertex in range(1, 5000)])
    odd = np.bincount(edges.ravel()) % 2 == 1
    assert len(ReducedGraph(edges, np.ones(len(edges)), odd).edges) == 0


def test_rings_that_touch_nothing_leave_nothing_to_decide() -> None:
    ring = np.stack([np.arange(1000), (np.arange(1000) + 1) % 1000], axis=1)
    edges = np.concatenate([ring, ring + 1000])
    odd = np.zeros(2000, bool)
    odd[[0, 400, 1000, 1900]] = True
    reduced = ReducedGraph(edges, np.ones(2000), odd)
    whole = reduced.whole(np.zeros(len(reduced.edges), bool))
    assert len(reduced.edges) == 0
    assert int(whole.sum()) == 400 + 100


def test_a_graph_without_ends_or_chains_is_left_as_it_is() -> None:
    edges = np.array([[a, b] for b in range(5) for a in range(b)])
    weights = np.arange(10.0)
    odd = np.array([True, True, False, False, False])
    reduced = ReducedGraph(edges, weights, odd)
    assert sorted(reduced.weights.tolist()) == weights.tolist()
    chosen = reduced.weights < 1
    assert reduced.whole(chosen).tolist() == (weights < 1).tolist()
