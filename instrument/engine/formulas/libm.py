"""Functions of libm for formulas, sample by sample: those without a polynomial here, and all far numbers."""

from __future__ import annotations

import numpy as np
from numba import types

from instrument.engine.compiling.compiled import compiled
from instrument.engine.formulas.instructions import OPERATION_NUMBERS
from instrument.engine.memory.machine import (
    bits_to_float,
    float_to_bits,
    fused,
    load,
    store,
    toward_zero,
    with_sign_of,
)

LIBM = (
    *("sin", "cos", "tan", "asin", "acos", "atan", "sinh", "cosh", "asinh", "acosh", "atanh"),
    *("exp", "exp2", "expm1", "log", "log1p", "log2", "log10", "cbrt", "atan2", "hypot", "pow"),
)
"""All that is called outside: pure functions of C11, 7.12, which neither wait nor allocate."""


_SMALLEST_NORMAL = 2.2250738585072014e-308
"""Smaller ones count as 0, as they do while the engine renders."""


def _libm(name, count=1):
    return types.ExternalFunction(name, types.float64(*[types.float64] * count))


_sin = _libm("sin")
_cos = _libm("cos")
_tan = _libm("tan")
_asin = _libm("asin")
_acos = _libm("acos")
_atan = _libm("atan")
_sinh = _libm("sinh")
_cosh = _libm("cosh")
_asinh = _libm("asinh")
_acosh = _libm("acosh")
_atanh = _libm("atanh")
_exp = _libm("exp")
_exp2 = _libm("exp2")
_expm1 = _libm("expm1")
_log = _libm("log")
_log1p = _libm("log1p")
_log2 = _libm("log2")
_log10 = _libm("log10")
_cbrt = _libm("cbrt")
_atan2 = _libm("atan2", 2)
_hypot = _libm("hypot", 2)
_pow = _libm("pow", 2)

_SIN = OPERATION_NUMBERS["sin"]
_COS = OPERATION_NUMBERS["cos"]
_TAN = OPERATION_NUMBERS["tan"]
_ARCSIN = OPERATION_NUMBERS["arcsin"]
_ARCCOS = OPERATION_NUMBERS["arccos"]
_ARCTAN = OPERATION_NUMBERS["arctan"]
_SINH = OPERATION_NUMBERS["sinh"]
_COSH = OPERATION_NUMBERS["cosh"]
_ARCSINH = OPERATION_NUMBERS["arcsinh"]
_ARCCOSH = OPERATION_NUMBERS["arccosh"]
_ARCTANH = OPERATION_NUMBERS["arctanh"]
_EXP = OPERATION_NUMBERS["exp"]
_EXP2 = OPERATION_NUMBERS["exp2"]
_EXPM1 = OPERATION_NUMBERS["expm1"]
_LOG = OPERATION_NUMBERS["log"]
_LOG1P = OPERATION_NUMBERS["log1p"]
_LOG2 = OPERATION_NUMBERS["log2"]
_LOG10 = OPERATION_NUMBERS["log10"]
_ARCTAN2 = OPERATION_NUMBERS["arctan2"]
_HYPOT = OPERATION_NUMBERS["hypot"]
_FMOD = OPERATION_NUMBERS["fmod"]


@compiled
def _of_one(op, x):
    if op == _SIN:
        return _sin(x)
    if op == _COS:
        return _cos(x)
    if op == _TAN:
        return _tan(x)
    if op == _ARCSIN:
        return _asin(x)
    if op == _ARCCOS:
        return _acos(x)
    if op == _ARCTAN:
        return _atan(x)
    if op == _SINH:
        return _sinh(x)
    if op == _COSH:
        return _cosh(x)
    if op == _ARCSINH:
        return _asinh(x)
    if op == _ARCCOSH:
        return _acosh(x)
    if op == _ARCTANH:
        return _atanh(x)
    if op == _EXP:
        return _exp(x)
    if op == _EXP2:
        return _exp2(x)
    if op == _EXPM1:
        return _expm1(x)
    if op == _LOG:
        return _log(x)
    if op == _LOG1P:
        return _log1p(x)
    if op == _LOG2:
        return _log2(x)
    if op == _LOG10:
        return _log10(x)
    return _cbrt(x)


@compiled
def run_libm(op, target, a, n):
    """Fill a row with a function of one row."""
    for i in range(n):
        store(target, i, _of_one(op, load(a, i)))


@compiled
def run_libm_of_two(op, target, a, b, n):
    """Fill a row with a function of two rows."""
    for i in range(n):
        x = load(a, i)
        y = load(b, i)
        if op == _ARCTAN2:
            store(target, i, _atan2(x, y))
        elif op == _HYPOT:
            store(target, i, _hypot(x, y))
        else:
            store(target, i, _pow(x, y))


@compiled
def far_remainder(a, b):
    """Return what C'shifted fmod does, in a bounded number of steps: fifty bits of the quotient in each."""
    if not (abs(a) < np.inf) or not (abs(b) >= _SMALLEST_NORMAL):
        return np.nan
    r = abs(a)
    y = abs(b)
    while r >= y:
        apart = np.int64(float_to_bits(r) >> np.uint64(52)) - np.int64(float_to_bits(y) >> np.uint64(52)) - 50
        apart = apart if apart > 0 else np.int64(0)
        shifted = bits_to_float(float_to_bits(y) + (np.uint64(apart) << np.uint64(52)))
        r = fused(-toward_zero(r / shifted), shifted, r)
        r = r + shifted if r < 0.0 else r
    return with_sign_of(r, a)


@compiled
def settle_far(op, target, a, b, n):
    """Replace what vectors have answered with nan: by libm's answer, and remainders by that of `far_remainder`."""
    for i in range(n):
        y = load(target, i)
        if y != y:
            if op == _FMOD:
                store(target, i, far_remainder(load(a, i), load(b, i)))
            else:
                store(target, i, _of_one(op, load(a, i)))
