"""Dwell and rest of figures whose light is known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.measure.beam_motion import CELLS, LENGTH, REST_SECONDS, Dwell, Jumps
from tests.measure.signals import Floats, circle, metered, sine

RATE = 48_000


def dwell(samples: Floats, rate: int = RATE) -> Dwell:
    return metered(Dwell(rate), samples, rate)


def raster(seconds: float = 1.0) -> Floats:
    """A picture filled evenly: a slow sawtooth and a fast triangle."""
    place = np.arange(round(seconds * RATE))
    across = 4 * np.abs((place * 397.7 / RATE) % 1 - 0.5) - 1
    return np.column_stack((across, 2 * (place / len(place)) - 1))


class TestHotspot:
    def test_a_dot_is_all_of_it(self) -> None:
        assert dwell(np.full((RATE, 2), 0.3)).hotspot == 1.0

    def test_an_even_raster_has_a_hundredth_of_its_light_in_a_hundredth_of_the_screen(self) -> None:
        assert dwell(raster()).hotspot == pytest.approx(0.01, abs=0.003)

    def test_a_dot_for_half_of_the_time_adds_half(self) -> None:
        found = dwell(np.concatenate([raster(), np.full((RATE, 2), 0.3)]))
        assert found.hotspot == pytest.approx(0.505, abs=0.003)

    def test_a_line_as_wide_as_the_screen_is_a_hundredth_of_it(self) -> None:
        line = np.column_stack((raster()[:, 0], np.full(RATE, 0.005)))
        assert dwell(line).hotspot == pytest.approx(1.0)

    def test_a_squares_outline_has_the_share_of_its_cells(self) -> None:
        # Sides of 1.6, that is 80 cells of 0.02, through the middles of cells: 100 of about 320.
        side = np.linspace(-0.79, 0.79, 1200, endpoint=False)
        edge = np.full(1200, 0.79)
        square = np.concatenate(
            [np.column_stack(pair) for pair in ((side, edge), (edge, -side), (-side, -edge), (-edge, side))]
        )
        assert dwell(np.tile(square, (10, 1))).hotspot == pytest.approx(100 / 316, abs=0.01)

    def test_a_sine_across_is_brightest_where_it_turns(self) -> None:
        # Dwell of a sine of amplitude 1 is 1 / (pi sqrt(1 - x^2)) (any textbook of probability: the arcsine law), so
        # the outermost column on each side holds acos(0.98) / pi of the light, spread evenly by the sawtooth;
        # a hundredth of the screen is one of these columns.
        down = raster()[:, 1]
        samples = np.column_stack((sine(1003.7, 1.0), down))
        assert dwell(samples).hotspot == pytest.approx(math.acos(0.98) / math.pi, abs=0.004)

    def test_few_points_on_a_long_way_are_a_line_and_not_dots(self) -> None:
        # Ten points to a round: a decagon, not ten dots that are all the light.
        assert dwell(circle(4800.0, 1.0)).hotspot < 0.5

    def test_the_light_is_the_time_whatever_is_drawn(self) -> None:
        assert dwell(circle(100.0, 0.5)).cells.sum() == pytest.approx(0.5 * RATE)

    def test_what_is_off_the_screen_or_not_finite_lights_nothing(self) -> None:
        assert dwell(np.full((100, 2), 1.5)).cells.sum() == 0.0
        assert dwell(np.full((100, 2), np.nan)).hotspot == 0.0
        assert dwell(np.full((100, 2), np.nan)).resting_time == 0.0

    def test_the_first_row_is_the_bottom_one(self) -> None:
        cells = dwell(np.full((10, 2), [0.99, -0.99])).cells
        assert cells[0, CELLS - 1] == 10

    @settings(deadline=None, max_examples=50)
    @given(st.lists(st.tuples(*[st.floats(width=64)] * 2), max_size=40))
    def test_no_number_leads_out_of_the_screen(self, points: list[tuple[float, float]]) -> None:
        samples = np.array(points).reshape(-1, 2)
        found = dwell(samples, 7)
        on = (np.abs(samples) <= 1).all(axis=1).sum()
        assert found.cells.sum() == pytest.approx(on)
        assert 0 <= found.hotspot <= 1
        assert 0 <= found.resting_time <= 1


class TestRest:
    def test_standing_for_a_quarter_of_the_time_is_a_quarter(self) -> None:
        samples = np.concatenate([circle(100.0, 1.5), np.zeros((RATE // 2, 2))])
        found = dwell(samples)
        assert found.resting_time == pytest.approx(0.25, abs=0.001)
        assert found.longest_rest == pytest.approx(0.5, abs=0.001)

    @pytest.mark.parametrize(("share", "rests"), [(0.9, False), (1.1, True)])
    def test_a_stop_counts_from_the_shortest_rest_on(self, share: float, rests: bool) -> None:
        stop = np.zeros((round(share * REST_SECONDS * RATE), 2))
        found = dwell(np.concatenate([circle(100.0, 0.1), stop, circle(100.0, 0.1)]))
        assert (found.longest_rest > 0) is rests

    def test_creeping_is_resting(self) -> None:
        creep = np.column_stack((np.linspace(0, 0.3, RATE), np.zeros(RATE)))
        assert dwell(creep).resting_time > 0.99

    def test_a_figure_at_20_hz_never_rests(self) -> None:
        assert dwell(circle(20.0, 1.0)).resting_time == 0.0

    def test_a_rest_goes_on_over_the_seconds(self) -> None:
        assert dwell(np.zeros((3 * 1000, 2)), 1000).longest_rest == pytest.approx(3.0)


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
