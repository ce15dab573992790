"""The few numeric functions of the sample loops: branch-free, safe for any float, the same bits at any width."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import inlined
from instrument.engine.memory.machine import bits_to_float, float_to_bits

HUGE = 1e30
"""Finite stand-in for infinity between stages: sums and products of a few of them stay finite."""

_TWO_PI = 6.283185307179586
_LOG2_E = 1.4426950408889634
_STEEPEST = 100.0
_NEARLY_STRAIGHT = 1e-4
"""Below this steepness the quotient loses digits, and three terms of its series are exact to 1e-14."""


@inlined
def sincos_turn(turns):
    """Return sine and cosine of an angle in turns; nan where the angle is not finite (or beyond 2**1022).

    Polynomials on an eighth of a turn: coefficients sincof and coscof of S. L. Moshier, Cephes
    Mathematical Library (1989), sin.c.
    """
    quarter = np.floor(4.0 * turns + 0.5)
    r = (turns - quarter * 0.25) * _TWO_PI
    r2 = r * r
    odd_series = r * (
        1.0
        + r2
        * (
            -1.66666666666666307295e-1
            + r2
            * (
                8.33333333332211858878e-3
                + r2
                * (
                    -1.98412698295895385996e-4
                    + r2
                    * (2.75573136213857245213e-6 + r2 * (-2.50507477628578072866e-8 + r2 * 1.58962301576546568060e-10))
                )
            )
        )
    )
    even_series = (
        1.0
        - 0.5 * r2
        + r2
        * r2
        * (
            4.16666666666665929218e-2
            + r2
            * (
                -1.38888888888730564116e-3
                + r2
                * (
                    2.48015872888517045348e-5
                    + r2
                    * (-2.75573141792967388112e-7 + r2 * (2.08757008419747316778e-9 - r2 * 1.13585365213876817300e-11))
                )
            )
        )
    )
    h = quarter * 0.25
    quadrant = (h - np.floor(h)) * 4.0
    odd = (quadrant == 1.0) | (quadrant == 3.0)
    sine = even_series if odd else odd_series
    cosine = odd_series if odd else even_series
    sine = -sine if quadrant >= 2.0 else sine
    cosine = -cosine if (quadrant == 1.0) | (quadrant == 2.0) else cosine
    return sine, cosine


@inlined
def exp2(x):
    """Return two to the power of x; exact for whole x, 2**-1000 and 2**1000 at the ends, nan for nan.

    Rational approximation of S. L. Moshier, Cephes Mathematical Library (1989), exp2.c.
    """
    x = -1000.0 if x < -1000.0 else x
    x = 1000.0 if x > 1000.0 else x
    whole = np.floor(x + 0.5)
    f = x - whole
    f2 = f * f
    numerator = f * (1.51390680115615096133e3 + f2 * (2.02020656693165307700e1 + f2 * 2.30933477057345225087e-2))
    denominator = 4.36821166879210612817e3 + f2 * (2.33184211722314911771e2 + f2)
    fraction = 1.0 + 2.0 * (numerator / (denominator - numerator))
    safe = whole if whole == whole else 0.0
    return fraction * bits_to_float(np.uint64(np.int64(safe) + 1023) << np.uint64(52))


@inlined
def log2(x):
    """Return the logarithm to base two of a number; -1023 for 0, below and nan, 1024 for infinity.

    Exponent and significand apart, the latter brought to within sqrt(2) of 1; there ln((1 + s) / (1 - s)) =
    2 (s + s**3/3 + s**5/5 + ...), Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 4.1.27, whose first
    term left out is below 1e-17.
    """
    bits = float_to_bits(x)
    whole = np.float64(np.int64(bits >> np.uint64(52)) - 1023)
    part = bits_to_float((bits & np.uint64(0xFFFFFFFFFFFFF)) | np.uint64(0x3FF0000000000000))
    above = part > 1.4142135623730951
    part = 0.5 * part if above else part
    whole = whole + 1.0 if above else whole
    s = (part - 1.0) / (part + 1.0)
    q = s * s
    series = 1.0 / 17.0 + q * (1.0 / 19.0 + q * (1.0 / 21.0))
    series = 1.0 / 11.0 + q * (1.0 / 13.0 + q * (1.0 / 15.0 + q * series))
    series = 1.0 + q * (1.0 / 3.0 + q * (1.0 / 5.0 + q * (1.0 / 7.0 + q * (1.0 / 9.0 + q * series))))
    found = whole + 2.0 * _LOG2_E * s * series
    found = found if x > 0.0 else -1023.0
    return found if x < np.inf else (1024.0 if x > 0.0 else -1023.0)


@inlined
def turns_to_phase(turns):
    """Return a fraction of a turn in steps of 2**-63 as unsigned 64-bit phase; 0 for anything not finite."""
    r = turns - np.floor(turns + 0.5)
    r = r if abs(turns) < 1e300 else 0.0
    return np.uint64(np.int64(r * 9223372036854775808.0)) << np.uint64(1)


@inlined
def phase_to_turns(phase):
    """Return the upper 52 bits of a phase as a number from 0 up to, not including, 1."""
    return bits_to_float((phase >> np.uint64(12)) | np.uint64(0x3FF0000000000000)) - 1.0


@inlined
def finite(x):
    """Return x within plus and minus `HUGE`, and 0 for nan."""
    x = x if x == x else 0.0
    x = x if x < HUGE else HUGE
    return x if x > -HUGE else -HUGE


@inlined
def clamp(x, low, high):
    """Return x within bounds, and `low` for nan."""
    x = x if x > low else low
    return x if x < high else high


@inlined
def choice(x, count):
    """Return a parameter as a whole number from 0 to count - 1; nan selects 0."""
    return np.int64(clamp(x + 0.5, 0.0, count - 0.5))


@inlined
def wrap_turn(x):
    """Return the fractional part, from 0 up to, not including, 1; 0 for anything not finite."""
    f = x - np.floor(x)
    return f if (f >= 0.0) & (f < 1.0) else 0.0


@inlined
def bent(u, steepness):
    """Return (e**(b u) - 1) / (e**b - 1): 0 at 0, 1 at 1, and exactly u where the steepness b is 0 or nan."""
    b = steepness if steepness == steepness else 0.0
    b = clamp(b, -_STEEPEST, _STEEPEST)
    if abs(b) < _NEARLY_STRAIGHT:
        slope = u - 1.0
        return u + (0.5 * b) * (u * slope) + (b * b / 12.0) * (u * slope * (2.0 * u - 1.0))
    octaves = b * _LOG2_E
    return (exp2(octaves * u) - 1.0) / (exp2(octaves) - 1.0)


@inlined
def bent_both_ways(v, steepness):
    """Return the bent line of a value of either sign, alike on both sides of 0."""
    y = bent(abs(v), steepness)
    return y if v >= 0.0 else -y


@inlined
def formed_or(untouched, formed, amount):
    """Return what a form made of a sample, or at amount 0 the sample bit for bit, whatever was made of it."""
    return formed if amount != 0.0 else untouched


@inlined
def blended(untouched, formed, amount):
    """Return a blend of a sample and what a form made of it; 0 and 1 give the one and the other exactly."""
    return formed_or(untouched, untouched * (1.0 - amount) + formed * amount, amount)


@inlined
def option(value, count):
    """Return a choice from 0 to count - 1 as a float, which a vector of samples can be compared with."""
    return np.floor(clamp(value + 0.5, 0.0, count - 0.5))
