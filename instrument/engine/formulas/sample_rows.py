"""Rows of samples by their address, and the few instructions of the processor that numba has no name for."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

_DOUBLE = ir.DoubleType()
_WORD = ir.IntType(64)


def _element(builder: Any, address: Any, index: Any) -> Any:
    return builder.gep(builder.inttoptr(address, _DOUBLE.as_pointer()), [index])


@intrinsic
def load(typing_context: Any, address: Any, index: Any) -> Any:
    """Return value number `index` of the row at an address; both are uint64."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.load(_element(builder, *values), align=8)

    return types.float64(types.uint64, types.uint64), generate


@intrinsic
def store(typing_context: Any, address: Any, index: Any, value: Any) -> Any:
    """Set value number `index` of the row at an address; both are uint64."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        builder.store(values[2], _element(builder, values[0], values[1]), align=8)
        return context.get_dummy_value()

    return types.void(types.uint64, types.uint64, types.float64), generate


@intrinsic
def float_to_bits(typing_context: Any, value: Any) -> Any:
    """Read a float64 as 64 bits."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.bitcast(values[0], _WORD)

    return types.uint64(types.float64), generate


def _processor_function(name: str, count: int) -> Any:
    kind = ir.FunctionType(_DOUBLE, [_DOUBLE] * count)

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.call(builder.module.declare_intrinsic(name, [_DOUBLE], kind), list(values))

    return types.float64(*[types.float64] * count), generate


@intrinsic
def fused(typing_context: Any, a: Any, b: Any, c: Any) -> Any:
    """Return a b + c, rounded once (fusedMultiplyAdd of IEEE 754-2019, 5.4.1)."""
    return _processor_function("llvm.fma", 3)


@intrinsic
def with_sign_of(typing_context: Any, a: Any, b: Any) -> Any:
    """Return a with the sign of b (copySign of IEEE 754-2019, 5.5.1)."""
    return _processor_function("llvm.copysign", 2)


@intrinsic
def toward_zero(typing_context: Any, x: Any) -> Any:
    """Return x without its fraction (roundToIntegralTowardZero of IEEE 754-2019, 5.9)."""
    return _processor_function("llvm.trunc", 1)
