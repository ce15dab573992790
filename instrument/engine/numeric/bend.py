"""Bent lines: the one curve through which envelopes, breakpoints and links pass what they move."""

from __future__ import annotations

from instrument.engine.compiling.compiled import inlined
from instrument.engine.numeric.safe_math import clamp, exp2

_LOG2_E = 1.4426950408889634

_STEEPEST = 100.0

_NEARLY_STRAIGHT = 1e-4
"""Below this steepness the quotient loses digits, and three terms of its series are exact to 1e-14."""


@inlined
def bent(u, steepness):
    """Return (e**(b u) - 1) / (e**b - 1): 0 at 0, 1 at 1, and exactly u where the steepness b is 0 or nan."""
    b = steepness if steepness == steepness else 0.0
    b = clamp(b, -_STEEPEST, _STEEPEST)
    if abs(b) < _NEARLY_STRAIGHT:
        slope = u - 1.0
        return u + (0.5 * b) * (u * slope) + (b * b / 12.0) * (u * slope * (2.0 * u - 1.0))
    k = b * _LOG2_E
    return (exp2(k * u) - 1.0) / (exp2(k) - 1.0)


@inlined
def bent_both_ways(v, steepness):
    """Return the bent line of a value of either sign, alike on both sides of 0."""
    y = bent(abs(v), steepness)
    return y if v >= 0.0 else -y
