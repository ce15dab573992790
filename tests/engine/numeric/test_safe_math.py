"""The numeric functions of the sample loops, against NumPy and for every float."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numba
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numba import njit

from instrument.engine.numeric import safe_math
from instrument.engine.numeric.safe_math import (
    HUGE,
    choice,
    clamp,
    exp2,
    finite,
    phase_to_turns,
    sincos_turn,
    turns_to_phase,
    wrap_turn,
)
from tests.strategies import AWKWARD, any_number, finite_number

if TYPE_CHECKING:
    from numpy.typing import NDArray


@numba.njit(error_model="numpy")
def _sincos_each(turns, sine, cosine):  # type: ignore[no-untyped-def]
    for i in range(len(turns)):
        sine[i], cosine[i] = sincos_turn(turns[i])


@numba.njit(error_model="numpy")
def _exp2_each(x, out):  # type: ignore[no-untyped-def]
    for i in range(len(x)):
        out[i] = exp2(x[i])


@numba.njit(error_model="numpy")
def _phase_each(turns, out):  # type: ignore[no-untyped-def]
    for i in range(len(turns)):
        out[i] = turns_to_phase(turns[i])


@numba.njit(error_model="numpy")
def _turns_each(phases, out):  # type: ignore[no-untyped-def]
    for i in range(len(phases)):
        out[i] = phase_to_turns(phases[i])


@numba.njit(error_model="numpy")
def _bound_each(x, low, high, count, clamped, chosen, wrapped, bounded):  # type: ignore[no-untyped-def]
    for i in range(len(x)):
        clamped[i] = clamp(x[i], low, high)
        chosen[i] = choice(x[i], count)
        wrapped[i] = wrap_turn(x[i])
        bounded[i] = finite(x[i])


def sincos(turns: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    sine, cosine = np.zeros_like(turns), np.zeros_like(turns)
    _sincos_each(turns, sine, cosine)
    return sine, cosine


def two_to(x: NDArray[np.float64]) -> NDArray[np.float64]:
    out = np.zeros_like(x)
    _exp2_each(x, out)
    return out


def phase_of(turns: list[float]) -> NDArray[np.uint64]:
    out = np.zeros(len(turns), np.uint64)
    _phase_each(np.array(turns), out)
    return out


def bounds_of(x: float, low: float = 0.0, high: float = 1.0, count: int = 4) -> tuple[float, int, float, float]:
    clamped, wrapped, bounded = np.zeros(1), np.zeros(1), np.zeros(1)
    chosen = np.zeros(1, np.int64)
    _bound_each(np.array([x]), low, high, count, clamped, chosen, wrapped, bounded)
    return float(clamped[0]), int(chosen[0]), float(wrapped[0]), float(bounded[0])


def test_sine_and_cosine_agree_with_libm_over_many_turns() -> None:
    turns = np.concatenate([np.linspace(-3.0, 3.0, 100_001), np.linspace(-2000.0, 2000.0, 100_003)])
    sine, cosine = sincos(turns)
    # libm gets the fraction of the turn, which is exact, so that 2 pi does not add its own rounding.
    angle = 2.0 * np.pi * (turns - np.round(turns))
    np.testing.assert_allclose(sine, np.sin(angle), atol=1e-15)
    np.testing.assert_allclose(cosine, np.cos(angle), atol=1e-15)


def test_sine_and_cosine_are_exact_at_the_quarters() -> None:
    sine, cosine = sincos(np.array([0.0, 0.25, 0.5, 0.75, 1.0, -0.25, 1e6 + 0.25]))
    np.testing.assert_array_equal(sine, [0, 1, 0, -1, 0, -1, 1])
    np.testing.assert_array_equal(cosine, [1, 0, -1, 0, 1, 0, 0])


@given(finite_number())
def test_sine_and_cosine_stay_on_the_unit_circle_for_any_finite_angle(turns: float) -> None:
    assume(abs(turns) < 1e307)
    sine, cosine = sincos(np.array([turns]))
    assert math.hypot(sine[0], cosine[0]) == pytest.approx(1.0, abs=1e-15)


def test_an_angle_that_is_not_finite_has_no_sine() -> None:
    sine, cosine = sincos(np.array([np.inf, -np.inf, np.nan]))
    assert np.isnan(sine).all()
    assert np.isnan(cosine).all()


def test_two_to_a_whole_number_is_exact() -> None:
    whole = np.arange(-1000.0, 1001.0)
    np.testing.assert_array_equal(two_to(whole), np.exp2(whole))


def test_two_to_any_number_agrees_with_numpy() -> None:
    x = np.concatenate([np.linspace(-1000.0, 1000.0, 100_003), np.linspace(-2.0, 2.0, 100_003)])
    np.testing.assert_allclose(two_to(x), np.exp2(x), rtol=5e-16)


def test_two_to_an_absurd_number_stays_finite_and_nan_stays_nan() -> None:
    out = two_to(np.array([1e308, np.inf, -1e308, -np.inf, np.nan]))
    np.testing.assert_array_equal(out[:4], [2.0**1000, 2.0**1000, 2.0**-1000, 2.0**-1000])
    assert np.isnan(out[4])


@given(st.floats(-1e6, 1e6))
def test_a_phase_is_the_fraction_of_the_turn_in_steps_of_two_to_the_minus_63(turns: float) -> None:
    wanted = Fraction(turns) * 2**64
    found = Fraction(int(phase_of([turns])[0]))
    error = (found - wanted) % 2**64
    assert min(error, 2**64 - error) <= 2**12  # a float near a half keeps 53 bits


@pytest.mark.parametrize("turns", [np.inf, -np.inf, np.nan, 1e300, 1e308, -1e308, 2.0**60])
def test_a_step_that_is_no_fraction_of_a_turn_is_no_step(turns: float) -> None:
    assert int(phase_of([turns])[0]) == 0


@given(st.integers(0, 2**64 - 1))
def test_turns_of_a_phase_keep_its_upper_52_bits_and_never_reach_one(phase: int) -> None:
    out = np.zeros(1)
    _turns_each(np.array([phase], np.uint64), out)
    assert Fraction(float(out[0])) == Fraction(phase >> 12, 2**52)
    assert 0.0 <= out[0] < 1.0


@given(any_number(), st.floats(-10.0, 0.0), st.floats(0.0, 10.0))
def test_clamp_never_leaves_its_bounds(x: float, low: float, high: float) -> None:
    clamped, *_ = bounds_of(x, low, high)
    assert low <= clamped <= high
    if low <= x <= high:
        assert clamped == x


@given(any_number(), st.integers(1, 5000))
def test_a_choice_never_leaves_its_table(x: float, count: int) -> None:
    assert 0 <= bounds_of(x, count=count)[1] < count


@given(st.integers(0, 99), st.floats(-0.49, 0.49))
def test_a_choice_is_the_nearest_whole_number(k: int, off: float) -> None:
    assert bounds_of(k + off, count=100)[1] == k


@given(any_number())
def test_a_wrapped_turn_is_never_outside_the_table(x: float) -> None:
    wrapped = bounds_of(x)[2]
    assert 0.0 <= wrapped < 1.0
    if math.isfinite(x) and wrapped != 0.0:
        assert wrapped == x - math.floor(x)


@given(any_number())
def test_finite_bounds_every_float_and_leaves_the_rest_alone(x: float) -> None:
    bounded = bounds_of(x)[3]
    assert abs(bounded) <= HUGE
    if abs(x) < HUGE:
        assert bounded == x


@pytest.mark.parametrize("x", AWKWARD)
def test_awkward_numbers_choose_an_existing_entry(x: float) -> None:
    clamped, chosen, wrapped, bounded = bounds_of(x, 0.0, 4095.0, 3)
    assert 0 <= int(clamped) <= 4095
    assert chosen in (0, 1, 2)
    assert 0.0 <= wrapped < 1.0
    assert math.isfinite(bounded)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _bent(u: Any, steepness: Any) -> Any:
    return safe_math.bent(u, steepness)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _both(v: Any, steepness: Any) -> Any:
    return safe_math.bent_both_ways(v, steepness)


@given(st.floats(0.0, 1.0), st.floats(-20.0, 20.0))
def test_a_bent_line_is_the_quotient_of_exponentials(u: float, steepness: float) -> None:
    # The quotient of two subnormal numbers, which have few digits, is no reference; the line is straight long before.
    wanted = np.expm1(steepness * u) / np.expm1(steepness) if abs(steepness) > 1e-290 else u
    assert _bent(u, steepness) == pytest.approx(wanted, rel=1e-9, abs=1e-11)


@given(st.floats(-1e6, 1e6))
def test_without_a_bend_it_is_exactly_straight(v: float) -> None:
    assert _both(v, 0.0) == v


@given(any_number())
def test_its_ends_stay_where_they_are_for_any_bend(steepness: float) -> None:
    assert _bent(0.0, steepness) == 0.0
    assert _bent(1.0, steepness) == 1.0


@given(st.floats(0.0, 3.0), st.floats(-20.0, 20.0))
def test_both_ways_are_alike(v: float, steepness: float) -> None:
    assert _both(-v, steepness) == -_both(v, steepness)
