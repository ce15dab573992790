"""The loops of a formula's instructions, made of vectors: one for each operation, over whole tiles of samples."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from instrument.engine.formulas import elementary
from instrument.engine.formulas.instructions import OPERATION_NUMBERS, OPERATIONS
from instrument.engine.formulas.vectors import Bits, Mask, Numbers, load_numbers, store_numbers

if TYPE_CHECKING:
    from collections.abc import Callable

TILE = 16
"""Samples that a loop works on at a time; it divides both lengths of chunks."""

_WORD = ir.IntType(64)


def _truth(condition: Mask) -> Numbers:
    return condition.choose(1.0, 0.0)


def _fraction(x: Numbers) -> Numbers:
    f = x - x.floor()
    return f.equal(1.0).choose(0.0, f)  # just below a whole number the fraction is rounded up to 1


def _place(x: Numbers) -> Numbers:
    f = _fraction(x)
    return f.is_nan().choose(0.0, f)


def _saw(x: Numbers) -> Numbers:
    return _fraction(x) * 2.0 - 1.0


def _tri(x: Numbers) -> Numbers:
    return 1.0 - abs(_saw(x)) * 2.0


def _pulse(x: Numbers, width: Numbers) -> Numbers:
    f = _fraction(x)
    return (f < width).choose(1.0, -1.0) + (f - f)  # the last term is 0, or nan where there is no fraction


def _hash(whole: Numbers) -> Numbers:
    # The finaliser of SplitMix64: G. L. Steele, D. Lea and C. H. Flood, Fast splittable pseudorandom number generators
    # (OOPSLA 2014), figure 17, mix64variant13. The sum with 0 makes -0 the same as 0.
    bits: Bits = (whole + 0.0).bits() + 0x9E3779B97F4A7C15
    bits = (bits ^ (bits >> 30)) * 0xBF58476D1CE4E5B9
    bits = (bits ^ (bits >> 27)) * 0x94D049BB133111EB
    bits = bits ^ (bits >> 31)
    return ((bits >> 12) | 0x3FF0000000000000).numbers() * 2.0 - 3.0


def _noise(x: Numbers) -> Numbers:
    # A value from -1 to 1 at every whole number, and between them the cubic that is level at both.
    whole = x.floor()
    f = x - whole
    a = _hash(whole)
    return a + (_hash(whole + 1.0) - a) * (f * f * (3.0 - f * 2.0))


def _minimum(a: Numbers, b: Numbers) -> Numbers:
    return a.is_nan().choose(a, (a < b).choose(a, b))


def _maximum(a: Numbers, b: Numbers) -> Numbers:
    return a.is_nan().choose(a, (a > b).choose(a, b))


def _sign(x: Numbers) -> Numbers:
    return x.is_nan().choose(x, (x > 0.0).choose(1.0, (x < 0.0).choose(-1.0, 0.0)))


def _of_other_sign(r: Numbers, b: Numbers) -> Mask:
    return r.differs(0.0) & ((r < 0.0) ^ (b < 0.0))


def _whole_remainder(r: Numbers, b: Numbers) -> Numbers:
    # From a remainder with the sign of the dividend to one with that of the divisor.
    zero = r.equal(0.0).choose((r * 0.0).signed_as(b), r)
    return _of_other_sign(r, b).choose(r + b, zero)


def _whole_quotient(a: Numbers, b: Numbers, r: Numbers) -> Numbers:
    # As NumPy and Python divide: what is left is taken away first, then the quotient is rounded down.
    quotient = (a - r) / b
    quotient = _of_other_sign(r, b).choose(quotient - 1.0, quotient)
    below = quotient.floor()
    below = ((quotient - below) > 0.5).choose(below + 1.0, below)
    below = quotient.equal(0.0).choose((quotient * 0.0).signed_as(a / b), below)
    return b.equal(0.0).choose(a / b, below)


_LOOPS: dict[str, tuple[int, Callable[..., Numbers]]] = {
    "copy": (16, lambda a: a),
    "place": (16, _place),
    "add": (16, lambda a, b: a + b),
    "subtract": (16, lambda a, b: a - b),
    "multiply": (16, lambda a, b: a * b),
    "divide": (16, lambda a, b: a / b),
    "multiply_add": (16, lambda a, b, c: a * b + c),
    "multiply_subtract": (16, lambda a, b, c: a * b - c),
    "subtract_product": (16, lambda a, b, c: c - a * b),
    "add_multiply": (16, lambda a, b, c: (a + b) * c),
    "subtract_multiply": (16, lambda a, b, c: (a - b) * c),
    "multiply_multiply": (16, lambda a, b, c: a * b * c),
    "add_add": (16, lambda a, b, c: a + b + c),
    "products_add": (16, lambda a, b, c, d: a * b + c * d),
    "products_subtract": (16, lambda a, b, c, d: a * b - c * d),
    "fmod": (8, elementary.remainder),
    "whole_remainder": (8, _whole_remainder),
    "whole_quotient": (8, _whole_quotient),
    "minimum": (16, _minimum),
    "maximum": (16, _maximum),
    "less": (16, lambda a, b: _truth(a < b)),
    "less_equal": (16, lambda a, b: _truth(a <= b)),
    "equal": (16, lambda a, b: _truth(a.equal(b))),
    "not_equal": (16, lambda a, b: _truth(a.differs(b))),
    "logical_and": (16, lambda a, b: _truth(a.differs(0.0) & b.differs(0.0))),
    "logical_or": (16, lambda a, b: _truth(a.differs(0.0) | b.differs(0.0))),
    "logical_not": (16, lambda a: _truth(a.equal(0.0))),
    "where": (16, lambda a, b, c: a.differs(0.0).choose(b, c)),
    "negative": (16, lambda a: -a),
    "absolute": (16, abs),
    "sign": (16, _sign),
    "floor": (16, Numbers.floor),
    "ceil": (16, Numbers.ceil),
    "rint": (16, Numbers.rint),
    "trunc": (16, Numbers.trunc),
    "sqrt": (16, Numbers.sqrt),
    "copysign": (16, Numbers.signed_as),
    "isnan": (16, lambda a: _truth(a.is_nan())),
    "isinf": (16, lambda a: _truth(abs(a).equal(math.inf))),
    "isfinite": (16, lambda a: _truth(abs(a) < math.inf)),
    "saw": (16, _saw),
    "tri": (16, _tri),
    "pulse": (16, _pulse),
    "noise": (8, _noise),
    "tanh": (8, elementary.hyperbolic_tangent),
    "sin": (8, elementary.sine),
    "cos": (8, elementary.cosine),
    "exp": (8, elementary.exponential),
    "exp2": (8, elementary.power_of_two),
    "log": (8, elementary.logarithm),
}
"""Lanes of a vector and what is done to it, by operation."""

_MAY_BE_FAR = frozenset({"fmod", "sin", "cos", "exp", "exp2", "log"})
"""Operations whose nan is not the last word."""


def _generate_loop(builder: Any, operation: str, rows: list[Any], tiles: Any, far: Any) -> None:
    lanes, function = _LOOPS[operation]
    steps = builder.mul(tiles, ir.Constant(_WORD, TILE // lanes))
    operands = rows[1 : 1 + OPERATIONS[operation]]
    with cgutils.for_range(builder, steps, intp=_WORD) as loop:
        along = builder.mul(loop.index, ir.Constant(_WORD, lanes * 8))
        y = function(*(load_numbers(builder, builder.add(row, along), lanes) for row in operands))
        if operation in _MAY_BE_FAR:
            found = builder.or_(builder.load(far), builder.zext(y.is_nan().any(), _WORD))
            builder.store(found, far)
        store_numbers(builder, y, builder.add(rows[0], along))


@intrinsic
def run_vectors(typing_context: Any, operation: Any, target: Any, a: Any, b: Any, c: Any, d: Any, tiles: Any) -> Any:
    """Fill the row at address `target` from those at a, b, c and d; return 1 if libm is to be asked, else 0.

    Operations that are not made of vectors do nothing. No row may overlap the target's in part.
    """

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        number, *rows, count = values
        far = cgutils.alloca_once_value(builder, ir.Constant(_WORD, 0))
        done = builder.append_basic_block("done")
        switch = builder.switch(number, done)
        for name in _LOOPS:
            block = builder.append_basic_block(name)
            switch.add_case(ir.Constant(number.type, OPERATION_NUMBERS[name]), block)
            builder.position_at_end(block)
            _generate_loop(builder, name, rows, count, far)
            builder.branch(done)
        builder.position_at_end(done)
        return builder.load(far)

    address = types.uint64
    return types.uint64(types.int32, address, address, address, address, address, address), generate
