"""Points to a cycle of figures of known pitch."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.measure.cycle import Cycle, cycle_points
from tests.measure.signals import Floats, circle, metered, sine

RATE = 48_000


def points(samples: Floats) -> float | None:
    return metered(Cycle(RATE, len(samples) / RATE), samples, RATE).points


@pytest.mark.parametrize("frequency", [10.0, 100.0, 441.0, 3000.0, 9000.0])
def test_a_circle_has_the_rate_over_its_pitch(frequency: float) -> None:
    assert points(circle(frequency, 1.0)) == pytest.approx(RATE / frequency, rel=0.01)


@pytest.mark.parametrize(("a", "b"), [(1, 2), (2, 3), (3, 4), (5, 7)])
def test_a_figure_of_two_pitches_has_their_common_one(a: int, b: int) -> None:
    samples = np.column_stack((sine(100.0 * a, 1.0), sine(100.0 * b, 1.0, degrees=30.0)))
    assert points(samples) == pytest.approx(RATE / 100, rel=0.005)


def test_turning_the_figure_slowly_changes_nothing() -> None:
    turn = 2 * np.pi * 0.2 * np.arange(RATE) / RATE
    x, y = sine(110.0, 1.0), sine(330.0, 1.0, degrees=20.0)
    samples = np.column_stack((x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)))
    assert points(samples) == pytest.approx(RATE / 110, rel=0.01)


@pytest.mark.parametrize("samples", [np.zeros((RATE, 2)), np.full((RATE, 2), 0.4), np.zeros((3, 2))])
def test_what_does_not_move_has_no_cycle(samples: Floats) -> None:
    assert points(samples) is None


def test_noise_has_no_cycle() -> None:
    assert points(np.random.default_rng(3).uniform(-1, 1, (RATE, 2))) is None


@settings(deadline=None, max_examples=30)
@given(st.floats(8.0, 900.0), st.floats(0, 1))
def test_a_drawing_with_corners_has_its_own_period(period: float, phase: float) -> None:
    place = np.arange(4000) / period + phase
    triangle = 4 * np.abs(place % 1 - 0.5) - 1
    found = cycle_points(np.column_stack((triangle, np.cos(2 * np.pi * place))))
    assert found == pytest.approx(period, rel=0.02)
