"""What the beam draws leaves light in proportion to the time it dwells, whatever the frame rate."""

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage

from instrument.beam import reconstruction as reconstruct
from instrument.beam.decay import EYE, FLOOR, law_of
from instrument.beam.deposit import deposit
from instrument.beam.develop import develop, find_glow, find_lit, forget_dark, spread_glow
from instrument.beam.glass import SPAN
from instrument.beam.light import Light, Tube
from instrument.beam.phosphor import TYPES, Layer, Phosphor
from instrument.beam.reconstruction import Reconstruction
from instrument.beam.spot import SMALLEST, Spot, halo_sigma
from tests.beam.signals import RATE, Samples, circle, times, two, wandering

FRAME_RATES = [30, 60, 144]
PLAIN = Spot(halo=0.0)
NOTHING = np.empty((0, 2), np.float32)


def lit(samples: Samples, size: int = 200, rate: float = RATE, tube: Tube | None = None) -> Light:
    light = Light(size, size, tube or Tube(spot=PLAIN))
    light.advance(samples, rate)
    light.finish(rate)
    return light


def at_frame_rate(samples: Samples, frames_per_second: int, tube: Tube | None = None, size: int = 200) -> Light:
    light = Light(size, size, tube)
    frames = round(len(samples) / RATE * frames_per_second)
    for frame in np.array_split(samples, frames):
        light.advance(frame, RATE)
    return light


def position(light: Light, x: float, y: float) -> tuple[int, int]:
    """Row and column of the pixel that shows a pair of sample values."""
    half = 0.5 * light.height
    return int(half - y / SPAN * half), int(half + x / SPAN * half)


