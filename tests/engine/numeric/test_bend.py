"""Bent lines: the closed form, straight where nothing bends."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba import njit

from instrument.engine.numeric import safe_math
from tests.strategies import any_number


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _bent(u: Any, steepness: Any) -> Any:
    return safe_math.bent(u, steepness)


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _both(v: Any, steepness: Any) -> Any:
    return safe_math.bent_both_ways(v, steepness)


@given(st.floats(0.0, 1.0), st.floats(-20.0, 20.0))
def test_a_bent_line_is_the_quotient_of_exponentials(u: float, steepness: float) -> None:
    wanted = np.expm1(steepness * u) / np.expm1(steepness) if steepness != 0.0 else u
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
