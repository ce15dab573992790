"""Between two samples runs the voltage that a converter would give."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import signal

from instrument.beam.reconstruction import (
    FACTORS,
    HALF_LENGTH,
    STOP_BAND_DB,
    TRANSITION,
    Reconstruction,
    as_path,
    interpolation_filter,
)
from tests.beam.signals import RATE, Samples, circle, two

UPWARD = FACTORS[1:]


def noise(count: int) -> Samples:
    return np.random.default_rng(7).uniform(-1, 1, (count, 2)).astype(np.float32)


class TestFilter:
    @pytest.mark.parametrize("factor", UPWARD)
    def test_it_is_a_kaiser_windowed_sinc_of_scipys(self, factor: int) -> None:
        # scipy.signal.firwin with the beta of scipy.signal.kaiser_beta: an independent design of the same filter.
        taps = 2 * HALF_LENGTH * factor + 1
        window = ("kaiser", signal.kaiser_beta(STOP_BAND_DB))
        expected = factor * signal.firwin(taps, 1 / factor, window=window)
        np.testing.assert_allclose(interpolation_filter(factor), expected, atol=2e-4)

    @pytest.mark.parametrize("factor", UPWARD)
    def test_its_stop_band_is_at_least_80_decibels_down(self, factor: int) -> None:
        frequency, gain = signal.freqz(interpolation_filter(factor), worN=1 << 16, fs=factor)
        stopped = np.abs(gain[frequency >= TRANSITION[1]]) / factor
        assert 20 * np.log10(stopped.max()) < -80

    @pytest.mark.parametrize("factor", UPWARD)
    def test_its_pass_band_is_flat(self, factor: int) -> None:
        frequency, gain = signal.freqz(interpolation_filter(factor), worN=1 << 16, fs=factor)
        passed = np.abs(gain[frequency <= TRANSITION[0]]) / factor
        np.testing.assert_allclose(passed, 1, atol=1e-3)

    @pytest.mark.parametrize("factor", FACTORS)
    def test_a_resting_input_stays_where_it_is(self, factor: int) -> None:
        path = Reconstruction(RATE, factor)
        path.start_at((0.3, -0.7))
        np.testing.assert_allclose(path.process(two(np.full(100, 0.3), -0.7)), [[0.3, -0.7]] * 100 * factor, atol=1e-6)


class TestStream:
    @pytest.mark.parametrize("factor", UPWARD)
    def test_it_equals_scipys_polyphase_resampling_with_the_same_filter(self, factor: int) -> None:
        samples = noise(3000)
        expected = signal.upfirdn(interpolation_filter(factor), samples.astype(np.float64), factor, axis=0)
        found = Reconstruction(RATE, factor).process(samples)
        np.testing.assert_allclose(found, expected[: len(found)], atol=1e-6)
        centred = signal.resample_poly(
            samples.astype(np.float64), factor, 1, axis=0, window=interpolation_filter(factor) / factor
        )
        late = HALF_LENGTH * factor
        np.testing.assert_allclose(found[late:], centred[: len(found) - late], atol=1e-6)

    @settings(max_examples=30, deadline=None)
    @given(st.sampled_from(FACTORS), st.lists(st.integers(0, 2500), max_size=12))
    def test_there_are_no_seams_between_pieces(self, factor: int, cuts: list[int]) -> None:
        samples = noise(2500)
        whole = Reconstruction(RATE, factor, 5.0, 15_000.0).process(samples)
        path = Reconstruction(RATE, factor, 5.0, 15_000.0)
        pieces = [path.process(piece) for piece in np.split(samples, sorted(cuts))]
        np.testing.assert_array_equal(np.concatenate(pieces), whole)

    @pytest.mark.parametrize("factor", UPWARD)
    def test_samples_stay_on_the_path_and_a_sine_is_filled_in(self, factor: int) -> None:
        # Sampling theorem: a sine below half the rate is known between its samples. C. E. Shannon, "Communication in
        # the presence of noise", Proc. IRE, 1949.
        pitch = 9000.0
        found = Reconstruction(RATE, factor).process(circle(pitch, 0.1))[4 * HALF_LENGTH * factor :]
        t = (np.arange(len(found)) + 3 * HALF_LENGTH * factor) / (RATE * factor)
        expected = two(0.9 * np.cos(2 * np.pi * pitch * t), 0.9 * np.sin(2 * np.pi * pitch * t))
        np.testing.assert_allclose(found, expected, atol=1e-3)

    def test_a_jump_rings_as_a_band_limited_one_does(self) -> None:
        # The Whittaker-Shannon formula, the sum of sample times sinc, over so many samples that its ends do not matter.
        step = np.repeat((-0.5, 0.5), 2000)
        path = Reconstruction(RATE, 8)
        path.start_at((-0.5, 0))
        found = path.process(two(step, 0.0))[:, 0]
        t = 1980 + np.arange(40 * 8) / 8
        expected = (step * np.sinc(t[:, None] - np.arange(4000))).sum(axis=1)
        first = (1980 + HALF_LENGTH) * 8
        np.testing.assert_allclose(found[first : first + len(t)], expected, atol=0.03)
        assert found.max() == pytest.approx(expected.max(), abs=0.005)
        assert found.max() > 0.6

    def test_what_is_on_its_way_comes_out_at_the_end(self) -> None:
        path = Reconstruction(RATE, 4)
        path.start_at((0, 0))
        path.process(two(np.linspace(0, 0.5, 50), 0))
        np.testing.assert_allclose(path.finish()[-1], (0.5, 0), atol=0.05)
        assert path.delay == HALF_LENGTH / RATE


class TestWires:
    def test_coupling_is_scipys_high_pass_of_the_first_order(self) -> None:
        samples = noise(4000)
        found = Reconstruction(RATE, 1, corner=12.0).process(samples)
        expected = signal.lfilter(*signal.butter(1, 12.0, "high", fs=RATE), samples.astype(np.float64), axis=0)
        np.testing.assert_allclose(found, expected, atol=1e-6)

    def test_bandwidth_is_scipys_low_pass_of_the_first_order(self) -> None:
        samples = noise(4000)
        plain = Reconstruction(RATE, 4).process(samples).astype(np.float64)
        found = Reconstruction(RATE, 4, bandwidth=30_000.0).process(samples)
        expected = signal.lfilter(*signal.butter(1, 30_000.0, fs=4 * RATE), plain, axis=0)
        np.testing.assert_allclose(found, expected, atol=1e-6)

    def test_a_bandwidth_beyond_what_is_sampled_takes_nothing_away(self) -> None:
        samples = noise(500)
        wide = Reconstruction(RATE, 4, bandwidth=1e7).process(samples)
        np.testing.assert_array_equal(wide, Reconstruction(RATE, 4).process(samples))

    def test_coupling_brings_a_resting_input_back_to_the_middle(self) -> None:
        path = Reconstruction(RATE, 2, corner=5.0)
        assert np.abs(path.process(two(np.full(48_000, 0.9), -0.9))[-1]).max() < 1e-6

    def test_what_decays_ends_at_nothing_and_never_subnormal(self) -> None:
        path = Reconstruction(RATE, 2, corner=500.0)
        path.process(two(np.full(10, 1.0), 1.0))
        for _ in range(30):
            path.process(np.zeros((10_000, 2)))
        assert not path._memory[0, 1].any()

    @pytest.mark.parametrize("corner", [0.0, -1.0, 24_000.0, np.nan])
    def test_a_corner_that_cannot_be_is_refused(self, corner: float) -> None:
        with pytest.raises(ValueError, match=r"corner of the coupling cannot be .* less than 24000"):
            Reconstruction(RATE, 4, corner=corner)


class TestBadInput:
    @settings(max_examples=40, deadline=None)
    @given(
        hnp.arrays(np.float64, st.tuples(st.integers(0, 60), st.just(2)), elements=st.floats()),
        st.sampled_from(FACTORS),
    )
    def test_no_number_poisons_what_comes_after(self, samples: Samples, factor: int) -> None:
        path = Reconstruction(RATE, factor, 10.0, 20_000.0)
        path.process(as_path(samples))
        path.process(np.zeros((3 * HALF_LENGTH, 2)))
        found = path.process(two(np.full(200, 0.5), 0.5))
        assert np.isfinite(found).all()
        assert np.abs(found).max() < 8

    def test_a_sample_that_is_not_there_leaves_a_gap_of_its_own_length(self) -> None:
        samples = two(np.zeros(200), 0.0)
        samples[50, 1] = np.nan
        gone = np.isnan(Reconstruction(RATE, 4).process(samples)).any(axis=1)
        assert np.flatnonzero(gone).tolist() == list(range(4 * (50 + HALF_LENGTH), 4 * (51 + HALF_LENGTH)))

    @pytest.mark.parametrize("factor", [0, 3, 16, -4])
    def test_other_factors_are_refused_with_those_there_are(self, factor: int) -> None:
        with pytest.raises(ValueError, match="use 1, 2, 4 or 8"):
            Reconstruction(RATE, factor)

    @pytest.mark.parametrize("shape", [(10,), (10, 3), (2, 10, 2)])
    def test_other_shapes_are_refused(self, shape: tuple[int, ...]) -> None:
        with pytest.raises(ValueError, match=r"samples must have the shape \(n, 2\), not \("):
            as_path(np.zeros(shape))
