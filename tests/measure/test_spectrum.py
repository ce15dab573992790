"""Shares of energy against tones of known power."""

import numpy as np
import pytest
from scipy.signal import welch

from instrument.measure.spectrum import Spectrum
from tests.measure.signals import Floats, both, metered, sine

RATE = 96_000


def spectrum(samples: Floats, rate: int = RATE) -> Spectrum:
    found = metered(Spectrum(rate, samples.shape[1]), samples, rate)
    found.finish()
    return found


@pytest.mark.parametrize("gain", [0.1, 0.5, 1.0])
def test_a_tones_share_is_that_of_its_power(gain: float) -> None:
    # Two sines: power is the square of the amplitude, so the share is g^2 / (1 + g^2).
    samples = both(0.5 * (sine(1000.0, 2.0, RATE) + gain * sine(30_000.0, 2.0, RATE)))
    assert spectrum(samples).share_above(20_000.0) == pytest.approx(gain**2 / (1 + gain**2), rel=1e-3)


@pytest.mark.parametrize(("frequency", "share"), [(19_900.0, 0.0), (20_100.0, 1.0)])
def test_the_edge_is_sharp(frequency: float, share: float) -> None:
    assert spectrum(both(sine(frequency, 1.0, RATE))).share_above(20_000.0) == pytest.approx(share, abs=1e-4)


def test_channels_are_added() -> None:
    samples = np.column_stack((sine(1000.0, 1.0, RATE), sine(40_000.0, 1.0, RATE)))
    assert spectrum(samples).share_above(20_000.0) == pytest.approx(0.5, abs=1e-3)


def test_dc_hides_nothing() -> None:
    samples = both(0.9 + 0.01 * sine(30_000.0, 1.0, RATE))
    assert spectrum(samples).share_above(20_000.0) == pytest.approx(1.0, abs=1e-4)


def test_nothing_lies_above_half_the_rate_and_silence_has_no_shares() -> None:
    assert spectrum(both(sine(1000.0, 1.0, 32_000)), 32_000).share_above(20_000.0) == 0.0
    assert spectrum(np.zeros((RATE, 2))).share_above(20_000.0) == 0.0


def test_a_sound_shorter_than_a_window_has_its_share_too() -> None:
    samples = both(sine(1000.0, 0.02, RATE) + sine(30_000.0, 0.02, RATE))
    assert spectrum(samples).share_above(20_000.0) == pytest.approx(0.5, abs=0.01)


def test_white_noise_has_the_density_that_welch_gives_it() -> None:
    # scipy.signal.welch is the reference, with the same window and overlap.
    noise = 0.1 * np.random.default_rng(1).standard_normal((3 * RATE, 2))
    found = spectrum(noise)
    _, theirs = welch(noise, RATE, "hann", found.size, axis=0)
    assert np.median(found.density[10:-10] / theirs[10:-10]) == pytest.approx(1.0, abs=0.02)
    assert found.share_above(0.45 * RATE) == pytest.approx(0.1, abs=0.005)
