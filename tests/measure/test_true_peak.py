"""True peak against the signals of EBU Tech 3341, annex 2 of ITU-R BS.1770, and exact interpolation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample

from instrument.measure.levels import gain_to_db
from instrument.measure.true_peak import FACTOR, PHASES, TruePeak
from tests.measure.signals import Floats, metered, sine
from tests.reference.loudness import OFFSET_TRUE_PEAK, TRUE_PEAK, TRUE_PEAK_ABOVE, TRUE_PEAK_BELOW, UNDER_READ

RATE = 48_000


def true_peak_db(wave: Floats, rate: int = RATE) -> float:
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
    found = true_peak_db(faded(sine(RATE / divisor, 0.5, amplitude=amplitude, degrees=degrees)))
    assert wanted - TRUE_PEAK_BELOW <= found <= wanted + TRUE_PEAK_ABOVE


@pytest.mark.parametrize("offset", range(4))
def test_a_full_scale_sine_reads_the_same_wherever_it_was_sampled(offset: int) -> None:
    # Cases 20 to 23 of EBU Tech 3341.
    wave = faded(sine(RATE / 4, 0.5, 4 * RATE))[offset::4]
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
        true_peak_db(faded(sine(part * RATE, 0.1, degrees=degrees)))
        for degrees in np.linspace(0, 180, 7, endpoint=False)
    )
    ripple = 0.1 if part <= 0.4 else 0.5
    assert -under - ripple <= worst <= ripple


def test_a_quarter_of_the_rate_at_45_degrees_hides_3_db_between_its_samples() -> None:
    # Annex 2's example of what sample peaks miss: samples at 0.7071 of the peak.
    wave = faded(sine(RATE / 4, 0.2, degrees=45.0))
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
