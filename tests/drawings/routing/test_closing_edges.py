"""Jumps are offered to the matching wherever they could be chosen, and nowhere else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.routing import closing_edges
from instrument.drawings.routing import t_join as join
from instrument.drawings.routing.closed_line import RouteOptions, StepKind
from instrument.drawings.routing.closing_edges import ClosingGraph
from instrument.drawings.routing.t_join import TJoinSearch
from instrument.drawings.routing.weld import weld
from instrument.drawings.strokes import Drawing, edge_lengths
from tests.drawings.drawings import drawings

if TYPE_CHECKING:
    import pytest


def graph_of(drawing: Drawing, jump_cost: float) -> tuple[ClosingGraph, Drawing]:
    welded = weld(drawing)
    options = RouteOptions(jump_cost=jump_cost, neighbours=60)
    return ClosingGraph(welded.points, welded.edges, welded.bridges, options), welded


@given(drawings(), st.sampled_from([0.5, 1.0, 1.5, 4.0]))
@settings(max_examples=100, deadline=None)
def test_a_jump_is_left_out_only_where_drawn_lines_are_no_longer(drawing: Drawing, jump_cost: float) -> None:
    graph, welded = graph_of(drawing, jump_cost)
    network = nx.Graph()
    lengths = edge_lengths(welded.points, welded.edges)
    network.add_weighted_edges_from([(a, b, w) for (a, b), w in zip(welded.edges.tolist(), lengths, strict=True)])
    offered = {frozenset(pair) for pair in graph.candidates[graph.kinds == StepKind.JUMP].tolist()}
    odd = np.flatnonzero(graph.odd).tolist()
    for a in odd:
        way = nx.single_source_dijkstra_path_length(network, a)
        hops = nx.single_source_shortest_path_length(network, a, cutoff=4)
        for b in odd:
            cost = jump_cost * float(np.linalg.norm(welded.points[a] - welded.points[b]))
            if a < b and frozenset((a, b)) not in offered:
                assert way[b] <= cost * (1 + 1e-12)
            if a < b and frozenset((a, b)) in offered and b in hops:
                few = min(
                    sum(network.edges[edge]["weight"] for edge in path)
                    for path in nx.all_simple_edge_paths(network, a, b, cutoff=4)
                )
                assert few > cost * (1 - 1e-12)


def test_where_there_are_too_many_ways_to_look_at_all_jumps_are_offered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drawing = Drawing(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0.1, 0], [3, 0, 0]]), np.array([[0, 1], [1, 2], [2, 3]]))
    assert not (graph_of(drawing, 4.0)[0].kinds == StepKind.JUMP).any()
    monkeypatch.setattr(closing_edges, "MOST_WALKS", 0)
    assert (graph_of(drawing, 4.0)[0].kinds == StepKind.JUMP).any()


def test_the_bound_for_retracing_alone_is_never_below_what_the_mixture_costs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    random = np.random.default_rng(1)
    drawing = weld(Drawing(random.random((300, 3)), random.integers(0, 300, (450, 2))))
    options = RouteOptions(jump_cost=1.5)
    exact = ClosingGraph(drawing.points, drawing.edges, drawing.bridges, options).close()[2:]
    assert exact[0].weight < exact[1].weight
    # All the time goes into the mixture; retracing alone is left with what can be proven at once.
    monkeypatch.setattr(join, "SURE_EDGES", len(drawing.edges) - 1)
    monkeypatch.setattr(closing_edges, "SURE_EDGES", len(drawing.edges) - 1)
    monkeypatch.setattr(TJoinSearch, "exact", lambda _self, _deadline: None)
    monkeypatch.setattr(closing_edges, "minimum_t_join", lambda *_: exact[0])
    found, alone = ClosingGraph(drawing.points, drawing.edges, drawing.bridges, options).close()[2:]
    assert found.weight <= alone.bound <= exact[1].weight * (1 + 1e-9)
    assert not alone.exact
