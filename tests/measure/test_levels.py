"""Levels against closed forms of known waves."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from instrument.measure.levels import Levels, gain_to_db
from tests.measure.signals import Floats, both, metered, sine

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
