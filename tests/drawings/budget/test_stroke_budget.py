"""Strokes are left out by what they show, until a cycle's points show the rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.budget.points_needed import points_expected
from instrument.drawings.budget.stroke_budget import shown_lengths, triangle_areas, within_budget
from instrument.drawings.strokes import Drawing, edge_lengths, from_strokes
from tests.drawings.drawings import stroke_lists

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def ring(count: int, radius: float = 1.0, x: float = 0.0, y: float = 0.0) -> list[tuple[float, float]]:
    turns = [2 * math.pi * k / count for k in range(count)]
    points = [(x + radius * math.cos(turn), y + radius * math.sin(turn)) for turn in turns]
    return [*points, points[0]]


def flat(line: list[tuple[float, float]]) -> Floats:
    return np.column_stack([np.array(line, np.float64), np.zeros(len(line))])


def length(drawing: Drawing) -> float:
    return float(edge_lengths(drawing.points, drawing.edges).sum())


def test_areas_are_those_of_visvalingam_and_whyatt() -> None:
    # Worked by hand; the ends stay.
    line = flat([(0, 0), (1, 1), (2, 0), (4, 0.5), (6, 0)])
    # At first: (0,0)(1,1)(2,0) has 1, (1,1)(2,0)(4,.5) has 1.25, (2,0)(4,.5)(6,0) has 1.
    # The first 1 leaves; then (0,0)(2,0)(4,.5) has 0.5, which counts as 1, for it leaves after a 1; (0,0)(4,.5)(6,0) has 1.5.
    assert triangle_areas(line).tolist() == [math.inf, 1.0, 1.0, 1.5, math.inf]


def test_a_point_that_matters_outlives_one_that_does_not() -> None:
    line = flat([(0, 0), (1, 0.01), (2, 0), (3, 3), (4, 0)])
    areas = triangle_areas(line)
    assert areas[1] == pytest.approx(0.01)
    assert areas[3] > 100 * areas[1]


def test_a_ring_stays_a_ring_however_coarse() -> None:
    areas = triangle_areas(flat(ring(50)))
    assert np.isinf(areas).sum() == 4  # both ends, which are one point, and two more


def test_a_stroke_under_a_longer_one_shows_nothing() -> None:
    long, under, apart = flat([(0, 0), (1, 0)]), flat([(0.2, 0.001), (0.7, 0.001)]), flat([(0.2, 0.1), (0.7, 0.1)])
    assert shown_lengths([under, long, apart]).tolist() == pytest.approx([0.0, 1.0, 0.5])


def test_of_two_equal_strokes_in_one_place_the_first_is_shown() -> None:
    line = flat([(0, 0), (1, 1)])
    assert shown_lengths([line, line.copy()]).tolist() == pytest.approx([math.sqrt(2), 0.0])


def test_a_scribble_in_a_small_place_shows_no_more_than_the_place() -> None:
    scribble = flat([(0.01 * (k % 2), 0.0001 * k) for k in range(200)])
    assert shown_lengths([scribble, flat([(0.5, 0.5), (0.6, 0.5)])])[0] < 0.05


def test_what_fits_stays_whole() -> None:
    drawing = from_strokes([[(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]])
    found = within_budget(drawing, 100)
    assert (found.strokes, found.points, found.detail) == (0, 0, 0.0)
    assert length(found.drawing) == pytest.approx(4.0)


def test_the_short_strokes_leave_first() -> None:
    house = [[(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (0.0, 0.0)]]
    gravel = [[(x / 40, 0.5 + y / 40), (x / 40 + 0.004, 0.5 + y / 40)] for x in range(1, 39) for y in range(15)]
    found = within_budget(from_strokes(house + gravel), 80)
    assert found.strokes == len(gravel)
    assert length(found.drawing) == pytest.approx(4.0)


def test_a_rich_outline_loses_points_and_keeps_its_shape() -> None:
    coast = [
        (r * math.cos(t), r * math.sin(t))
        for k in range(2000)
        for t, r in [(k * math.pi / 1000, 1 + 0.02 * math.sin(80 * k))]
    ]
    found = within_budget(from_strokes([[*coast, coast[0]]]), 60)
    assert points_expected(found.drawing) <= 60
    radius = np.linalg.norm(found.drawing.points, axis=1)
    assert 0.9 < radius.min() <= radius.max() < 1.1
    assert found.points > 1900


def test_at_least_the_stroke_that_shows_most_is_drawn() -> None:
    found = within_budget(from_strokes([ring(100), ring(30, 0.1, 2.0)]), 1.0)
    assert len(found.drawing.edges) >= 3
    assert np.ptp(found.drawing.points[:, 0]) > 1.0


def test_sizes_make_no_difference() -> None:
    strokes = [ring(60, 0.02 + 0.01 * k, 0.1 * k, 0.05 * k) for k in range(30)]
    plain = within_budget(from_strokes(strokes), 120)
    for scale in (2.0**-100, 2.0**100):
        scaled = within_budget(from_strokes([np.array(s) * scale for s in strokes]), 120)
        assert (scaled.strokes, scaled.points) == (plain.strokes, plain.points)


@settings(max_examples=30, deadline=None)
@given(stroke_lists(most=12), st.floats(1.0, 400.0))
def test_any_strokes_are_brought_within_a_budget_or_to_one_stroke(
    strokes: list[list[tuple[float, ...]]], points: float
) -> None:
    drawing = from_strokes(strokes)
    if not len(drawing.edges) or not np.ptp(drawing.points[drawing.edges.ravel()], axis=0).max() > 1e-150:
        return
    found = within_budget(drawing, points)
    few = found.of_strokes - found.strokes <= 1
    assert points_expected(found.drawing) <= points or few
    assert len(found.drawing.edges) > 0
