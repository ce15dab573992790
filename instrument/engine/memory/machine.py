"""Services of the processor and the system to compiled code: bit casts, rows by address, subnormals, fences, the clock."""

from __future__ import annotations

import ctypes
import platform
import sys
from typing import Any

import llvmlite.binding
import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.memory.layout import EVENT_TYPE, MEMORY_TYPE

PROCESSOR = platform.machine().lower()
_X86 = PROCESSOR in ("x86_64", "amd64")
_ARM = PROCESSOR in ("aarch64", "arm64")

_FLUSH_X86 = 0x8040
"""MXCSR bits FTZ (15) and DAZ (6). Manual of the x86-64 architecture for software developers, vol. 1, 10.2.3."""

_FLUSH_ARM = 1 << 24
"""FPCR bit FZ. Arm Architecture Reference Manual for A-profile, FPCR."""


def record_at(kind: Any) -> Any:
    """Return what reads an untyped pointer as a record of one type."""

    @intrinsic
    def read(typing_context: Any, pointer: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            return builder.bitcast(values[0], context.get_value_type(kind))

        return kind(types.voidptr), generate

    return read


def pointer_to(kind: Any) -> Any:
    """Return what makes a pointer of one type of an address, an unsigned number of 64 bits."""

    @intrinsic
    def point(typing_context: Any, address: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            return builder.inttoptr(values[0], context.get_value_type(kind))

        return kind(types.uint64), generate

    return point


@intrinsic
def address(typing_context: Any, pointer: Any) -> Any:
    """Return the address that a pointer of any type holds, an unsigned number of 64 bits."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.ptrtoint(values[0], context.get_value_type(types.uint64))

    return types.uint64(pointer), generate


as_memory = record_at(MEMORY_TYPE)
"""Reads an untyped pointer as the engine's memory record."""

as_event = record_at(EVENT_TYPE)
"""Reads an untyped pointer as one event record."""


@intrinsic
def address_of(typing_context: Any, memory: Any) -> Any:
    """Return the untyped pointer to the engine's memory record, as a unit takes it."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.bitcast(values[0], context.get_value_type(types.voidptr))

    return types.voidptr(MEMORY_TYPE), generate


@intrinsic
def bits_to_float(typing_context: Any, bits: Any) -> Any:
    """Read 64 bits as a float64."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.bitcast(values[0], ir.DoubleType())

    return types.float64(types.uint64), generate


@intrinsic
def high_product(typing_context: Any, a: Any, b: Any) -> Any:
    """Return the upper 64 of the 128 bits of a product of unsigned 64-bit numbers."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        wide = ir.IntType(128)
        product = builder.mul(builder.zext(values[0], wide), builder.zext(values[1], wide))
        return builder.trunc(builder.lshr(product, ir.Constant(wide, 64)), ir.IntType(64))

    return types.uint64(types.uint64, types.uint64), generate


@intrinsic
def fence(typing_context: Any) -> Any:
    """Order memory accesses before and after, as a reader in another thread or process sees them."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        builder.fence("seq_cst")
        return context.get_dummy_value()

    return types.void(), generate


def _read_x86(builder: Any) -> Any:
    slot = builder.alloca(ir.IntType(32))
    kind = ir.FunctionType(ir.VoidType(), [slot.type])
    builder.call(cgutils.get_or_insert_function(builder.module, kind, "llvm.x86.sse.stmxcsr"), [slot])
    return builder.zext(builder.load(slot), ir.IntType(64))


def _write_x86(builder: Any, value: Any) -> None:
    slot = builder.alloca(ir.IntType(32))
    builder.store(builder.trunc(value, ir.IntType(32)), slot)
    kind = ir.FunctionType(ir.VoidType(), [slot.type])
    builder.call(cgutils.get_or_insert_function(builder.module, kind, "llvm.x86.sse.ldmxcsr"), [slot])


def _read_arm(builder: Any) -> Any:
    kind = ir.FunctionType(ir.IntType(64), [])
    return builder.asm(kind, "mrs $0, fpcr", "=r", [], side_effect=True)


def _write_arm(builder: Any, value: Any) -> None:
    kind = ir.FunctionType(ir.VoidType(), [ir.IntType(64)])
    builder.asm(kind, "msr fpcr, $0", "r", [value], side_effect=True)


@intrinsic
def flush_subnormals(typing_context: Any) -> Any:
    """Make this thread treat subnormal numbers as zero; return the control word to restore.

    A recursive filter that decays into subnormals costs some thirty times as much a sample. On
    processors other than x86-64 and ARM64 nothing is set, and the cut-offs in the stages must do.
    """

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        if _X86:
            before = _read_x86(builder)
            _write_x86(builder, builder.or_(before, ir.Constant(ir.IntType(64), _FLUSH_X86)))
            return before
        if _ARM:
            before = _read_arm(builder)
            _write_arm(builder, builder.or_(before, ir.Constant(ir.IntType(64), _FLUSH_ARM)))
            return before
        return ir.Constant(ir.IntType(64), 0)

    return types.uint64(), generate


@intrinsic
def restore_subnormals(typing_context: Any, before: Any) -> Any:
    """Give the thread back the control word that `flush_subnormals` returned."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        if _X86:
            _write_x86(builder, values[0])
        elif _ARM:
            _write_arm(builder, values[0])
        return context.get_dummy_value()

    return types.void(types.uint64), generate


@intrinsic
def _clock_words(typing_context: Any) -> Any:
    """Return the two words that the system's monotonic clock fills."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        word = ir.IntType(64)
        slot = builder.alloca(ir.ArrayType(word, 2))
        pointer = builder.bitcast(slot, word.as_pointer())
        if sys.platform == "win32":
            kind = ir.FunctionType(ir.IntType(32), [pointer.type])
            function = cgutils.get_or_insert_function(builder.module, kind, "beamhand_clock")
            builder.call(function, [pointer])
        else:
            kind = ir.FunctionType(ir.IntType(32), [ir.IntType(32), pointer.type])
            function = cgutils.get_or_insert_function(builder.module, kind, "beamhand_clock")
            builder.call(function, [ir.Constant(ir.IntType(32), _MONOTONIC), pointer])
        pair = builder.load(slot)
        return context.make_tuple(builder, signature.return_type, [builder.extract_value(pair, k) for k in range(2)])

    return types.UniTuple(types.int64, 2)(), generate


_MONOTONIC = 6 if sys.platform == "darwin" else 1
"""CLOCK_MONOTONIC, from the systems' <time.h>."""


def _register_clock() -> int:
    # Named symbols, unlike addresses, may be kept in the compile cache.
    if sys.platform == "win32":
        kernel = ctypes.WinDLL("kernel32")
        frequency = ctypes.c_int64()
        kernel.QueryPerformanceFrequency(ctypes.byref(frequency))
        function = kernel.QueryPerformanceCounter
        ticks = frequency.value
    else:
        function = ctypes.CDLL(None).clock_gettime
        ticks = 0
    llvmlite.binding.add_symbol("beamhand_clock", ctypes.cast(function, ctypes.c_void_p).value)
    return ticks


_TICKS = _register_clock()


@inlined
def monotonic_ns() -> Any:
    """Return the monotonic clock in nanoseconds, the same that `time.monotonic_ns` reads."""
    first, second = _clock_words()
    if _TICKS > 0:
        return first // _TICKS * 1_000_000_000 + first % _TICKS * 1_000_000_000 // _TICKS
    return first * 1_000_000_000 + second


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
def _load_word(typing_context: Any, address: Any, index: Any) -> Any:
    """Return word number `index` behind an address; both are uint64."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        pointer = builder.inttoptr(values[0], _WORD.as_pointer())
        return builder.load(builder.gep(pointer, [values[1]]), align=8)

    return types.uint64(types.uint64, types.uint64), generate


@intrinsic
def _store_word(typing_context: Any, address: Any, index: Any, word: Any) -> Any:
    """Set word number `index` behind an address; all are uint64."""

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        pointer = builder.inttoptr(values[0], _WORD.as_pointer())
        builder.store(values[2], builder.gep(pointer, [values[1]]), align=8)
        return context.get_dummy_value()

    return types.void(types.uint64, types.uint64, types.uint64), generate


@compiled
def clear_words(target: Any, count: Any) -> None:
    """Set `count` words of 8 bytes behind an address to 0, which every kind of number reads as 0."""
    for i in range(np.uint64(count)):
        _store_word(target, i, np.uint64(0))


@compiled
def copy_words(target: Any, source: Any, count: Any) -> None:
    """Copy `count` words of 8 bytes from one address to another; they do not overlap."""
    for i in range(np.uint64(count)):
        _store_word(target, i, _load_word(source, i))


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
