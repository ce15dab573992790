"""Positions in whole numbers and 2**-64: integer arithmetic against Python's own, and no drift over an hour."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba import njit

from instrument.engine.numeric import fixed_point as fixed
from tests.engine.playing import RATE

ONE = 1 << 64

WHOLE = st.integers(-(2**40), 2**40)
PART = st.integers(0, ONE - 1)
STEP = st.floats(-1e6, 1e6)

HOUR = int(3600 * RATE)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _moved_on(whole: Any, part: Any, step: Any) -> Any:
    return fixed.moved_on(whole, part, step)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _moved_often(whole: Any, part: Any, change: Any, times: Any) -> Any:
    return fixed.moved_often(whole, part, change, times)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _multiplied(rate: Any, whole: Any, part: Any) -> Any:
    return fixed.multiplied(rate, whole, part)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _distance(whole: Any, part: Any, from_whole: Any, from_part: Any) -> Any:
    return fixed.distance(whole, part, from_whole, from_part)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _repeated(step: Any, times: Any) -> Any:
    whole, part = np.int64(0), np.uint64(0)
    for _ in range(times):
        whole, part = fixed.moved_on(whole, part, step)
    return whole, part


def exactly(whole: int, part: int) -> Fraction:
    """Return a position as a fraction."""
    return Fraction(int(whole) * ONE + int(part), ONE)


@given(WHOLE, PART, STEP)
def test_a_step_moves_a_position_by_itself(whole: int, part: int, step: float) -> None:
    found = exactly(*_moved_on(np.int64(whole), np.uint64(part), step))
    assert abs(found - exactly(whole, part) - Fraction(step)) <= Fraction(2, ONE)


@pytest.mark.parametrize("step", [np.nan, np.inf, -np.inf, 1e308, -1e15])
def test_a_step_that_has_no_fraction_moves_nothing(step: float) -> None:
    assert _moved_on(np.int64(7), np.uint64(5), step) == (7, 5)


@given(PART, st.integers(-(2**63), 2**63 - 1), st.integers(0, 64))
def test_many_equal_steps_are_one_multiplication(part: int, change: int, times: int) -> None:
    found = _moved_often(np.int64(3), np.uint64(part), np.uint64(change % ONE), np.int64(times))
    assert exactly(*found) == exactly(3, part) + times * Fraction(change, ONE)


@given(st.floats(-1e6, 1e6), WHOLE.map(lambda whole: whole >> 8), PART)
def test_a_rate_times_a_position_is_exact(rate: float, whole: int, part: int) -> None:
    found = exactly(*_multiplied(rate, np.int64(whole), np.uint64(part)))
    # The fraction of the rate itself is kept in steps of 2**-64 at best, and that counts once for every whole.
    assert abs(found - Fraction(rate) * exactly(whole, part)) <= Fraction(abs(whole) + 2, ONE // 2)


@pytest.mark.parametrize("rate", [np.nan, np.inf, -np.inf, 1e308])
def test_a_rate_that_has_no_fraction_leads_nowhere(rate: float) -> None:
    assert _multiplied(rate, np.int64(7), np.uint64(5)) == (0, 0)


@given(WHOLE, PART, WHOLE, PART)
def test_a_distance_is_the_difference(whole: int, part: int, from_whole: int, from_part: int) -> None:
    wanted = float(exactly(whole, part) - exactly(from_whole, from_part))
    assert _distance(np.int64(whole), np.uint64(part), np.int64(from_whole), np.uint64(from_part)) == (
        pytest.approx(wanted, rel=1e-15, abs=1e-15)
    )


@pytest.mark.parametrize("step", [2.0 / RATE, 1.0 / 3.0 / RATE, 440.1 / RATE, -7.3 / RATE])
def test_an_hour_of_steps_stays_within_a_hundred_thousandth_of_a_sample(step: float) -> None:
    found = exactly(*_repeated(step, HOUR))
    assert abs(found - HOUR * Fraction(step)) < Fraction(abs(step)) / 100_000
