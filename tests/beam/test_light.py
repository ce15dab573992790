"""What the beam draws leaves light in proportion to the time it dwells, whatever the frame rate."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from instrument.beam.light import PERSISTENCE, SPAN, Light, blank, still

RATE = 48_000.0

Samples = npt.NDArray[np.float32]


def figure(seconds: float, rate: float = RATE) -> Samples:
    """A figure that never repeats exactly, so that each moment leaves its own light."""
    t = np.arange(round(seconds * rate)) / rate
    return np.column_stack((0.8 * np.sin(2 * np.pi * 91.7 * t), 0.8 * np.sin(2 * np.pi * 60.3 * t))).astype(
        "f4"
    )


def at_frame_rate(samples: Samples, frames_per_second: int) -> Light:
    light = Light(200)
    frames = round(len(samples) / RATE * frames_per_second)
    for frame in np.array_split(samples, frames):
        light.advance(frame, RATE)
    return light


def position(light: Light, x: float, y: float) -> tuple[int, int]:
    """Row and column of the pixel that shows a pair of sample values."""
    half = 0.5 * light.size
    return int(half - y / SPAN * half), int(half + x / SPAN * half)


class TestDwell:
    def test_a_resting_point_is_brighter_than_a_moving_one(self) -> None:
        resting, moving = Light(100), Light(100)
        resting.advance(np.zeros((4800, 2), np.float32), RATE)
        moving.advance(figure(0.1), RATE)
        assert resting.energy.max() > 20 * moving.energy.max()

    def test_a_line_drawn_in_half_the_time_has_half_the_energy_of_another(self) -> None:
        slow = np.column_stack((np.linspace(-0.9, 0.9, 201), np.full(201, 0.5)))
        fast = np.column_stack((np.linspace(0.9, -0.9, 101), np.full(101, -0.5)))
        light = Light(300)
        light.expose(np.concatenate((slow, [[np.nan, 0.0]], fast)))
        above, below = light.energy[:150].sum(), light.energy[150:].sum()
        assert above / below == pytest.approx(201 / 101, rel=1e-4)

    def test_a_sine_on_one_axis_leaves_the_arcsine_distribution(self) -> None:
        # Density 1 / (pi sqrt(A^2 - x^2)), whose integral is arcsin(x / A) / pi: A. Papoulis, Probability, Random
        # Variables, and Stochastic Processes, chapter on functions of one random variable (from memory).
        amplitude, size = 0.9, 600
        t = np.arange(48_000) / RATE
        light = Light(size)
        light.expose(np.column_stack((amplitude * np.sin(2 * np.pi * 20 * t), np.zeros_like(t))))
        # As it is seen: the spot is wider than a pixel, and light passes through it on the way to the eye.
        found = np.convolve(light.energy.sum(axis=0), light._taps, "same")
        edges = np.clip((np.arange(size + 1) / size * 2 - 1) * SPAN / amplitude, -1, 1)
        expected = np.diff(np.arcsin(edges)) / np.pi
        inside = np.abs(edges[:-1]) < 0.97
        np.testing.assert_allclose(found[inside], expected[inside], rtol=0.02)

    def test_a_signal_that_goes_on_holds_a_total_of_one(self) -> None:
        assert at_frame_rate(figure(2.0), 60).energy.sum() == pytest.approx(1.0, rel=2e-3)

    @pytest.mark.parametrize("pitch", [1.0, 50.0, 8000.0])
    def test_the_total_does_not_depend_on_the_speed(self, pitch: float) -> None:
        t = np.arange(9600) / RATE
        light = Light(300)
        light.expose(0.9 * np.column_stack((np.cos(2 * np.pi * pitch * t), np.sin(2 * np.pi * pitch * t))))
        assert light.energy.sum() == pytest.approx(1.0, rel=1e-4)

    @pytest.mark.parametrize("angle", [0.0, 0.2, 0.5, np.pi / 4])
    def test_a_straight_line_of_ten_samples_shows_no_beads(self, angle: float) -> None:
        along = np.linspace(-0.8, 0.8, 10)
        picture = still(np.column_stack((along * np.cos(angle), along * np.sin(angle))), 500)
        # All light of each column, away from the two ends.
        along_columns = picture[:, 150:350, 1].astype(float).sum(axis=0)
        assert along_columns.std() / along_columns.mean() < 0.01


class TestTime:
    @pytest.mark.parametrize("frames_per_second", [30, 144])
    def test_other_frame_rates_leave_the_light_of_sixty(self, frames_per_second: int) -> None:
        samples = figure(0.5)
        expected = at_frame_rate(samples, 60).energy
        found = at_frame_rate(samples, frames_per_second).energy
        np.testing.assert_allclose(found, expected, rtol=1e-3, atol=1e-4 * expected.max())

    @settings(max_examples=25, deadline=None)
    @given(st.lists(st.integers(0, 4800), max_size=8))
    def test_late_and_empty_frames_lose_no_light(self, cuts: list[int]) -> None:
        samples = figure(0.1)
        light = Light(100)
        for frame in np.split(samples, sorted(cuts)):
            light.advance(frame, RATE)
        whole = Light(100)
        whole.advance(samples, RATE)
        np.testing.assert_allclose(light.energy, whole.energy, rtol=1e-3, atol=1e-4 * whole.energy.max())

    @pytest.mark.parametrize("frames_per_second", [30, 60, 144])
    def test_light_fades_to_one_over_e_in_the_persistence(self, frames_per_second: int) -> None:
        light = Light(100)
        light.advance(figure(0.1), RATE)
        before = light.energy.sum()
        frames = round(PERSISTENCE * frames_per_second * 10)
        for _ in range(frames):
            light.advance(np.empty((0, 2), np.float32), RATE, PERSISTENCE / frames)
        assert light.energy.sum() / before == pytest.approx(np.exp(-1), rel=1e-3)

    def test_a_long_stall_shows_only_what_would_still_be_seen(self) -> None:
        light, fresh = Light(100), Light(100)
        samples = figure(4.0)
        light.advance(samples, RATE)
        fresh.advance(samples[-96_000:], RATE)
        np.testing.assert_allclose(light.energy, fresh.energy, atol=1e-5 * fresh.energy.max())

    def test_no_subnormal_number_outlives_a_minute_of_darkness(self) -> None:
        light = Light(100)
        light.advance(figure(0.1), RATE)
        for _ in range(3600):
            light.advance(np.empty((0, 2), np.float32), RATE, 1 / 60)
            lit = light.energy[light.energy > 0]
            assert not lit.size or lit.min() > np.finfo(np.float32).tiny
        assert not light.energy.any()


class TestBadSamples:
    @settings(max_examples=50, deadline=None)
    @given(hnp.arrays(np.float64, st.tuples(st.integers(0, 40), st.just(2)), elements=st.floats()))
    def test_any_number_at_all_leaves_finite_light(self, samples: npt.NDArray[np.float64]) -> None:
        light = Light(40)
        light.advance(samples, RATE)
        light.advance(figure(0.01), RATE)
        assert np.isfinite(light.energy).all()
        assert light.energy.min() >= 0
        assert light.energy.any()
        light.develop(blank(40))

    @pytest.mark.parametrize("gap", [np.nan, np.inf, -np.inf, 1e30])
    def test_nothing_is_drawn_across_a_sample_that_is_not_there(self, gap: float) -> None:
        light = Light(101)
        light.expose([[-0.5, 0.0], [gap, 0.0], [0.5, 0.0]])
        assert light.energy[position(light, 0.0, 0.0)] == 0
        assert light.energy[position(light, -0.5, 0.0)] > 0
        assert light.energy[position(light, 0.5, 0.0)] > 0

    @pytest.mark.parametrize("shape", [(10,), (10, 3), (2, 10, 2)])
    def test_other_shapes_are_refused(self, shape: tuple[int, ...]) -> None:
        with pytest.raises(ValueError, match=r"samples must have the shape \(n, 2\), not \("):
            Light(20).expose(np.zeros(shape))

    def test_a_picture_without_pixels_is_refused(self) -> None:
        with pytest.raises(ValueError, match="0 pixels"):
            Light(0)

    def test_a_persistence_of_nothing_is_refused(self) -> None:
        with pytest.raises(ValueError, match="persistence"):
            Light(10, persistence=float("nan"))

    def test_pixels_of_another_size_are_refused(self) -> None:
        with pytest.raises(ValueError, match=r"shape \(20, 20\)"):
            Light(20).develop(blank(21))


class TestPicture:
    def test_left_goes_to_the_right_and_right_goes_up(self) -> None:
        light = Light(200)
        light.expose(np.full((10, 2), (0.6, 0.3)))
        row, column = np.unravel_index(light.energy.argmax(), light.energy.shape)
        expected = position(light, 0.6, 0.3)
        assert abs(int(row) - expected[0]) <= 1
        assert abs(int(column) - expected[1]) <= 1

    def test_a_still_is_red_green_and_blue_bytes(self) -> None:
        picture = still(figure(0.1), 64)
        assert picture.shape == (64, 64, 3)
        assert picture.dtype == np.uint8

    def test_no_signal_is_black(self) -> None:
        assert not still(np.empty((0, 2)), 32).any()

    def test_faint_light_is_green_and_strong_light_nearly_white(self) -> None:
        figures, point = still(figure(0.1), 200).reshape(-1, 3), still(np.zeros((10, 2)), 200)[100, 100]
        faint = figures[(figures[:, 1] > 30) & (figures[:, 1] < 100)].astype(int)
        assert len(faint) > 100
        assert (faint[:, 1] > 1.4 * faint[:, 2]).all()
        assert (faint[:, 2] > 1.4 * faint[:, 0]).all()
        assert point.min() > 230

    def test_a_still_does_not_depend_on_how_long_the_signal_is(self) -> None:
        t = np.arange(2000) / 2000
        turn = np.column_stack((np.cos(2 * np.pi * t), np.sin(2 * np.pi * t)))
        once, often = still(turn, 100).astype(int), still(np.tile(turn, (10, 1)), 100).astype(int)
        # The one segment that joins the rounds is the only difference.
        assert np.abs(once - often).max() <= 3

    def test_the_same_figure_is_as_bright_in_a_small_picture_as_in_a_large_one(self) -> None:
        small, large = still(figure(0.5), 400).max(axis=(0, 1)), still(figure(0.5), 1200).max(axis=(0, 1))
        np.testing.assert_allclose(small.astype(int), large.astype(int), atol=20)

    def test_only_the_part_that_is_said_to_change_changes(self) -> None:
        light, pixels = Light(120), blank(120)
        light.advance(np.full((800, 2), (-0.5, 0.5)), RATE)
        light.develop(pixels)
        before = pixels.copy()
        light.advance(np.full((800, 2), (-0.45, 0.45)), RATE)
        left, top, width, height = light.develop(pixels)
        assert 0 < width < 30
        assert 0 < height < 30
        changed = pixels != before
        changed[top : top + height, left : left + width] = False
        assert not changed.any()

    def test_pixels_kept_up_to_date_equal_pixels_made_anew(self) -> None:
        light, kept = Light(120), blank(120)
        for place in (0.1, 0.9, -0.7):
            light.advance(np.full((3, 2), (place, 0.3)), RATE, 0.4)
            light.develop(kept)
        light._shown = (0, 0, 120, 120)
        anew = blank(120)
        light.develop(anew)
        np.testing.assert_array_equal(kept, anew)

    def test_a_dark_picture_has_nothing_to_change(self) -> None:
        light, pixels = Light(50), blank(50)
        light.advance(np.zeros((100, 2)), RATE)
        light.develop(pixels)
        light.advance(np.empty((0, 2)), RATE, 60.0)
        light.develop(pixels)
        assert (pixels == blank(50)).all()
        assert light.develop(pixels)[2] == 0

    @pytest.mark.parametrize("size", [1, 2, 3, 17])
    def test_the_smallest_pictures_work(self, size: int) -> None:
        assert still(np.zeros((5, 2)), size).any()
