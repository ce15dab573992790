"""Elementary functions of formulas on vectors: polynomials that answer ordinary numbers, and nan for all others.

A nan is not the last word: libm is then asked for those samples (`libm`).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from instrument.engine.formulas.vectors import Bits, Numbers

_MAGIC = 6755399441055744.0
"""1.5 * 2**52: added to a number below 2**51, it leaves the nearest whole number in the lowest bits."""

_HALF_PI_HIGH = 1.5707963267948966
_HALF_PI_LOW = 6.123233995736766e-17
"""Pi / 2 in two parts, the second what the first one's rounding leaves."""

_FARTHEST_ANGLE = 1e9
"""Beyond this, two parts of pi do not reduce an angle to full precision."""

_EXP_RANGE = 700.0
_EXP2_RANGE = 1000.0
"""Within these, the results are normal numbers."""

_SMALLEST_NORMAL = 2.2250738585072014e-308

_EXACT = 9007199254740992.0
"""2**53: whole numbers below it are exact."""


def _polynomial(x: Numbers, *coefficients: float) -> Numbers:
    # Highest power first.
    y = x * coefficients[0] + coefficients[1]
    for coefficient in coefficients[2:]:
        y = y * x + coefficient
    return y


def _sine_of_quarters(x: Numbers, quarters: int) -> Numbers:
    # Sine of x radians plus a number of quarter turns. Coefficients sincof and coscof of S. L. Moshier, Cephes
    # Mathematical Library (1989), sin.c, on an eighth of a turn.
    near = x.times_plus(2.0 / math.pi, _MAGIC)
    whole = near - _MAGIC
    r = (-whole).times_plus(_HALF_PI_LOW, (-whole).times_plus(_HALF_PI_HIGH, x))
    r2 = r * r
    odd_series = _polynomial(
        r2,
        1.58962301576546568060e-10,
        -2.50507477628578072866e-8,
        2.75573136213857245213e-6,
        -1.98412698295895385996e-4,
        8.33333333332211858878e-3,
        -1.66666666666666307295e-1,
    )
    even_series = _polynomial(
        r2,
        -1.13585365213876817300e-11,
        2.08757008419747316778e-9,
        -2.75573141792967388112e-7,
        2.48015872888517045348e-5,
        -1.38888888888730564116e-3,
        4.16666666666665929218e-2,
    )
    turn = near.bits() + quarters
    odd = (turn & 1).any_set()
    y = odd.choose((1.0 - r2 * 0.5) + r2 * r2 * even_series, r + r * (r2 * odd_series))
    y = (y.bits() ^ ((turn & 2) << 62)).numbers()
    return (abs(x) < _FARTHEST_ANGLE).choose(y, math.nan)


def sine(x: Numbers) -> Numbers:
    """Return the sine of an angle in radians, nan for a far one."""
    return _sine_of_quarters(x, 0)


def cosine(x: Numbers) -> Numbers:
    """Return the cosine of an angle in radians, nan for a far one."""
    return _sine_of_quarters(x, 1)


def _scaled(fraction: Numbers, whole: Numbers) -> Numbers:
    # fraction times 2**whole, where that is a normal number.
    exponent: Bits = (whole + _MAGIC).bits() << 52
    return (fraction.bits() + exponent).numbers()


def _exponential(x: Numbers) -> Numbers:
    # Rational approximation of S. L. Moshier, Cephes Mathematical Library (1989), exp.c.
    whole = x.times_plus(1.0 / math.log(2.0), _MAGIC) - _MAGIC
    r = (x - whole * 6.93145751953125e-1) - whole * 1.42860682030941723212e-6
    r2 = r * r
    numerator = r * _polynomial(r2, 1.26177193074810590878e-4, 3.02994407707441961300e-2, 9.99999999999999999910e-1)
    denominator = _polynomial(
        r2,
        3.00198505138664455042e-6,
        2.52448340349684104192e-3,
        2.27265548208155028766e-1,
        2.00000000000000000005,
    )
    return _scaled(1.0 + (numerator / (denominator - numerator)) * 2.0, whole)


