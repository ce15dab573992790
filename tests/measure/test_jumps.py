"""Jumps of drawings that jump a known number of times."""

import numpy as np
import pytest

from instrument.measure.jumps import LENGTH, Jumps
from tests.measure.signals import Floats, circle, metered, sine

RATE = 48_000


def jumps(samples: Floats, rate: int = RATE) -> Jumps:
    found = metered(Jumps(), samples, rate)
    found.finish()
    return found


def two_strokes(points: int, flight: int, times: int) -> Floats:
    """Two strokes side by side, from one to the other and back in so many steps each."""
    stroke = np.linspace(-0.5, 0.5, points)
    fly = (np.arange(1, flight) / flight)[:, None]
    up = np.column_stack((np.full(points, -0.8), stroke))
    down = np.column_stack((np.full(points, 0.8), stroke[::-1]))
    across = up[-1] + fly * (down[0] - up[-1])
    back = down[-1] + fly * (up[0] - down[-1])
    return np.tile(np.concatenate([up, across, down, back]), (times, 1))


@pytest.mark.parametrize("flight", [1, 2, 5])
def test_two_strokes_take_two_jumps_a_round(flight: int) -> None:
    found = jumps(two_strokes(200, flight, 300))
    # The last round's way back is not flown to its end.
    assert found.count == 2 * 300 - (1 if flight == 1 else 0)
    assert found.samples == pytest.approx(2 * 300 * flight, abs=2)


def test_seconds_cut_no_jump_in_two() -> None:
    samples = two_strokes(196, 5, 60)
    assert jumps(samples, 501).count == jumps(samples, len(samples)).count


@pytest.mark.parametrize("frequency", [20.0, 440.0, 5000.0])
def test_a_circle_never_jumps(frequency: float) -> None:
    assert jumps(circle(frequency, 1.0)).count == 0


def test_a_figure_of_sines_never_jumps() -> None:
    samples = np.column_stack((sine(300.0, 1.0), 0.5 * sine(700.0, 1.0) + 0.5 * sine(1100.0, 1.0)))
    assert jumps(samples).count == 0


def test_dots_are_joined_by_jumps() -> None:
    # A square wave of 100 Hz on one axis: two dots, 200 moves a second.
    samples = np.column_stack((np.where(np.arange(RATE) % 480 < 240, 0.5, -0.5), np.zeros(RATE)))
    found = jumps(samples)
    assert found.count == 199
    assert found.samples == 199


@pytest.mark.parametrize(("length", "count"), [(0.9 * LENGTH, 0), (1.1 * LENGTH, 1)])
def test_a_jump_has_a_least_length(length: float, count: int) -> None:
    stroke = np.linspace(-0.4, 0.4, 1000)
    samples = np.concatenate([np.column_stack((stroke, stroke)), np.column_stack((stroke, stroke)) + 0.8])
    samples[1000:] += length / np.sqrt(2)
    assert jumps(samples).count == count


def test_standing_still_and_what_is_not_finite_is_no_jump() -> None:
    assert jumps(np.full((RATE, 2), 0.3)).count == 0
    assert jumps(np.full((RATE, 2), np.nan)).count == 0
    broken = circle(100.0, 1.0)
    broken[1000:2000] = np.nan
    assert jumps(broken).count == 0


def test_no_sound_has_no_jumps() -> None:
    assert jumps(np.zeros((0, 2))).count == 0