class TestDwell:
    def test_a_resting_point_is_brighter_than_a_moving_one(self) -> None:
        resting, moving = lit(np.zeros((4800, 2), np.float32)), lit(wandering(0.1))
        assert resting.energy.max() > 20 * moving.energy.max()

    def test_a_line_drawn_in_half_the_time_has_half_the_energy_of_another(self) -> None:
        slow = two(np.linspace(-0.9, 0.9, 201), 0.5)
        fast = two(np.linspace(0.9, -0.9, 101), -0.5)
        light = Light(300, 300, Tube(eye=10.0))
        light.advance(np.concatenate((slow, two([np.nan], 0.0), fast)), RATE)
        light.finish(RATE)
        above, below = light.energy[:150].sum(), light.energy[150:].sum()
        assert above / below == pytest.approx(201 / 101, rel=1e-3)

    @pytest.mark.parametrize("size", [320, 1080])
    @pytest.mark.parametrize("pitch", [20.0, 997.0])
    def test_a_sine_on_one_axis_leaves_the_arcsine_distribution(self, size: int, pitch: float) -> None:
        # Density 1 / (pi sqrt(A^2 - x^2)), whose integral is arcsin(x / A) / pi: A. Papoulis, Probability, Random
        # Variables, and Stochastic Processes, chapter on functions of one random variable (from memory).
        amplitude = 0.9
        light = Light(size, size, Tube(spot=PLAIN, eye=10.0))
        # Whole periods of the steady sine, without the filter's start.
        points = Reconstruction(RATE, 4).process(two(amplitude * np.sin(2 * np.pi * pitch * times(1.1)), 0.0))
        light.advance(points[-round(4 * RATE) :], 4 * RATE)
        found = light.luminance()[0].sum(axis=0) / light.luminance().sum()
        edges = np.clip((np.arange(size + 1) / size * 2 - 1) * SPAN / amplitude, -1, 1)
        expected = np.diff(np.arcsin(edges)) / np.pi
        # Free of the peaks: where the spot's width does not reach the ends of the line.
        inside = np.abs(edges[:-1]) < 0.95
        np.testing.assert_allclose(found[inside], expected[inside], rtol=0.02)

    @pytest.mark.parametrize("angle", [0.0, 0.03, 0.2, 0.5, np.pi / 4, 1.3, np.pi / 2])
    @pytest.mark.parametrize("size", [320, 1080])
    def test_a_straight_line_of_ten_samples_shows_no_beads(self, angle: float, size: int) -> None:
        along = np.linspace(-0.8, 0.8, 10)
        light = lit(two(along * np.cos(angle), along * np.sin(angle)), size, tube=Tube(spot=PLAIN, eye=10.0))
        seen = light.luminance()[0].astype(np.float64)
        # Along the middle of the line, between its second and its last but one sample: light at any place
        # between pixels from a spline through them (scipy.ndimage), and all light across the line.
        unit = 0.5 * size / SPAN
        s = np.linspace(-0.5, 0.5, 2000) * unit
        across = np.arange(-6, 6.01, 0.5)
        x = s[:, None] * np.cos(angle) - across * np.sin(angle) + 0.5 * size - 0.5
        y = -s[:, None] * np.sin(angle) - across * np.cos(angle) + 0.5 * size - 0.5
        profile = ndimage.map_coordinates(seen, (y, x), order=5)
        for intensity in (profile[:, len(across) // 2], profile.sum(axis=1)):
            assert np.ptp(intensity) / intensity.mean() < 0.02


class TestEnergy:
    @pytest.mark.parametrize("name", ["P31", "P1", "P7"])
    def test_a_signal_that_goes_on_holds_a_total_of_one(self, name: str) -> None:
        # P7 itself gathers the last of its afterglow for a minute; one like it, but faster, is full after two seconds.
        light = Light(200, 200, Tube(TYPES[name]))
        if name == "P7":
            short = Layer((0.4, 0.5), 0.004, "power 1.5", 0.5)
            light = Light(200, 200, Tube(Phosphor("short", (TYPES[name].layers[0], short))))
        for frame in np.array_split(wandering(2.0), 120):
            light.advance(frame, RATE)
        assert light.energy.sum() == pytest.approx(1.0, rel=2e-3)

    @settings(max_examples=30, deadline=None)
    @given(
        st.floats(0.5, 8000),
        st.floats(0.1, 8000),
        st.floats(0.0, 0.95),
        st.sampled_from([48_000.0, 192_000.0]),
    )
    def test_the_total_does_not_depend_on_figure_or_speed(
        self, left: float, right: float, reach: float, rate: float
    ) -> None:
        t = times(0.1, rate)
        figure = two(reach * np.sin(2 * np.pi * left * t), reach * np.cos(2 * np.pi * right * t))
        path = Reconstruction(rate, 4)
        path.start_at(figure[0])
        light = Light(300, 300)
        light.advance(path.process(figure), 4 * rate)
        expected = 1 - np.exp(-0.1 / EYE)
        assert light.energy.sum() == pytest.approx(expected, rel=5e-3)

    @pytest.mark.parametrize("figure", [circle(8000, 0.2), circle(100, 0.2, 0.7), circle(1, 0.2), np.zeros((9600, 2))])
    def test_what_is_seen_holds_all_of_it(self, figure: Samples) -> None:
        light = lit(figure, 400, tube=Tube(spot=Spot(halo=0.3)))
        assert light.luminance().sum() / light.gain == pytest.approx(light.energy.sum(), rel=5e-3)

    @pytest.mark.parametrize("rate", [48_000.0, 192_000.0])
    def test_rest_for_a_minute_is_as_bright_as_rest_for_a_second(self, rate: float) -> None:
        light = Light(60, 60, Tube(TYPES["P39"]))
        frame = np.full((round(rate / 60), 2), 0.123, np.float32)
        totals = []
        for k in range(3600):
            light.advance(frame, rate)
            if k % 600 == 599:
                totals.append(light.energy.sum())
        np.testing.assert_allclose(totals, 1, rtol=1e-3)

    def test_what_leaves_the_glass_is_gone_and_what_returns_is_back(self) -> None:
        out = lit(two(np.linspace(-3, 3, 601), 0.0), tube=Tube(spot=PLAIN, eye=10.0))
        assert out.energy.sum() * RATE / 601 * 10 == pytest.approx(2 * SPAN / 6, rel=0.02)


class TestTime:
    @pytest.mark.parametrize("name", ["P31", "P39", "P7"])
    @pytest.mark.parametrize("frames_per_second", [30, 144])
    def test_other_frame_rates_leave_the_light_of_sixty(self, name: str, frames_per_second: int) -> None:
        samples, tube = wandering(0.5), Tube(TYPES[name])
        expected = at_frame_rate(samples, 60, tube).luminance()
        found = at_frame_rate(samples, frames_per_second, tube).luminance()
        np.testing.assert_allclose(found, expected, rtol=2e-3, atol=1e-3 * expected.max())

    @settings(max_examples=25, deadline=None)
    @given(st.lists(st.integers(0, 4800), max_size=8))
    @example([4534])
    def test_late_and_empty_frames_lose_no_light(self, cuts: list[int]) -> None:
        samples = wandering(0.1)
        light, whole = Light(100, 100), Light(100, 100)
        for frame in np.split(samples, sorted(cuts)):
            light.advance(frame, RATE)
        whole.advance(samples, RATE)
        np.testing.assert_allclose(light.energy.sum(), whole.energy.sum(), rtol=1e-4)
        # A stroke that is cut in two is laid down in other steps; single pixels see that by up to half a percent.
        np.testing.assert_allclose(light.luminance(), whole.luminance(), rtol=1e-2, atol=2e-3 * whole.luminance().max())

    def test_a_chunk_many_times_as_long_as_the_decay_leaves_what_frames_leave(self) -> None:
        samples = wandering(4.0)
        whole = Light(100, 100)
        whole.advance(samples, RATE)
        expected = at_frame_rate(samples, 60, size=100).energy
        np.testing.assert_allclose(whole.energy, expected, rtol=5e-3, atol=2e-3 * expected.max())

    @pytest.mark.parametrize("frames_per_second", FRAME_RATES)
    @pytest.mark.parametrize("law", ["exponential", "power 1.5", "power 2"])
    def test_light_left_to_decay_follows_its_law(self, frames_per_second: int, law: str) -> None:
        # The bare phosphor, seen by frames of each rate until a ten-thousandth is left; the law is the reference.
        tenth = 0.6
        bare = Tube(Phosphor("bare", (Layer((0.3, 0.6), tenth, law),)), Spot(halo=0.0, intensity=1000.0), eye=0.0)
        light = lit(np.zeros((5, 2), np.float32), 32, 1e6, bare)
        began = light.energy.sum()
        frame, worst = 0, 0.0
        while True:
            frame += 1
            light.rest(1 / frames_per_second)
            expected = float(law_of(law, tenth, frame / frames_per_second))
            if expected < FLOOR:
                break
            worst = max(worst, abs(light.energy.sum() / began / expected - 1))
        assert worst < 0.01
        assert frame >= 2 * frames_per_second

    @pytest.mark.parametrize("frames_per_second", FRAME_RATES)
    @pytest.mark.parametrize("name", list(TYPES))
    def test_what_the_eye_keeps_fades_by_both_laws(self, frames_per_second: int, name: str) -> None:
        tube = Tube(TYPES[name], Spot(halo=0.0, intensity=1000.0))
        light = lit(np.zeros((5, 2), np.float32), 32, 1e6, tube)
        seen = tube.phosphor.seen(tube.eye)
        flash = 5e-6
        for frame in range(1, 4 * frames_per_second):
            light.rest(1 / frames_per_second)
            t = frame / frames_per_second
            expected = flash * (seen.mix.sum(axis=0) * np.exp(-t / seen.times)).sum()
            if expected < 1e-4 * flash / EYE:
                break
            assert light.energy.sum() == pytest.approx(expected, rel=0.01)

    def test_no_subnormal_number_outlives_a_minute_of_darkness(self) -> None:
        for name in ("P31", "P1", "P39"):
            light = Light(100, 100, Tube(TYPES[name]))
            light.advance(wandering(0.1), RATE)
            for _ in range(3600):
                light.rest(1 / 60)
                for field in (light._fine, light._coarse):
                    shown = np.abs(field[field != 0])
                    assert not shown.size or shown.min() > np.finfo(np.float32).tiny
            assert not light._fine.any()
            assert not light._coarse.any()

    def test_light_in_the_fine_field_is_always_found_by_the_coarse_one(self) -> None:
        # What is not found is neither shown nor forgotten.
        light = Light(300, 200)
        for part in np.array_split(wandering(2.0), 90):
            light.advance(0.3 * part + np.float32(0.5), RATE)
            light.rest(0.2)
            light._tidy()
            light.develop(light.blank())
            rows, columns = np.nonzero(light._fine.reshape(light._rows, light._columns))
            assert (light._cells[rows // 8, columns // 8] == 2).all()


class TestBadSamples:
    @settings(max_examples=60, deadline=None)
    @given(
        hnp.arrays(np.float64, st.tuples(st.integers(0, 40), st.just(2)), elements=st.floats()),
        st.booleans(),
    )
    def test_any_number_at_all_leaves_finite_light(self, samples: npt.NDArray[np.float64], reconstructed: bool) -> None:
        light = Light(40, 50)
        path = Reconstruction(RATE, 4)
        light.advance(path.process(samples) if reconstructed else samples, RATE)
        light.advance(wandering(0.01), RATE)
        assert np.isfinite(light._fine).all()
        assert light._fine.min() >= 0
        assert light.energy.any()
        light.develop(light.blank())

    @settings(max_examples=60, deadline=None)
    @given(hnp.arrays(np.float64, st.tuples(st.integers(2, 30), st.just(2)), elements=st.floats(-60, 60)))
    def test_lines_that_cross_the_glass_from_anywhere_stay_inside_it(self, samples: npt.NDArray[np.float64]) -> None:
        # A margin of marked numbers around both fields: nothing writes there.
        light = Light(33, 57)
        for name in ("_fine", "_coarse"):
            field = getattr(light, name)
            fenced = np.full(len(field) + 2000, 7.0, np.float32)
            fenced[1000:-1000] = 0.0
            setattr(light, name, fenced[1000:-1000])
            light.__dict__[f"fence{name}"] = fenced
        light.advance(samples, RATE)
        light.finish(RATE)
        for name in ("_fine", "_coarse"):
            fenced = light.__dict__[f"fence{name}"]
            assert (fenced[:1000] == 7).all()
            assert (fenced[-1000:] == 7).all()
        assert light._fine.min() >= -1e-12

    @pytest.mark.parametrize("gap", [np.nan, np.inf, -np.inf, 1e30])
    def test_nothing_is_drawn_across_a_sample_that_is_not_there(self, gap: float) -> None:
        light = lit(two([-0.5, gap, 0.5], 0.0), 101)
        assert light.energy[position(light, 0.0, 0.0)] == 0
        assert light.energy[position(light, -0.5, 0.0)] > 0
        assert light.energy[position(light, 0.5, 0.0)] > 0

    @pytest.mark.parametrize("size", [(0, 10), (10, 0), (-1, -1)])
    def test_a_picture_without_pixels_is_refused(self, size: tuple[int, int]) -> None:
        with pytest.raises(ValueError, match="it needs at least 1"):
            Light(*size)

    @pytest.mark.parametrize("eye", [-1.0, 0.001, np.nan, np.inf])
    def test_an_eye_that_cannot_be_is_refused(self, eye: float) -> None:
        with pytest.raises(ValueError, match="persistence of the eye"):
            Tube(eye=eye)

    def test_pixels_of_another_size_are_refused(self) -> None:
        with pytest.raises(ValueError, match=r"shape \(20, 30\)"):
            Light(30, 20).develop(np.zeros((30, 20), np.uint32))


class TestPixels:
    def test_left_goes_to_the_right_and_right_goes_up(self) -> None:
        light = lit(two(np.full(10, 0.6), 0.3))
        row, column = np.unravel_index(light.energy.argmax(), light.energy.shape)
        expected = position(light, 0.6, 0.3)
        assert abs(int(row) - expected[0]) <= 1
        assert abs(int(column) - expected[1]) <= 1

    def test_faint_light_is_green_and_strong_light_nearly_white(self) -> None:
        figure, resting = lit(wandering(0.1)), lit(np.zeros((4800, 2), np.float32))
        pixels, point = figure.blank(), resting.blank()
        figure.develop(pixels)
        resting.develop(point)
        red, green, blue = (pixels.ravel() >> shift & 255 for shift in (16, 8, 0))
        faint = (green > 30) & (green < 100)
        assert faint.sum() > 100
        assert (green[faint] > 1.4 * blue[faint]).all()
        assert (blue[faint] > red[faint]).all()
        assert min(point[100, 100] >> shift & 255 for shift in (16, 8, 0)) > 200

    def test_the_same_figure_is_as_bright_in_a_small_picture_as_in_a_large_one(self) -> None:
        small, large = (
            np.percentile(at_frame_rate(circle(50, 0.5), 60, size=size).luminance(), 99.7 if size == 400 else 99.9)
            for size in (400, 1200)
        )
        assert small == pytest.approx(large, rel=0.35)

    def test_a_wider_spot_is_dimmer_and_as_much_light(self) -> None:
        sharp, soft = (lit(circle(100, 0.1), 300, tube=Tube(spot=Spot(focus=f))).luminance() for f in (1, 4))
        assert soft.max() < 0.5 * sharp.max()
        assert soft.sum() == pytest.approx(sharp.sum(), rel=0.01)

    def test_the_spot_has_the_width_it_is_said_to_have(self) -> None:
        for stretch in (-0.5, 0.0, 0.5):
            spot = Spot(focus=3, astigmatism=stretch, halo=0.0)
            light = lit(two(np.full(10, 0.013), 0.007), 600, tube=Tube(spot=spot)).luminance()[0].astype(float)
            across, up = spot.sigmas(600)
            for axis, sigma in ((0, across), (1, up)):
                profile = light.sum(axis=axis)
                at = np.arange(600)
                middle = (profile * at).sum() / profile.sum()
                variance = (profile * (at - middle) ** 2).sum() / profile.sum()
                assert variance**0.5 == pytest.approx(sigma, rel=0.04)

    def test_only_the_part_that_is_said_to_change_changes(self) -> None:
        light = Light(360, 360)
        pixels = light.blank()
        light.develop(pixels)
        light.advance(two(np.full(800, -0.5), 0.5), RATE)
        light.develop(pixels)
        before = pixels.copy()
        light.advance(two(np.full(800, -0.45), 0.45), RATE)
        left, top, width, height = light.develop(pixels)
        assert 0 < width < 120
        assert 0 < height < 120
        changed = pixels != before
        assert changed.any()
        changed[top : top + height, left : left + width] = False
        assert not changed.any()

    @pytest.mark.parametrize("name", ["P31", "P1", "P7"])
    def test_pixels_kept_up_to_date_equal_pixels_made_anew(self, name: str) -> None:
        light = Light(120, 96, Tube(TYPES[name]))
        kept = light.blank()
        for place in (0.1, 0.9, -0.7):
            light.advance(np.full((300, 2), (place, 0.3)), RATE)
            light.rest(0.4)
            light.develop(kept)
        anew = light.blank()
        light.develop(anew)
        np.testing.assert_array_equal(kept, anew)

    def test_a_dark_picture_has_nothing_to_change(self) -> None:
        light = Light(50, 50)
        pixels = light.blank()
        light.advance(np.zeros((100, 2)), RATE)
        light.develop(pixels)
        light.rest(60.0)
        light.develop(pixels)
        assert (pixels == Light(50, 50).blank()).all()
        assert light.develop(pixels)[2] == 0

    @pytest.mark.parametrize("size", [(1, 1), (2, 3), (3, 2), (17, 5), (700, 9)])
    def test_the_smallest_pictures_work(self, size: tuple[int, int]) -> None:
        light = Light(*size)
        light.advance(np.zeros((500, 2)), RATE)
        pixels = light.blank()
        light.develop(pixels)
        assert (pixels & 0xFFFFFF).any()

    def test_a_halo_lies_around_and_takes_its_share(self) -> None:
        point = np.zeros((4800, 2), np.float32)
        with_halo = lit(point, 300, tube=Tube(spot=Spot(halo=0.3))).luminance()[0]
        without = lit(point, 300).luminance()[0]
        near = np.hypot(*np.indices((300, 300)) - 149.5) < 5
        # A Gaussian holds 1 - exp(-r^2 / 2 sigma^2) within r (the Rayleigh distribution).
        sigma_squared = halo_sigma(300) ** 2 + SMALLEST**2
        expected = 0.7 + 0.3 * (1 - np.exp(-(5**2) / 2 / sigma_squared))
        assert with_halo[near].sum() / without[near].sum() == pytest.approx(expected, rel=0.05)
        assert with_halo[150, 159] > 100 * without[150, 159]
        rings = [with_halo[150, 150 + r] for r in range(4, 20)]
        assert all(a >= b for a, b in pairwise(rings))


@pytest.mark.parametrize("name", ["P31", "P39", "P7"])
def test_after_its_memory_nothing_shows_of_the_brightest_there_can_be(name: str) -> None:
    """A spot that has rested for ever is less than half a step of 255 then, and is not much before."""
    tube = Tube(TYPES[name])
    light = Light(40, 40, tube)
    assert 0 < light.memory < 1000
    light.advance(np.zeros((20_000, 2)), 5.0 if name == "P7" else 500.0)
    before, after = light.blank(), light.blank()
    light.rest(0.7 * light.memory)
    light.develop(before)
    light.rest(0.3 * light.memory)
    light.develop(after)
    assert (before & 0xFFFFFF).any()
    assert not (after & 0xFFFFFF).any()


@pytest.mark.parametrize(
    "kernel", [deposit, develop, find_glow, find_lit, forget_dark, spread_glow, reconstruct._reconstruct]
)
def test_no_kernel_holds_pythons_lock(kernel: Any) -> None:
    assert kernel.targetoptions["nogil"]
    assert kernel.targetoptions["error_model"] == "numpy"