def exponential(x: Numbers) -> Numbers:
    """Return e to the power of x, nan where that is no normal number."""
    return (abs(x) < _EXP_RANGE).choose(_exponential(x), math.nan)


def power_of_two(x: Numbers) -> Numbers:
    """Return two to the power of x, nan where that is no normal number; exact for whole x.

    Rational approximation of S. L. Moshier, Cephes Mathematical Library (1989), exp2.c.
    """
    whole = (x + _MAGIC) - _MAGIC
    f = x - whole
    f2 = f * f
    numerator = f * _polynomial(f2, 2.30933477057345225087e-2, 2.02020656693165307700e1, 1.51390680115615096133e3)
    denominator = (f2 + 2.33184211722314911771e2) * f2 + 4.36821166879210612817e3
    y = _scaled(1.0 + (numerator / (denominator - numerator)) * 2.0, whole)
    return (abs(x) < _EXP2_RANGE).choose(y, math.nan)


def logarithm(x: Numbers) -> Numbers:
    """Return the natural logarithm, nan for what is no positive normal number.

    Rational approximation of S. L. Moshier, Cephes Mathematical Library (1989), log.c.
    """
    bits = x.bits()
    # The exponent as a number: 2**52 with it in the lowest bits, less 2**52 and the bias.
    biased = ((bits >> 52) | 0x4330000000000000).numbers() - 4503599627370496.0
    mantissa = ((bits & 0x000FFFFFFFFFFFFF) | 0x3FE0000000000000).numbers()
    low = mantissa < math.sqrt(0.5)
    e = biased - low.choose(1023.0, 1022.0)
    r = low.choose(mantissa + mantissa, mantissa) - 1.0
    z = r * r
    numerator = _polynomial(
        r,
        1.01875663804580931796e-4,
        4.97494994976747001425e-1,
        4.70579119878881725854e0,
        1.44989225341610930846e1,
        1.79368678507819816313e1,
        7.70838733755885391666e0,
    )
    denominator = _polynomial(
        r,
        1.0,
        1.12873587189167450590e1,
        4.52279145837532221105e1,
        8.29875266912776603211e1,
        7.11544750618563894466e1,
        2.31251620126765340583e1,
    )
    y = (r * (z * (numerator / denominator)) - e * 2.121944400546905827679e-4) - z * 0.5
    y = (r + y) + e * 0.693359375
    return ((x >= _SMALLEST_NORMAL) & (x < math.inf)).choose(y, math.nan)


def hyperbolic_tangent(x: Numbers) -> Numbers:
    """Return the hyperbolic tangent of any number.

    S. L. Moshier, Cephes Mathematical Library (1989), tanh.c.
    """
    size = abs(x)
    z = x * x
    numerator = _polynomial(z, -9.64399179425052238628e-1, -9.92877231001918586564e1, -1.61468768441708447952e3)
    denominator = ((z + 1.12811678491632931402e2) * z + 2.23548839060100448583e3) * z + 4.84406305325125486048e3
    small = x + x * (z * (numerator / denominator))
    bounded = (size < 30.0).choose(size, 30.0)  # where 1 is as near as a float64 comes
    large = (1.0 - 2.0 / (_exponential(bounded + bounded) + 1.0)).signed_as(x)
    y = (size < 0.625).choose(small, large)
    return x.is_nan().choose(x, y)


def remainder(a: Numbers, b: Numbers) -> Numbers:
    """Return what is left of a after whole numbers of b, with the sign of a; nan where the quotient is not exact.

    The quotient may be rounded up to a whole number that it does not reach; what is left is then of the other sign,
    and exact all the same.
    """
    quotient = a / b
    r = (-quotient.trunc()).times_plus(b, a)
    beyond = ((r < 0.0) & (a > 0.0)) | ((r > 0.0) & (a < 0.0))
    r = beyond.choose(r + b.signed_as(a), r).signed_as(a)
    return (abs(quotient) < _EXACT).choose(r, math.nan)
