"""The route: one closed line over every edge, with the least repetition, flowing through its crossings."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import instrument.drawings.routing.route as route_module
from instrument.drawings.limits import DrawingError, Tolerances
from instrument.drawings.readers.by_ending import read_drawing
from instrument.drawings.routing.closed_line import RouteOptions, StepKind
from instrument.drawings.routing.component_jumps import jumps_between
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import Drawing, edge_lengths, from_strokes
from instrument.patch.factory import factory_folder
from tests.drawings.drawings import check_route, drawings, solid
from tests.drawings.exact import by_matching
from tests.reference.route_inspection import SOLIDS

if TYPE_CHECKING:
    from numpy.typing import NDArray

RETRACE = RouteOptions(jump_cost=math.inf)


@pytest.mark.parametrize(("name", "repeats"), SOLIDS.items())
@pytest.mark.parametrize("options", [RETRACE, RouteOptions()], ids=["retracing", "default"])
def test_a_platonic_solid_repeats_as_many_edges_as_it_must(name: str, repeats: int, options: RouteOptions) -> None:
    found = route(solid(name), options)
    check_route(found)
    assert int((found.kinds == StepKind.REPEATED).sum()) == repeats
    edge = found.figures.length / found.figures.edges
    assert found.figures.repeated_length == pytest.approx(repeats * edge)
    assert found.figures.lower_bound == pytest.approx(repeats * edge)
    assert found.figures.jump_length == 0.0


@given(drawings(), st.sampled_from([0.0, 0.5, 1.0, 4.0, math.inf]), st.booleans())
@settings(max_examples=150, deadline=None)
def test_every_route_is_closed_and_covers_every_edge(drawing: Drawing, jump_cost: float, straight: bool) -> None:
    check_route(route(drawing, RouteOptions(jump_cost=jump_cost, straight=straight)))


@given(drawings())
@settings(max_examples=80, deadline=None)
def test_retracing_repeats_the_least(drawing: Drawing) -> None:
    found = route(drawing, RETRACE)
    welded = found.drawing
    odd = np.bincount(welded.edges.ravel(), minlength=len(welded.points)) % 2 == 1
    least = by_matching(welded.edges, edge_lengths(welded.points, welded.edges), odd) if odd.any() else 0.0
    assert found.figures.repeated_length == pytest.approx(least, rel=1e-6, abs=found.figures.slack + 1e-9)
    assert found.figures.lower_bound == pytest.approx(least, rel=1e-6, abs=found.figures.slack + 1e-9)


@given(drawings(), st.sampled_from([0.3, 1.5, 4.0]))
@settings(max_examples=80, deadline=None)
def test_retracing_and_jumping_are_weighed_in_one_optimisation(drawing: Drawing, jump_cost: float) -> None:
    options = RouteOptions(jump_cost=jump_cost, neighbours=60, order="drawn")
    found = route(drawing, options)
    welded = found.drawing
    odd = np.bincount(welded.edges.ravel(), minlength=len(welded.points)) % 2 == 1
    places = np.flatnonzero(odd).tolist()
    jumps = {
        (a, b): jump_cost * float(np.linalg.norm(welded.points[a] - welded.points[b]))
        for a in places
        for b in places
        if a < b
    }
    least = by_matching(welded.edges, edge_lengths(welded.points, welded.edges), odd, jumps) if places else 0.0
    joining = _jumps_that_join(drawing, options)
    spent = found.figures.repeated_length + jump_cost * (found.figures.jump_length - joining)
    assert spent == pytest.approx(least, rel=1e-6, abs=1e-6)


def _jumps_that_join(drawing: Drawing, options: RouteOptions) -> float:
    """Length of the jumps that were added only to join pieces: what is left of the odd vertices' jumps."""
    lengths: list[float] = []
    original = jumps_between

    def record(points: NDArray[np.float64], label: NDArray[np.int64], order: str, seconds: float) -> NDArray[np.int64]:
        jumps = original(points, label, order, seconds)
        lengths.append(float(edge_lengths(points, jumps).sum()))
        return jumps

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(route_module, "jumps_between", record)
        size = _size(route(drawing, options).drawing)
    return lengths[0] * size


def _size(drawing: Drawing) -> float:
    drawn = drawing.points[drawing.edges.ravel()]
    return float(np.linalg.norm(drawn.max(axis=0) - drawn.min(axis=0)))


