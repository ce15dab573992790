"""Levels against closed forms of known waves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.signal import resample

from instrument.measure.levels import FACTOR, PHASES, Levels, TruePeak, gain_to_db
from tests.measure.signals import Floats, both, metered, sine
from tests.reference.loudness import OFFSET_TRUE_PEAK, TRUE_PEAK, TRUE_PEAK_ABOVE, TRUE_PEAK_BELOW, UNDER_READ

RATE = 8000


def levels(samples: Floats, rate: int = RATE) -> Levels:
    return metered(Levels(samples.shape[1]), samples, rate)


def test_a_full_scale_sine_has_an_rms_of_3_01_db_below_full_scale() -> None:
    # 20 log10(1 / sqrt 2) = -3.0103: AES17 (2020), 3.12, defines full scale by the sine's peak (from memory).
    found = levels(both(sine(1000.0, 2.5)), 48_000)
    assert [gain_to_db(value) for value in found.rms] == pytest.approx([-3.0103, -3.0103], abs=1e-3)
    assert found.crest_db == pytest.approx(3.0103, abs=1e-3)
    assert found.peak.tolist() == pytest.approx([1.0, 1.0])


def test_a_square_wave_has_no_crest_and_a_triangle_one_of_4_77_db() -> None:
    # RMS 1 and 1 / sqrt 3 of a peak of 1 (any textbook of electrical engineering).
    turns = np.arange(RATE) * 100 / RATE
    assert levels(both(np.where(turns % 1 < 0.5, 0.5, -0.5))).crest_db == pytest.approx(0.0)
    triangle = 4 * np.abs((turns % 1) - 0.5) - 1
    assert levels(both(triangle)).crest_db == pytest.approx(20 * math.log10(math.sqrt(3)), abs=0.01)


def test_dc_is_the_mean_and_that_of_the_worst_second_is_not_averaged_away() -> None:
    samples = np.column_stack((sine(100.0, 4.0, RATE) + 0.25, np.repeat([0.0, 0.5, -0.5, 0.0], RATE)))
    found = levels(samples)
    assert found.dc.tolist() == pytest.approx([0.25, 0.0], abs=1e-9)
    assert found.dc_second.tolist() == pytest.approx([0.25, 0.5], abs=1e-9)


@pytest.mark.parametrize("degrees", [0.0, 60.0, 90.0, 120.0, 180.0])
def test_two_sines_correlate_by_the_cosine_of_their_phase(degrees: float) -> None:
    # The mean of sin(a) sin(a + p) is cos(p) / 2, and that of each squared 1 / 2 (any textbook of trigonometry).
    samples = np.column_stack((sine(100.0, 3.0, RATE), 0.1 * sine(100.0, 3.0, RATE, degrees=degrees)))
    assert levels(samples).correlation == pytest.approx(math.cos(math.radians(degrees)), abs=1e-9)


def test_an_offset_does_not_correlate() -> None:
    samples = np.column_stack((sine(100.0, 2.0, RATE), sine(100.0, 2.0, RATE, degrees=90.0))) * 1e-3 + 0.9
    assert levels(samples).correlation == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("samples", [np.zeros((100, 2)), np.full((100, 2), 0.1), np.zeros((100, 1))])
def test_what_does_not_move_correlates_with_nothing(samples: Floats) -> None:
    assert levels(samples).correlation is None


def test_silence_has_no_crest() -> None:
    assert levels(np.zeros((100, 2))).crest_db is None


def test_what_is_not_finite_is_counted_and_left_out() -> None:
    clean = np.column_stack((sine(100.0, 2.0, RATE), sine(300.0, 2.0, RATE)))
    kept = levels(clean)
    dirty = np.insert(clean, [10, RATE, RATE], [[np.nan, -np.inf], [np.inf, np.nan], [1e39, -1e300]], axis=0)
    found = levels(dirty)
    assert found.nonfinite == 6
    for name in ("peak", "rms", "dc"):
        assert getattr(found, name).tolist() == pytest.approx(getattr(kept, name).tolist())
    assert found.correlation == pytest.approx(kept.correlation)


def test_one_bad_channel_leaves_the_other_whole() -> None:
    found = levels(np.column_stack((np.full(50, np.nan), np.full(50, 0.5))))
    assert found.nonfinite == 50
    assert found.rms.tolist() == [0.0, 0.5]
    assert found.correlation is None


samples_of_two = hnp.arrays(np.float64, st.tuples(st.integers(2, 60), st.just(2)), elements=st.floats(-1, 1, width=32))


@settings(deadline=None, max_examples=50)
@given(samples_of_two)
def test_second_by_second_is_the_same_as_all_at_once(samples: Floats) -> None:
    # Ten samples to the second stand for a rate here; numpy's own reductions are the reference.
    found = levels(samples, 10)
    assert found.frames == len(samples)
    assert found.rms == pytest.approx(np.sqrt(np.mean(samples**2, axis=0)), abs=1e-12)
    assert found.dc == pytest.approx(samples.mean(axis=0), abs=1e-12)
    assert found.peak.tolist() == np.abs(samples).max(axis=0).tolist()
    assert found.peaks.max(axis=0).tolist() == found.peak.tolist()
    if found.correlation is not None and samples.std(axis=0).min() > 1e-3:
        theirs = np.corrcoef(samples[:, 0], samples[:, 1])
        assert found.correlation == pytest.approx(np.asarray(theirs)[0, 1], abs=1e-6)


TRUE_PEAK_RATE = 48_000


def true_peak_db(wave: Floats, rate: int = TRUE_PEAK_RATE) -> float:
    meter = metered(TruePeak(1), wave[:, None], rate)
    meter.finish()
    found = gain_to_db(float(meter.peak[0]))
    assert found is not None
    return found


def faded(wave: Floats, frames: int = 480) -> Floats:
    """A wave that begins and ends softly, so that only its middle has peaks."""
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / frames)
    shape = np.ones(len(wave))
    shape[:frames], shape[-frames:] = ramp, ramp[::-1]
    return wave * shape


@pytest.mark.parametrize("case", TRUE_PEAK)
def test_a_signal_of_ebu_tech_3341_reads_as_it_says(case: int) -> None:
    divisor, amplitude, degrees, wanted = TRUE_PEAK[case]
    found = true_peak_db(faded(sine(TRUE_PEAK_RATE / divisor, 0.5, amplitude=amplitude, degrees=degrees)))
    assert wanted - TRUE_PEAK_BELOW <= found <= wanted + TRUE_PEAK_ABOVE


@pytest.mark.parametrize("offset", range(4))
def test_a_full_scale_sine_reads_the_same_wherever_it_was_sampled(offset: int) -> None:
    # Cases 20 to 23 of EBU Tech 3341.
    wave = faded(sine(TRUE_PEAK_RATE / 4, 0.5, 4 * TRUE_PEAK_RATE))[offset::4]
    assert OFFSET_TRUE_PEAK - TRUE_PEAK_BELOW <= true_peak_db(wave) <= OFFSET_TRUE_PEAK + TRUE_PEAK_ABOVE


@pytest.mark.parametrize("share", UNDER_READ)
def test_the_annexs_under_read_is_its_formula(share: int) -> None:
    # Annex 2 gives 20 log10(cos(pi f / n)) for a frequency of f times the rate and n-fold oversampling.
    found = [-20 * math.log10(math.cos(math.pi * part / share)) for part in (0.45, 0.5)]
    assert found == pytest.approx(UNDER_READ[share], abs=6e-4)


@pytest.mark.parametrize("part", [0.02, 0.1, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45])
def test_a_sine_is_never_read_lower_than_the_annex_allows(part: float) -> None:
    # To the under-read of ideal four-fold oversampling the tabulated filter's own ripple is added; it is within
    # 0.1 dB up to 0.4 of the rate, and the filter falls off behind (found here, no source).
    under = -20 * math.log10(math.cos(math.pi * part / FACTOR))
    worst = min(
        true_peak_db(faded(sine(part * TRUE_PEAK_RATE, 0.1, degrees=degrees)))
        for degrees in np.linspace(0, 180, 7, endpoint=False)
    )
    ripple = 0.1 if part <= 0.4 else 0.5
    assert -under - ripple <= worst <= ripple


def test_a_quarter_of_the_rate_at_45_degrees_hides_3_db_between_its_samples() -> None:
    # Annex 2's example of what sample peaks miss: samples at 0.7071 of the peak.
    wave = faded(sine(TRUE_PEAK_RATE / 4, 0.2, degrees=45.0))
    assert np.abs(wave).max() == pytest.approx(math.sqrt(0.5), abs=1e-6)
    assert true_peak_db(wave) == pytest.approx(0.0, abs=0.1)


def test_each_phase_passes_a_constant_within_the_filters_ripple() -> None:
    # -0.24 dB for the two phases between the samples is what the annex's table adds up to.
    assert PHASES.sum(axis=1) == pytest.approx(1.0, abs=0.03)


def test_a_jump_rings_over_its_samples() -> None:
    # Interpolated without end, samples of a jump overshoot it by 14.1 percent, here of 2: 1.282, +2.16 dB (G. Helmberg,
    # The Gibbs phenomenon for Fourier interpolation, 1994; from memory). Twelve samples of a filter see most of it.
    wave = faded(np.repeat([-1.0, 1.0], 4000))
    exact = 20 * math.log10(np.abs(resample(wave, 16 * len(wave))).max())
    assert exact == pytest.approx(2.16, abs=0.02)
    assert true_peak_db(wave) == pytest.approx(exact, abs=0.5)


def test_what_rings_behind_the_last_sample_counts() -> None:
    # The samples themselves reach -6.02 dB.
    assert true_peak_db(np.concatenate([np.zeros(100), [0.5, -0.5]])) > -5.9


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(-1, 1, width=32), min_size=1, max_size=50).filter(any), st.integers(5, 60))
def test_cutting_into_seconds_changes_nothing(values: list[float], rate: int) -> None:
    wave = np.array(values)
    at_once = true_peak_db(wave, 1000)
    assert true_peak_db(wave, rate) == pytest.approx(at_once, abs=1e-9)
    assert at_once >= 20 * math.log10(np.abs(wave).max()) - 1e-12
