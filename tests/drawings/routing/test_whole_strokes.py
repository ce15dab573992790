"""Tables of the strokes alone: no point lies on a jump, and every stroke is run through evenly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.routing.closed_line import StepKind
from instrument.drawings.routing.route import route
from instrument.drawings.routing.sampling import Sampling, aligned, sample
from instrument.drawings.routing.whole_strokes import turned_leaps
from instrument.drawings.strokes import Drawing, from_strokes
from tests.drawings.drawings import drawings

APART = [[(0, 0), (3, 0)], [(0, 1), (3, 1)], [(0, 2), (6, 2)]]


def strokes_of(points: np.ndarray, leaps: np.ndarray) -> list[np.ndarray]:
    """Return the rows between jumps, beginning behind the last one."""
    begin = int(np.flatnonzero(leaps)[-1]) + 1
    turned, marks = np.roll(points, -begin, axis=0), np.roll(leaps, -begin)
    return np.split(turned, np.flatnonzero(marks)[:-1] + 1)


def test_each_stroke_has_its_share_of_the_points_and_both_its_ends() -> None:
    path = sample(route(from_strokes(APART)), Sampling(points=123, fit="original"))
    assert path.leaps.sum() == 3
    assert not (path.kinds == StepKind.JUMP).any()
    strokes = strokes_of(path.points, path.leaps)
    assert sorted(len(stroke) for stroke in strokes) == [31, 31, 61]
    for stroke in strokes:
        spacing = np.linalg.norm(np.diff(stroke, axis=0), axis=1)
        # Each is drawn there and back.
        np.testing.assert_allclose(spacing, 0.2, rtol=1e-9)
        assert stroke[0].tolist() == stroke[-1].tolist()
        assert stroke[0, 0] == 0.0


@given(drawings())
@settings(max_examples=40, deadline=None)
def test_jumps_are_marked_and_never_follow_one_another(drawing: Drawing) -> None:
    found = route(drawing)
    path = sample(found, Sampling(points=2048))
    assert path.points.shape == (2048, 3)
    assert path.leaps.sum() <= found.figures.jumps
    assert bool(path.leaps.any()) == (found.figures.jumps > 0)
    assert not (path.leaps & np.roll(path.leaps, 1)).any()


def test_a_speed_that_is_given_leaves_jumps_straight() -> None:
    path = sample(route(from_strokes(APART)), Sampling(points=123, jump_speed=16.0))
    assert not path.leaps.any()
    assert (path.kinds == StepKind.JUMP).any()


def test_too_few_points_for_every_stroke_leave_jumps_straight() -> None:
    assert not sample(route(from_strokes(APART)), Sampling(points=5)).leaps.any()


@given(st.lists(st.booleans(), min_size=1, max_size=12), st.integers(0, 11), st.booleans())
def test_marks_turn_with_the_path(marks: list[bool], shift: int, backwards: bool) -> None:
    leaps = np.array(marks)
    rows = np.arange(len(marks))
    shift %= len(marks)
    turned = aligned(rows, shift, backwards=backwards)
    found = turned_leaps(leaps, shift, backwards=backwards)
    for k, marked in enumerate(found.tolist()):
        a, b = int(turned[k]), int(turned[(k + 1) % len(rows)])
        assert marked == bool(leaps[b if backwards else a])


@pytest.mark.parametrize("most", [4096, 500, 2])
def test_a_default_table_is_halved_until_it_fits(most: int) -> None:
    found = route(from_strokes(APART))
    count = len(sample(found, Sampling(most=most)).points)
    assert count <= most
    assert 4096 % count == 0
