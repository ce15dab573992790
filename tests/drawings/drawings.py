"""Drawings for tests: solids, random graphs and strokes, and what must hold of every route."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import strategies as st

from instrument.drawings.routing.closed_line import Route, StepKind
from instrument.drawings.strokes import Drawing, from_strokes

if TYPE_CHECKING:
    from numpy.typing import NDArray

GOLDEN = (1 + 5**0.5) / 2


def solid(name: str) -> Drawing:
    """Give the edges of a Platonic solid: vertices from their usual coordinates, edges the shortest distances."""
    signs = [-1.0, 1.0]
    corners: list[tuple[float, ...]]
    if name == "tetrahedron":
        corners = [(1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)]
    elif name == "cube":
        corners = list(itertools.product(signs, repeat=3))
    elif name == "octahedron":
        corners = [tuple(s * (i == axis) for i in range(3)) for axis in range(3) for s in signs]
    elif name == "icosahedron":
        flat = [(0.0, a, b * GOLDEN) for a in signs for b in signs]
        corners = [tuple(np.roll(corner, turn)) for corner in flat for turn in range(3)]
    else:
        flat = [(0.0, a / GOLDEN, b * GOLDEN) for a in signs for b in signs]
        corners = [tuple(np.roll(corner, turn)) for corner in flat for turn in range(3)]
        corners += list(itertools.product(signs, repeat=3))
    points = np.asarray(corners, np.float64)
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    apart[apart < 1e-9] = np.inf
    near = np.argwhere(apart < apart.min() * 1.001)
    return Drawing(points, near[near[:, 0] < near[:, 1]])


@st.composite
def graphs(draw: st.DrawFn, most_edges: int = 60) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]]:
    """Edges, weights and odd vertices of a random multigraph; every component has an even number of odd ones."""
    count = draw(st.integers(2, 25))
    ends = st.tuples(st.integers(0, count - 1), st.integers(0, count - 1))
    edges = np.asarray(draw(st.lists(ends, min_size=1, max_size=most_edges)), np.int64)
    weight = st.floats(0.0, 100.0, allow_subnormal=False) | st.integers(0, 5).map(float)
    weights = np.asarray(draw(st.lists(weight, min_size=len(edges), max_size=len(edges))), np.float64)
    return edges, weights, np.bincount(edges.ravel(), minlength=count) % 2 == 1


def coordinates(low: float = -10.0, high: float = 10.0) -> st.SearchStrategy[float]:
    """Either on a coarse grid, so that things coincide and line up, or anywhere."""
    return st.integers(int(low), int(high)).map(float) | st.floats(low, high, allow_subnormal=False)


@st.composite
def stroke_lists(draw: st.DrawFn, most: int = 6, depth: int = 2) -> list[list[tuple[float, ...]]]:
    """Strokes of a few points each."""
    point = st.tuples(*[coordinates()] * depth)
    return draw(st.lists(st.lists(point, min_size=2, max_size=8), min_size=1, max_size=most))


@st.composite
def drawings(draw: st.DrawFn) -> Drawing:
    """A drawing with something in it: its first stroke has length."""
    strokes = draw(stroke_lists(depth=draw(st.sampled_from([2, 3]))))
    first = tuple(strokes[0][0])
    return from_strokes([[first, (first[0] + 1.0, *first[1:])], *strokes])


def check_route(found: Route) -> None:
    """Hold a route to what every route must be: closed, joined, and over every edge."""
    walk, kinds = found.walk, found.kinds
    edges = {frozenset(edge) for edge in found.drawing.edges.tolist()}
    bridges = {frozenset(edge) for edge in found.drawing.bridges.tolist()}
    steps = [frozenset(step) for step in zip(walk.tolist(), np.roll(walk, -1).tolist(), strict=True)]
    drawn = [step for step, kind in zip(steps, kinds, strict=True) if kind == StepKind.DRAWN]
    assert sorted(map(sorted, drawn)) == sorted(map(sorted, edges)), "every edge is drawn once"
    for step, kind in zip(steps, kinds, strict=True):
        assert len(step) == 2, "no step stays in its place"
        assert kind != StepKind.REPEATED or step in edges
        assert kind != StepKind.BRIDGE or step in bridges
