"""Joining pieces: the shortest links there are, and jumps that leave every vertex even."""

from __future__ import annotations

import time
from collections import Counter
from typing import TYPE_CHECKING, Literal

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.routing.component_jumps import jumps_between, nearest_links
from instrument.drawings.routing.jump_order import shorten_jumps
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import from_strokes
from tests.drawings.drawings import check_route, coordinates

if TYPE_CHECKING:
    from numpy.typing import NDArray


@st.composite
def labelled(draw: st.DrawFn) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Different points, each of one of a few pieces numbered without gaps."""
    places = draw(st.lists(st.tuples(*[coordinates()] * 3), min_size=1, max_size=40, unique=True))
    marks = draw(st.lists(st.integers(0, 6), min_size=len(places), max_size=len(places)))
    _, label = np.unique(marks, return_inverse=True)
    return np.asarray(places), label


def total(points: NDArray[np.float64], pairs: NDArray[np.int64]) -> float:
    return float(np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1).sum())


@given(labelled())
@settings(max_examples=150, deadline=None)
def test_links_are_a_minimum_spanning_tree_between_pieces(
    pieces: tuple[NDArray[np.float64], NDArray[np.int64]],
) -> None:
    points, label = pieces
    graph = nx.Graph()
    graph.add_nodes_from(range(int(label.max()) + 1))
    for a in range(len(points)):
        for b in range(a):
            one, other, apart = int(label[a]), int(label[b]), float(np.linalg.norm(points[a] - points[b]))
            if one != other and (not graph.has_edge(one, other) or graph[one][other]["weight"] > apart):
                graph.add_edge(one, other, weight=apart)
    expected = sum(w for _, _, w in nx.minimum_spanning_tree(graph).edges(data="weight"))
    links = nearest_links(points, label)
    assert len(links) == label.max()
    assert total(points, links) == pytest.approx(expected)


def test_links_of_dense_pieces_far_apart_are_found_quickly() -> None:
    random = np.random.default_rng(0)
    ball = random.normal(size=(6000, 3))
    points = np.concatenate([ball, ball[:5000] * 0.5 + (40, 0, 0), ball[:9]])
    label = np.repeat([0, 1, 2], [6000, 5000, 9])
    points[label == 2] += 80.0
    began = time.process_time()
    links = nearest_links(points, label)
    assert time.process_time() - began < 2.0
    apart = np.linalg.norm(points[label == 0][:, None, 0:1] - 0, axis=2).max()
    assert len(links) == 2
    assert total(points, links[:1]) < 40 + apart


@given(labelled(), st.sampled_from(["near", "drawn"]))
@settings(max_examples=100, deadline=None)
def test_jumps_join_all_pieces_and_leave_every_vertex_even(
    pieces: tuple[NDArray[np.float64], NDArray[np.int64]], order: Literal["near", "drawn"]
) -> None:
    points, label = pieces
    jumps = jumps_between(points, label, order)
    graph = nx.Graph()
    graph.add_nodes_from(range(int(label.max()) + 1))
    graph.add_edges_from(label[jumps].tolist())
    assert nx.is_connected(graph)
    assert all(count % 2 == 0 for count in Counter(jumps.ravel().tolist()).values())
    if order == "near":
        assert total(points, jumps) <= 2 * total(points, nearest_links(points, label)) + 1e-9


@given(st.lists(st.tuples(*[coordinates()] * 3), min_size=2, max_size=24), st.integers(0, 99))
@settings(max_examples=100, deadline=None)
def test_reordering_never_makes_jumps_longer(places: list[tuple[float, ...]], seed: int) -> None:
    start = np.asarray(places)
    stop = np.random.default_rng(seed).permutation(start)
    order = shorten_jumps(start, stop, time.monotonic() + 5)
    assert sorted(piece for piece, _ in order) == list(range(len(places)))
    head = np.array([stop[p] if back else start[p] for p, back in order])
    tail = np.array([start[p] if back else stop[p] for p, back in order])
    before = np.linalg.norm(np.roll(start, -1, axis=0) - stop, axis=1).sum()
    after = np.linalg.norm(np.roll(head, -1, axis=0) - tail, axis=1).sum()
    assert after <= before + 1e-9


def test_pieces_on_a_ring_are_visited_round_it() -> None:
    angles = np.random.default_rng(2).permutation(np.linspace(0, 2 * np.pi, 24, endpoint=False))
    strokes = []
    for angle in angles:
        x, y = 10 * np.cos(angle), 10 * np.sin(angle)
        strokes.append([(x - 0.1, y - 0.1), (x + 0.1, y - 0.1), (x, y + 0.1), (x - 0.1, y - 0.1)])
    found = route(from_strokes(strokes))
    check_route(found)
    # The ring's 24 chords, a little less where the triangles come towards each other.
    assert 0.85 * 240 * 2 * np.sin(np.pi / 24) < found.figures.jump_length < 240 * 2 * np.sin(np.pi / 24)
