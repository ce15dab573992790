"""The output section: level, swap, invert, gain, offset, DC removal and delay of the two channels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import bilinear, lfilter

from instrument.engine.signal.output import LONGEST_DELAY, guard
from tests.engine.playing import RATE, bare_program, dot, exact, one_circle, started, terms
from tests.strategies import AWKWARD, any_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program


FREQUENCY = 110.0


def put_out(program: Program, frames: int, **settings: float) -> NDArray[np.float64]:
    """Return what a program puts out; names like `gain_x` for output.gain.x."""
    for name, value in settings.items():
        program.set(f"output.{name.replace('_', '.')}", value)
    return exact(started(program), frames)


@pytest.mark.parametrize(
    ("settings", "wanted"),
    [
        ({}, (0.5, 0.25)),
        ({"level": 0.5}, (0.25, 0.125)),
        ({"swap": 1.0}, (0.25, 0.5)),
        ({"swap": 0.5}, (0.375, 0.375)),
        ({"invert_x": 1.0}, (-0.5, 0.25)),
        ({"invert_y": 1.0}, (0.5, -0.25)),
        ({"invert_x": 0.5}, (0.0, 0.25)),
        ({"gain_x": 0.5, "gain_y": -2.0}, (0.25, -0.5)),
        ({"offset_x": 0.25, "offset_y": -0.5}, (0.75, -0.25)),
        ({"swap": 1.0, "gain_x": 0.5, "invert_y": 1.0, "offset_y": 0.125}, (0.125, -0.375)),
    ],
)
def test_each_setting_does_its_arithmetic(settings: dict[str, float], wanted: tuple[float, float]) -> None:
    np.testing.assert_array_equal(put_out(dot(0.5, 0.25), 5, **settings), [wanted] * 5)


def test_a_default_output_section_changes_no_bit() -> None:
    points = np.random.default_rng(1).uniform(-0.6, 0.6, (977, 3))
    program = bare_program()
    program.draw_path(0, points)
    program.schedule()
    engine = started(program)
    for _ in range(20):
        found = exact(engine, 64)
        for column, axis in enumerate("xy"):
            assert found[:, column].tobytes() == engine.record[f"scratch_{axis}"].tobytes()


@pytest.mark.parametrize("delay", [1, 2, 3, 17, 64, 100, 1000, int(LONGEST_DELAY)])
def test_a_delay_of_whole_samples_is_exact(delay: int) -> None:
    frames = 6000
    plain = put_out(one_circle(), frames)
    later = put_out(one_circle(), frames, delay_y=delay)
    np.testing.assert_array_equal(later[:, 0], plain[:, 0])
    assert later[delay:, 1].tobytes() == plain[:-delay, 1].tobytes()


@pytest.mark.parametrize("delay", [0.25, 0.5, 0.75, 1.5, 2.001, 10.3, 100.9])
def test_a_fractional_delay_shifts_a_sine_by_that_much(delay: float) -> None:
    found = put_out(one_circle(), 2000, delay_x=delay, delay_y=delay)
    angle = 2 * np.pi * FREQUENCY / RATE * (np.arange(1, 2001) - delay)
    settled = slice(int(delay) + 4, None)
    np.testing.assert_allclose(found[settled, 0], 0.5 * np.cos(angle[settled]), atol=1e-8)
    np.testing.assert_allclose(found[settled, 1], 0.5 * np.sin(angle[settled]), atol=1e-8)


@pytest.mark.parametrize(
    ("asked", "given"), [(-1.0, 0.0), (1e9, LONGEST_DELAY), (np.inf, LONGEST_DELAY), (np.nan, 0.0)]
)
def test_a_delay_out_of_range_stays_at_the_end_of_it(asked: float, given: float) -> None:
    np.testing.assert_array_equal(
        put_out(one_circle(), 5000, delay_x=asked), put_out(one_circle(), 5000, delay_x=given)
    )


def test_a_delay_can_be_turned_while_playing() -> None:
    program = one_circle()
    program.record["ramp_seconds"] = 0.1
    engine = started(program)
    exact(engine, 1000)
    engine.set("output.delay.x", 48.0)
    found = exact(engine, 4800)[:, 0]
    samples = np.arange(1, 4801)
    angle = 2 * np.pi * FREQUENCY / RATE * (samples + 1000 - 48.0 * samples / 4800)
    np.testing.assert_allclose(found, 0.5 * np.cos(angle), atol=1e-7)


@pytest.mark.parametrize("rate", [44100.0, 48000.0, 192000.0])
@pytest.mark.parametrize("corner", [0.5, 5.0, 20.0, 1000.0])
def test_dc_removal_is_the_bilinear_first_order_high_pass(corner: float, rate: float) -> None:
    program = one_circle()
    program.set("output.offset.x", 0.3)
    program.set("output.offset.y", -0.2)
    frames = 5000
    plain = exact(started(program, rate), frames)
    program.set("output.ac", 1.0)
    program.set("output.corner", corner)
    found = exact(started(program, rate), frames)
    b, a = bilinear([1.0, 0.0], [1.0, 2 * np.pi * corner], rate)
    first = [[0.5 + 0.3, -0.2]]  # sample 0 of the circle, which went by with the start
    wanted = lfilter(b, a, np.concatenate([first, plain]), axis=0)[1:]
    np.testing.assert_allclose(found, wanted, atol=1e-12)


def test_dc_removal_takes_a_constant_out_and_leaves_the_picture() -> None:
    program = one_circle()
    program.set("output.offset.x", 0.4)
    program.set("output.ac", 1.0)
    engine = started(program)
    engine.render(int(RATE))
    found = exact(engine, int(RATE))
    assert abs(found[:, 0].mean()) < 1e-4
    assert np.ptp(found[:, 0]) == pytest.approx(1.0, abs=2e-3)


def test_dc_passes_where_it_is_not_taken_out() -> None:
    np.testing.assert_array_equal(put_out(dot(0.123456789, -0.7), 9000, corner=500.0)[-1], [0.123456789, -0.7])


def test_after_ten_minutes_of_decay_the_filters_memory_is_zero_rather_than_subnormal() -> None:
    rate, second = 8000, np.zeros((8000, 2), np.float32)
    program = dot(0.5, -0.5)
    program.set("output.ac", 1.0)
    engine = started(program, rate)
    for _ in range(600):
        engine.render_into(second)
    instance = engine.record["instances"][int(engine.record["active"])]
    assert (instance["dc_out"] == 0.0).all()
    assert (second == 0.0).all()


def test_after_ten_minutes_no_value_of_the_state_is_subnormal() -> None:
    rate, second = 8000, np.zeros((8000, 2), np.float32)
    program = bare_program()
    program.draw_harmonic(0, (terms((0.5, 1.5, 0.25)), terms((0.5, 1, 0)), terms((0.1, 3, 0))))
    for address, value in {
        "output.ac": 1.0,
        "output.delay.x": 20.5,
        "layer.1.place.camera": 3.0,
        "layer.1.place.spin.y": 0.3,
    }.items():
        program.set(address, value)
    program.schedule()
    engine = started(program, rate)
    engine.set("layer.1.level", 0.0)
    for _ in range(600):
        engine.render_into(second)
    smallest_normal = np.finfo(np.float64).tiny
    for field in ("rows", "value", "carry", "last_ratio", "last_position", "delay", "dc_in", "dc_out"):
        sizes = np.abs(engine.record["instances"][field])
        assert not ((sizes > 0.0) & (sizes < smallest_normal)).any(), field


@pytest.mark.parametrize("number", [np.inf, np.nan, 1e308])
def test_the_filter_forgets_an_absurd_number_as_fast_as_its_corner_says(number: float) -> None:
    program = one_circle()
    program.set("output.ac", 1.0)
    program.set("output.corner", 20.0)
    undisturbed = started(program)
    engine = started(program)
    engine.set("output.gain.x", number)
    for each in (engine, undisturbed):
        each.render(480)
    engine.set("output.gain.x", 1.0)
    for each in (engine, undisturbed):
        each.render(int(RATE / 2))
    np.testing.assert_allclose(exact(engine, 480), exact(undisturbed, 480), atol=1e-12)


@numba.njit(error_model="numpy")
def _guard_each(values, knee, limit, out):  # type: ignore[no-untyped-def]
    for i in range(len(values)):
        out[i] = guard(values[i], knee, limit)


def guarded(values: NDArray[np.float64], knee: float = 0.9, limit: float = 1.0) -> NDArray[np.float64]:
    out = np.zeros_like(values)
    _guard_each(values, knee, limit, out)
    return out


@given(st.lists(st.floats(-0.9, 0.9), min_size=1, max_size=64))
def test_what_is_below_the_knee_passes_bit_exactly(values: list[float]) -> None:
    signal = np.array(values)
    assert guarded(signal).tobytes() == signal.tobytes()


@given(st.lists(any_number(), min_size=1, max_size=64), any_number(), any_number())
def test_nothing_leaves_full_scale_whatever_the_signal_the_knee_and_the_limit(
    values: list[float], knee: float, limit: float
) -> None:
    out = guarded(np.array(values), knee, limit)
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= (0.0 if np.isnan(limit) else min(max(limit, 0.0), 1.0))


@given(any_number(), any_number(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_larger_value_never_comes_out_smaller(a: float, b: float, knee: float, limit: float) -> None:
    low, high = guarded(np.sort([0.0 if np.isnan(v) else v for v in (a, b)]), knee, limit)
    assert low <= high


def test_it_grows_all_the_way_over_a_fine_sweep() -> None:
    out = guarded(np.linspace(-3.0, 3.0, 200_001))
    assert (np.diff(out) > 0.0).all()


@given(any_number(), any_number(), any_number())
def test_it_treats_both_signs_alike(value: float, knee: float, limit: float) -> None:
    above, below = guarded(np.array([value, -value]), knee, limit)
    assert above == -below


def test_infinity_comes_out_at_the_limit_and_nan_at_the_centre() -> None:
    out = guarded(np.array([np.inf, -np.inf, np.nan]), 0.5, 0.75)
    np.testing.assert_allclose(out[:2], [0.75, -0.75], rtol=1e-12)
    assert out[2] == 0.0


def test_the_bend_begins_without_an_edge() -> None:
    step = 1e-6
    below, at, above = guarded(np.array([0.9 - step, 0.9, 0.9 + step]))
    assert abs((above - at) - (at - below)) < 1e-10


def test_a_limit_above_full_scale_is_full_scale() -> None:
    assert np.abs(guarded(np.array([*AWKWARD, 7.0]), 3.0, 5.0)).max() <= 1.0


def test_a_knee_at_the_limit_clips() -> None:
    np.testing.assert_array_equal(guarded(np.array([0.3, 0.7, 0.71, 9.0]), 0.7, 0.7), [0.3, 0.7, 0.7, 0.7])
