"""Delay and filters, against sample-exact and published references."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, freqz, lfilter

from instrument.engine.forms.delays_and_filters import LONGEST_DELAY
from tests.engine.forming import RATE, Bench, drawing

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOW_AND_HIGH = ("lowpass", "highpass")

BUTTERWORTH = 1 / np.sqrt(2)


def delays(x: float, y: float, z: float, /, **feedback: float) -> Bench:
    """Return a bench of the delay form, its times in samples."""
    bench = Bench(["delay"], delay_x=x / RATE, delay_y=y / RATE, delay_z=z / RATE)
    for axis, value in feedback.items():
        bench.set(f"delay.feedback.{axis}", value)
    return bench


def shifted(signal: NDArray[np.float64], samples: int) -> NDArray[np.float64]:
    return np.concatenate([np.zeros(samples), signal])[: len(signal)]


@pytest.mark.parametrize("samples", [(0, 1, 2), (63, 64, 65), (7, 500, 1999)])
def test_a_delay_of_whole_samples_is_exact(samples: tuple[int, int, int]) -> None:
    points = drawing(2000)
    found = delays(*samples).form(points)
    for axis, count in enumerate(samples):
        np.testing.assert_array_equal(found[:, axis], shifted(points[:, axis], count))


@settings(max_examples=30)
@given(samples=st.floats(0.0, 100.0))
def test_a_fraction_of_a_sample_lies_on_the_line_between_two(samples: float) -> None:
    points = drawing(200)
    late = samples / RATE * RATE
    whole = int(late)
    f = late - whole
    x = points[:, 0]
    wanted = (1 - f) * shifted(x, whole) + f * shifted(x, whole + 1)
    np.testing.assert_allclose(delays(samples, 0, 0).form(points)[:, 0], wanted, rtol=0, atol=3e-10)


@settings(max_examples=30)
@given(samples=st.integers(1, 90), feedback=st.floats(-0.99, 0.99))
def test_feedback_is_a_comb_filter(samples: int, feedback: float) -> None:
    # y[n] = x[n - d] + g y[n - d] (J. O. Smith, Physical Audio Signal Processing, 2010, Feedback Comb Filters).
    points = drawing(500)
    numerator = np.r_[np.zeros(samples), 1.0]
    denominator = np.r_[1.0, np.zeros(samples - 1), -feedback]
    wanted = lfilter(numerator, denominator, points[:, 1])
    found = delays(0, samples, 0, y=feedback).form(points)
    np.testing.assert_allclose(found[:, 1], wanted, rtol=0, atol=1e-12)


def test_the_amount_blends_the_delayed_drawing_with_the_drawing() -> None:
    points = drawing()
    bench = delays(10, 20, 30)
    bench.set("delay.amount", 0.25)
    wanted = np.column_stack([0.75 * points[:, k] + 0.25 * shifted(points[:, k], 10 * (k + 1)) for k in range(3)])
    np.testing.assert_allclose(bench.form(points), wanted, rtol=0, atol=1e-15)


@pytest.mark.parametrize("seconds", [10.0, 1e308, np.inf])
def test_a_delay_longer_than_the_line_is_as_long_as_the_line(seconds: float) -> None:
    longest = int(LONGEST_DELAY)
    points = drawing(longest + 500)
    found = Bench(["delay"], delay_x=seconds).form(points)
    np.testing.assert_array_equal(found[:, 0], shifted(points[:, 0], longest))


@pytest.mark.parametrize("seconds", [-1.0, -np.inf, np.nan, 0.0, 5e-324])
def test_a_delay_of_no_time_passes_samples_as_they_come(seconds: float) -> None:
    points = drawing()
    np.testing.assert_array_equal(Bench(["delay"], delay_x=seconds).form(points)[:, 0], points[:, 0])


def test_a_delay_that_moves_reads_where_it_is_set_to_at_each_sample() -> None:
    # A line that grows by 1 a sample: with a delay of d it reads n - d, wherever it has begun.
    points = np.zeros((600, 3))
    points[:, 0] = np.arange(600)
    samples = 100 + 90 * np.sin(np.arange(600) / 17)
    found = Bench(["delay"], delay_x=samples / RATE).form(points)
    np.testing.assert_allclose(found[300:, 0], points[300:, 0] - samples[300:], rtol=1e-12)


def test_an_echo_that_has_died_away_is_silent() -> None:
    points = np.zeros((9000, 3))
    points[0] = 1.0
    found = delays(10, 10, 10, x=0.5, y=-0.5, z=0.9).form(points)
    assert (found[-100:] == 0.0).all()


def test_feedback_without_measure_is_bounded_and_forgotten() -> None:
    bench = delays(10, 10, 10)
    points = drawing(400)
    for value in (np.inf, -np.inf, np.nan, 1e308, 3.0):
        for axis in "xyz":
            bench.set(f"delay.feedback.{axis}", value)
        during = bench.form(points)
        assert np.isfinite(during).all()
        assert np.abs(during).max() <= 1000.0
        for axis in "xyz":
            bench.set(f"delay.feedback.{axis}", 0.0)
        bench.form(points)
        np.testing.assert_array_equal(bench.form(points)[10:], points[:-10])


def design(kind: str, cutoff: float, resonance: float) -> tuple[NDArray[np.longdouble], NDArray[np.longdouble]]:
    """Return the bilinear transform of a second-order section of the given cutoff and Q.

    R. Bristow-Johnson, Cookbook formulae for audio equalizer biquad filter coefficients (W3C Note, 2021): LPF, HPF.
    In extended precision, because a direct form such as that of lfilter loses digits as the cutoff goes down.
    """
    pi = np.longdouble("3.14159265358979323846264338327950288")
    w = 2 * pi * np.longdouble(cutoff) / RATE
    alpha = np.sin(w) / (2 * resonance)
    middle = 1 - np.cos(w) if kind == "lowpass" else -(1 + np.cos(w))
    b = np.array([abs(middle) / 2, middle, abs(middle) / 2])
    a = np.array([1 + alpha, -2 * np.cos(w), 1 - alpha])
    return b / a[0], a / a[0]


def filters(kind: str, cutoffs: tuple[float, float, float], resonance: float) -> Bench:
    bench = Bench([kind])
    bench.set(f"{kind}.resonance", resonance)
    for axis, cutoff in zip("xyz", cutoffs, strict=True):
        bench.set(f"{kind}.cutoff.{axis}", cutoff)
    return bench


@pytest.mark.parametrize("kind", LOW_AND_HIGH)
@settings(max_examples=40)
@given(cutoffs=st.tuples(*[st.floats(50.0, 20_000.0)] * 3), resonance=st.floats(0.3, 20.0))
def test_a_filter_at_rest_equals_the_bilinear_design(
    kind: str, cutoffs: tuple[float, float, float], resonance: float
) -> None:
    points = drawing(2000)
    found = filters(kind, cutoffs, resonance).form(points)
    for axis, cutoff in enumerate(cutoffs):
        wanted = lfilter(*design(kind, cutoff, resonance), points[:, axis].astype(np.longdouble))
        np.testing.assert_allclose(found[:, axis], wanted.astype(np.float64), rtol=0, atol=1e-12)


@pytest.mark.parametrize("kind", LOW_AND_HIGH)
@pytest.mark.parametrize("cutoff", [100.0, 1000.0, 8000.0])
def test_the_default_resonance_is_butterworths(kind: str, cutoff: float) -> None:
    b, a = butter(2, cutoff, kind, fs=RATE)
    points = drawing(3000)
    wanted = lfilter(b, a, points[:, 0])
    found = filters(kind, (cutoff, 500.0, 500.0), BUTTERWORTH).form(points)
    np.testing.assert_allclose(found[:, 0], wanted, rtol=0, atol=1e-11)


@pytest.mark.parametrize("kind", LOW_AND_HIGH)
def test_the_response_to_an_impulse_has_the_butterworth_spectrum(kind: str) -> None:
    count = 1 << 14
    impulse = np.zeros((count, 3))
    impulse[0] = 1.0
    found = filters(kind, (1000.0, 1000.0, 1000.0), BUTTERWORTH).form(impulse)
    frequencies, wanted = freqz(
        *butter(2, 1000.0, kind, fs=RATE), worN=np.arange(count // 2 + 1) * RATE / count, fs=RATE
    )
    assert len(frequencies) == count // 2 + 1
    np.testing.assert_allclose(np.fft.rfft(found[:, 2]), wanted, atol=1e-11)


def test_low_pass_and_high_pass_leave_3_decibels_at_their_cutoff() -> None:
    seconds = np.arange(48000) / RATE
    tone = np.sin(2 * np.pi * 1000.0 * seconds)
    for kind in LOW_AND_HIGH:
        found = filters(kind, (1000.0, 1000.0, 1000.0), BUTTERWORTH).form(np.column_stack([tone] * 3))
        assert np.std(found[24000:, 0]) / np.std(tone) == pytest.approx(BUTTERWORTH, rel=1e-6)


@pytest.mark.parametrize("kind", LOW_AND_HIGH)
def test_a_cutoff_that_moves_at_audio_rate_never_runs_away(kind: str) -> None:
    count = 20_000
    cutoff = 10_000 + 9_990 * np.sin(2 * np.pi * 3000.0 * np.arange(count) / RATE)
    resonance = np.where(np.arange(count) // 50 % 2 == 0, 0.5, 50.0)
    bench = Bench([kind], **{f"{kind}_cutoff_{axis}": cutoff for axis in "xyz"}, **{f"{kind}_resonance": resonance})
    assert np.abs(bench.form(drawing(count))).max() < 100.0


@pytest.mark.parametrize("kind", LOW_AND_HIGH)
def test_a_cutoff_that_moves_gives_the_bits_of_a_still_one_while_it_stands(kind: str) -> None:
    points = drawing(300)
    still = filters(kind, (700.0, 800.0, 900.0), 2.0).form(points)
    bench = filters(kind, (700.0, 800.0, 900.0), 2.0)
    bench.set(f"{kind}.cutoff.x", np.full(300, 700.0))
    bench.set(f"{kind}.resonance", np.full(300, 2.0))
    assert bench.form(points).tobytes() == still.tobytes()


@pytest.mark.parametrize("kind", LOW_AND_HIGH)
@pytest.mark.parametrize("number", [np.inf, -np.inf, np.nan, 1e308, -1e308, 5e-324, 0.0, -3.0])
@pytest.mark.parametrize("which", ["cutoff.x", "resonance", "signal"])
def test_no_number_stays_in_a_filter(kind: str, number: float, which: str) -> None:
    bench, twin = filters(kind, (500.0, 500.0, 500.0), 1.0), None
    points = drawing(4000)
    if which == "signal":
        bench.form(np.full((500, 3), number))
    else:
        usual = 500.0 if which == "cutoff.x" else 1.0
        bench.set(f"{kind}.{which}", number)
        assert np.isfinite(bench.form(points)).all()
        bench.set(f"{kind}.{which}", usual)
    found = bench.form(points)
    twin = filters(kind, (500.0, 500.0, 500.0), 1.0)
    np.testing.assert_allclose(found[2000:], twin.form(points)[2000:], atol=1e-9)


@pytest.mark.parametrize("kind", LOW_AND_HIGH)
def test_a_filter_that_has_died_away_is_silent(kind: str) -> None:
    points = np.zeros((6000, 3))
    points[:10] = 1.0
    filters(kind, (1000.0, 1000.0, 1000.0), 1.0).form(points)
    bench = filters(kind, (1000.0, 1000.0, 1000.0), 1.0)
    bench.form(points)
    assert (bench.state["forms"][kind]["integrators"] == 0.0).all()


def test_a_low_pass_of_no_frequency_holds_and_goes_on() -> None:
    bench = filters("lowpass", (1000.0, 1000.0, 1000.0), BUTTERWORTH)
    bench.form(np.full((2000, 3), 0.5))
    bench.set("lowpass.cutoff.x", 0.0)
    held = bench.form(drawing(100))[:, 0]
    np.testing.assert_allclose(held, 0.5, atol=1e-12)
    bench.set("lowpass.cutoff.x", 1000.0)
    np.testing.assert_allclose(bench.form(np.full((2000, 3), -0.25))[-1, 0], -0.25, atol=1e-12)
