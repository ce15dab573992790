"""The matching: exactly the least repetition, and an honest answer when time runs out."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from numpy.typing import NDArray

from instrument.drawings.routing import t_join as join
from instrument.drawings.routing.graph_reduction import cheapest_parallel
from instrument.drawings.routing.t_join import minimum_t_join, solve_t_join
from instrument.drawings.routing.window_improvement import half_nearest_bound, improve_in_windows, spanning_tree_t_join
from tests.drawings.drawings import graphs
from tests.drawings.exact import by_matching, by_trying_all
from tests.reference.route_inspection import KNOWN, Known

Graph = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]]


def lattice(side: int, seed: int = 0) -> Graph:
    """A square lattice with a fifth of its edges missing and uneven weights."""
    number = np.arange(side * side).reshape(side, side)
    across = np.stack([number[:, :-1].ravel(), number[:, 1:].ravel()], axis=1)
    down = np.stack([number[:-1].ravel(), number[1:].ravel()], axis=1)
    random = np.random.default_rng(seed)
    edges = np.concatenate([across, down])
    edges = edges[random.random(len(edges)) < 0.8]
    weights = random.uniform(0.5, 1.5, len(edges))
    return edges, weights, np.bincount(edges.ravel(), minlength=side * side) % 2 == 1


def is_t_join(graph: Graph, chosen: NDArray[np.bool_]) -> bool:
    edges, _, odd = graph
    return np.array_equal(np.bincount(edges[chosen].ravel(), minlength=len(odd)) % 2 == 1, odd)


@pytest.mark.parametrize("known", KNOWN, ids=lambda known: known.name)
def test_answers_known_from_outside(known: Known) -> None:
    edges = np.asarray(known.edges)
    odd = np.bincount(edges.ravel()) % 2 == 1
    found = minimum_t_join(edges, np.asarray(known.weights), odd)
    assert found.weight == known.repeated
    assert found.exact


@given(graphs())
@settings(max_examples=150, deadline=None)
def test_equals_the_exact_matching_of_networkx(graph: Graph) -> None:
    found = minimum_t_join(*graph)
    assert is_t_join(graph, found.chosen)
    assert found.weight == pytest.approx(by_matching(*graph), abs=found.slack + 1e-9)


@given(graphs(most_edges=12))
@settings(max_examples=60, deadline=None)
def test_equals_trying_every_set_of_edges(graph: Graph) -> None:
    found = minimum_t_join(*graph)
    assert found.weight == pytest.approx(by_trying_all(*graph), abs=found.slack + 1e-9)


@given(graphs())
@settings(max_examples=60, deadline=None)
def test_the_bound_of_the_fallback_is_never_above_the_least(graph: Graph) -> None:
    edges, weights, odd = graph
    kept = cheapest_parallel(edges, weights, len(odd))
    if odd.any():
        assert half_nearest_bound(edges[kept], weights[kept], odd) <= by_matching(*graph) + 1e-9


def test_windows_come_close_to_the_least_and_never_lose_the_parity() -> None:
    graph = lattice(60)
    edges, weights, odd = graph
    tree = spanning_tree_t_join(edges, weights, odd)
    better = improve_in_windows(edges, weights, tree, solve_t_join, 1000, time.monotonic() + 20)
    least = weights[solve_t_join(edges, weights, odd)].sum()
    assert is_t_join(graph, tree)
    assert is_t_join(graph, better)
    assert least <= weights[better].sum() <= 1.02 * least < weights[tree].sum()


def test_when_time_runs_out_the_best_so_far_is_given_with_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(join, "SURE_EDGES", 100)
    graph = lattice(60)
    found = minimum_t_join(*graph, time_limit=0.0)
    assert not found.exact
    assert is_t_join(graph, found.chosen)
    assert 0 < found.bound <= minimum_t_join(*graph).weight <= found.weight


def test_a_large_graph_that_is_solved_in_time_is_exact(monkeypatch: pytest.MonkeyPatch) -> None:
    graph = lattice(60)
    least = minimum_t_join(*graph).weight
    monkeypatch.setattr(join, "SURE_EDGES", 100)
    found = minimum_t_join(*graph, time_limit=60.0)
    assert found.exact
    assert found.weight == pytest.approx(least)


def test_where_nothing_is_left_to_decide_the_answer_is_exact_at_once() -> None:
    random = np.random.default_rng(0)
    tree = np.array([[random.integers(vertex), vertex] for vertex in range(1, join.SURE_EDGES + 2)])
    odd = np.bincount(tree.ravel()) % 2 == 1
    found = minimum_t_join(tree, np.ones(len(tree)), odd, time_limit=0.0)
    assert found.exact
    assert is_t_join((tree, np.ones(len(tree)), odd), found.chosen)
