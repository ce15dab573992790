"""The guard: nothing that comes in, whatever it is, leaves it beyond its limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numba
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.signal.output import guard
from tests.strategies import AWKWARD, any_number

if TYPE_CHECKING:
    from numpy.typing import NDArray


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
