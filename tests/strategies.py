"""Hypothesis strategies that several rooms' tests share."""

from __future__ import annotations

import math

from hypothesis import strategies as st

AWKWARD = (
    math.inf,
    -math.inf,
    math.nan,
    1e308,
    -1e308,
    5e-324,
    -5e-324,
    2.2250738585072014e-308,
    -0.0,
    0.0,
    1e300,
    1e30,
    1e15,
    2.0**53,
    -1.0,
)
"""Numbers that arithmetic trips over."""


def any_number() -> st.SearchStrategy[float]:
    """Any float64 there is, the awkward ones and the usual ones often."""
    usual = st.floats(-4.0, 4.0) | st.integers(-1000, 1000).map(float)
    return usual | st.sampled_from(AWKWARD) | st.floats(allow_nan=True, allow_infinity=True)


def finite_number() -> st.SearchStrategy[float]:
    """Any float64 except nan and the infinities."""
    return st.floats(allow_nan=False, allow_infinity=False)
