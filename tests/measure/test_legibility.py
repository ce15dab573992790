"""Light and ideal lines are compared both ways."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.measure.legibility import legibility

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

RATE = 48_000.0
PIXELS = 256
SQUARE = np.array([[-0.8, -0.8], [0.8, -0.8], [0.8, 0.8], [-0.8, 0.8]])


def lines_through(corners: Floats) -> Floats:
    return np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)


def played(corners: Floats, points: float, cycles: float = 40.0) -> Floats:
    """Samples of a closed path of equal sides, so many to the cycle."""
    along = np.arange(int(points * cycles)) / points % 1.0 * len(corners)
    side = along.astype(np.int64) % len(corners)
    share = (along - np.floor(along))[:, None]
    return corners[side] * (1 - share) + corners[(side + 1) % len(corners)] * share


def test_a_square_of_many_points_is_shown_whole_and_nothing_else_is_lit() -> None:
    found = legibility(played(SQUARE, 400.3), RATE, lines_through(SQUARE), pixels=PIXELS)
    assert found.shown == 1.0
    assert found.on_lines == pytest.approx(1.0, abs=1e-3)


def test_of_a_square_whose_fourth_side_is_never_drawn_three_quarters_are_shown() -> None:
    # Out and back over three sides: no beam comes near the fourth.
    there_and_back = SQUARE[[0, 1, 2, 3, 2, 1]]
    found = legibility(played(there_and_back, 601.7), RATE, lines_through(SQUARE), pixels=PIXELS)
    # What lies within the tolerance of a neighbour's end counts as shown: twice 1.5 percent of a side.
    assert found.shown == pytest.approx(0.75 + 0.25 * 0.03, abs=0.004)
    assert found.on_lines == pytest.approx(1.0, abs=1e-3)


def test_light_on_a_diagonal_that_is_no_line_is_counted_against_it() -> None:
    # Three sides of length 1 and a diagonal of length 1.414 run at equal times: a quarter of the light is off.
    path = SQUARE[[0, 1, 2, 0, 3, 2]]
    lines = np.array([SQUARE[[0, 1]], SQUARE[[1, 2]], SQUARE[[0, 3]], SQUARE[[3, 2]]])
    found = legibility(played(path, 601.7), RATE, lines, pixels=PIXELS)
    # Sides 0-1, 1-2, 0-3, 3-2 are lines; 2-0 twice is none.
    assert found.shown == 1.0
    assert found.on_lines == pytest.approx(4 / 6, abs=0.02)


def test_a_jump_is_neither_light_nor_line() -> None:
    path = SQUARE[[0, 1, 2, 0, 3, 2]]
    lines = np.array([SQUARE[[0, 1]], SQUARE[[1, 2]], SQUARE[[0, 3]], SQUARE[[3, 2]]])
    jump = SQUARE[[2, 0]][None]
    assert legibility(played(path, 601.7), RATE, lines, jump, pixels=PIXELS).on_lines == pytest.approx(1.0, abs=1e-3)


def test_fewer_points_show_less() -> None:
    found = [
        legibility(played(SQUARE, points), RATE, lines_through(SQUARE), pixels=PIXELS) for points in (4.3, 8.3, 16.3)
    ]
    assert sorted(found, key=lambda one: one.on_lines) == found
    assert found[0].on_lines < 0.5 < found[2].on_lines


def test_the_tolerance_is_a_share_of_the_longer_side() -> None:
    # Everything at half the size is the same picture at twice the resolution.
    large = legibility(played(SQUARE, 11.3), RATE, lines_through(SQUARE), pixels=PIXELS)
    small = legibility(played(0.5 * SQUARE, 11.3), RATE, lines_through(0.5 * SQUARE), pixels=2 * PIXELS)
    assert small.on_lines == pytest.approx(large.on_lines, abs=0.03)
    assert small.shown == pytest.approx(large.shown, abs=0.03)


def test_silence_shows_nothing() -> None:
    found = legibility(np.full((100, 2), np.nan), RATE, lines_through(SQUARE), pixels=PIXELS)
    assert (found.shown, found.on_lines) == (0.0, 0.0)


@pytest.mark.parametrize("lines", [np.zeros((0, 2, 2)), np.zeros((1, 2, 2)), np.full((1, 2, 2), np.nan)])
def test_lines_without_a_size_are_refused(lines: Floats) -> None:
    with pytest.raises(ValueError, match="no size"):
        legibility(SQUARE, RATE, lines)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.floats(width=32), st.floats(width=32)), max_size=30))
def test_any_samples_give_two_shares(samples: list[tuple[float, float]]) -> None:
    found = legibility(np.array(samples).reshape(-1, 2), RATE, lines_through(SQUARE), pixels=64)
    assert 0.0 <= found.shown <= 1.0
    assert 0.0 <= found.on_lines <= 1.0