def test_a_crossing_is_run_straight_through() -> None:
    rings = [[(0, 0), (2, 2), (4, 0), (2, -2), (0, 0)], [(4, 0), (6, 2), (8, 0), (6, -2), (4, 0)]]
    found = route(from_strokes(rings))
    line = found.line
    step = np.roll(line, -1, axis=0) - line
    at = np.flatnonzero((line == [4, 0, 0]).all(axis=1))
    assert len(at) == 2
    for place in at:
        assert np.cross(step[place - 1], step[place])[2] == pytest.approx(0.0)
        assert step[place - 1] @ step[place] > 0


def test_a_line_never_turns_back_on_itself_where_it_need_not() -> None:
    found = route(solid("dodecahedron"))
    assert not np.any(np.roll(found.walk, -1) == np.roll(found.walk, 1))


def test_the_line_begins_where_and_how_the_drawing_began() -> None:
    strokes = [[(3, 1), (0, 1), (0, 0), (3, 0)], [(9, 9), (8, 8), (8, 9)]]
    found = route(from_strokes(strokes))
    assert found.line[0].tolist() == [3, 1, 0]
    assert found.line[1].tolist() == [0, 1, 0]


def test_a_start_can_be_chosen_and_the_direction_turned() -> None:
    square = from_strokes([[(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]])
    onward = route(square, RouteOptions(start=(1.1, 0.9)))
    back = route(square, RouteOptions(start=(1.1, 0.9), reverse=True))
    assert onward.line.tolist() == [[1, 1, 0], [0, 1, 0], [0, 0, 0], [1, 0, 0]]
    assert back.line.tolist() == [[1, 1, 0], [1, 0, 0], [0, 0, 0], [0, 1, 0]]


def test_pieces_can_be_visited_in_the_order_they_were_drawn() -> None:
    places = [0, 40, 10, 30, 20]
    strokes = [[(x, 0), (x + 1, 0), (x, 1), (x, 0)] for x in places]
    found = route(from_strokes(strokes), RouteOptions(order="drawn"))
    check_route(found)
    seen = (found.line[:, 0] // 10 * 10).astype(int).tolist()
    visited = [place for place, _ in itertools.groupby(seen)]
    assert visited in (places, [*places, places[0]])


def test_pieces_in_a_row_are_joined_there_and_back() -> None:
    strokes = [[(x, 0), (x + 1, 0), (x, 1), (x, 0)] for x in (0, 40, 10, 30, 20)]
    found = route(from_strokes(strokes))
    # From the right end of each piece to the left end of the next, nine units, four times; and home.
    assert found.figures.jump_length == pytest.approx(2 * 4 * 9, rel=0.15)
    assert found.figures.components == 5


def test_a_short_jump_replaces_a_long_way_back() -> None:
    almost_closed = [[(0, 0), (10, 0), (10, 10), (0, 10), (0, 1)]]
    found = route(from_strokes(almost_closed))
    assert found.figures.repeated_length == 0.0
    assert found.figures.jump_length == pytest.approx(1.0)
    assert found.figures.lower_bound == pytest.approx(39.0)
    assert route(from_strokes(almost_closed), RETRACE).figures.repeated_length == pytest.approx(39.0)


def test_a_bridge_along_an_undrawn_edge_is_taken_where_it_is_cheapest() -> None:
    open_square = from_strokes([[(0, 0), (4, 0), (4, 4), (0, 4)]])
    with_bridge = replace(open_square, bridges=np.array([[3, 0]]))
    found = route(with_bridge, RouteOptions(jump_cost=math.inf, bridge_cost=1.0))
    check_route(found)
    assert found.figures.bridge_length == pytest.approx(4.0)
    assert found.figures.repeated_length == 0.0


def test_turning_a_drawing_turns_its_route() -> None:
    random = np.random.default_rng(3)
    points = random.normal(size=(40, 3))
    edges = np.unique(np.sort(random.integers(0, 40, (80, 2)), axis=1), axis=0)
    turn, _ = np.linalg.qr(random.normal(size=(3, 3)))
    plain, turned = route(Drawing(points, edges)), route(Drawing(points @ turn.T, edges))
    assert np.array_equal(plain.walk, turned.walk)
    np.testing.assert_allclose(plain.line @ turn.T, turned.line, atol=1e-12)


@pytest.mark.parametrize("name", ["fish", "crane", "boat", "lighthouse"])
def test_the_last_bits_of_a_processor_decide_nothing(name: str) -> None:
    drawing = read_drawing(factory_folder() / "drawings" / f"{name}.obj")
    random = np.random.default_rng(5)
    noise = 1 + 2e-16 * random.integers(-1, 2, drawing.points.shape)
    shaken = Drawing(drawing.points * noise, drawing.edges)
    assert np.array_equal(route(drawing).walk, route(shaken).walk)


@pytest.mark.parametrize("scale", [1e-90, 1e90])
def test_very_small_and_very_large_drawings_are_measured_in_their_own_units(scale: float) -> None:
    cube = solid("cube")
    found = route(Drawing(cube.points * scale, cube.edges))
    assert found.figures.repeated_length == pytest.approx(8 * scale)


def test_simplifying_keeps_within_its_tolerance() -> None:
    angle = np.linspace(0, 2 * np.pi, 1001)
    circle = from_strokes([np.stack([np.cos(angle), np.sin(angle)], axis=1)])
    plain = route(circle)
    simple = route(circle, tolerances=Tolerances(simplify=0.005))
    check_route(simple)
    # The sagitta of a chord over the angle a is 1 - cos(a / 2); the bounding diagonal is 2 times root 2.
    needed = math.pi / math.acos(1 - 0.005 * 2 * math.sqrt(2))
    assert needed - 1 <= simple.figures.edges <= 2.5 * needed
    assert plain.figures.edges == 1000
    assert simple.figures.length == pytest.approx(2 * np.pi, rel=0.02)


def test_a_circle_has_as_many_corners_however_finely_it_is_drawn() -> None:
    counts = []
    for pieces in (100, 1000, 5000):
        angle = np.linspace(0, 2 * np.pi, pieces + 1)
        counts.append(route(from_strokes([np.stack([np.cos(angle), np.sin(angle)], axis=1)])).figures.corners)
    assert all(30 <= count <= 36 for count in counts)


@pytest.mark.parametrize(
    ("strokes", "words"),
    [
        ([], "there is nothing to draw"),
        ([[(1, 1)]], "there is nothing to draw"),
        ([[(1, 1), (1, 1)]], "every point lies in the same place"),
        ([[(0, 0), (1, math.nan)]], r"point 2 is \(1, nan, 0\); every coordinate must be a finite number"),
        ([[(0, 0), (1e200, 0)]], r"point 2 is \(1e\+200, 0, 0\)"),
    ],
)
def test_what_cannot_be_drawn_is_refused_in_words(strokes: list[list[tuple[float, float]]], words: str) -> None:
    with pytest.raises(DrawingError, match=words):
        route(from_strokes(strokes))


def test_edges_of_no_length_are_left_out_and_said() -> None:
    found = route(from_strokes([[(0, 0), (0, 0), (1, 0), (1, 1)]]))
    assert found.warnings == ("1 edge of zero length left out",)


@pytest.mark.parametrize("time_limit", [0.0, 30.0, math.inf])
def test_a_large_drawing_is_routed_within_any_time_and_says_what_is_proven(time_limit: float) -> None:
    random = np.random.default_rng(4)
    number = np.arange(60 * 60).reshape(60, 60)
    pairs = [(number[:, :-1], number[:, 1:]), (number[:-1], number[1:])]
    edges = np.concatenate([np.stack([a.ravel(), b.ravel()], axis=1) for a, b in pairs])
    edges = edges[random.random(len(edges)) < 0.8]
    points = np.column_stack([number.ravel() % 60, number.ravel() // 60, random.random(3600)]) * 1.0
    drawing = Drawing(points, edges)
    found = route(drawing, RouteOptions(jump_cost=1.5, time_limit=time_limit))
    check_route(found)
    assert found.figures.edges > 5000
    least = route(drawing, RouteOptions(jump_cost=math.inf, time_limit=math.inf)).figures.repeated_length
    assert found.figures.lower_bound <= least * (1 + 1e-9)
    assert found.figures.exact == (time_limit > 0)
    assert any("was not found within" in word for word in found.warnings) == (time_limit == 0)
    if time_limit > 0:
        assert found.figures.lower_bound == pytest.approx(least)
