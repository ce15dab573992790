"""Arithmetic on vectors of samples, written in Python and turned into the processor's instructions when it is compiled.

Numba's loops become vectors only if the optimiser can prove that rows do not overlap and takes the trouble; loops
that are made of vectors need neither, and compile in a fraction of the time.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba.core import cgutils

_DOUBLE = ir.DoubleType()
_WORD = ir.IntType(64)
_BIT = ir.IntType(1)


class Lanes:
    """Values of one kind, one for each sample of a vector."""

    element: Any = None

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder = builder
        self.value = value
        self.count: int = value.type.count

    def like(self, other: Any) -> Any:
        """Return an operand as lanes: itself, or a number repeated."""
        if isinstance(other, Lanes):
            return other
        return type(self)(self.builder, ir.Constant(ir.VectorType(self.element, self.count), other))

    def _made(self, instruction: str, other: Any) -> Any:
        return type(self)(self.builder, getattr(self.builder, instruction)(self.value, self.like(other).value))

    def _made_by(self, instruction: str, other: Any) -> Any:
        return type(self)(self.builder, getattr(self.builder, instruction)(self.like(other).value, self.value))


class Bits(Lanes):
    """Unsigned 64-bit words."""

    element = _WORD

    def __and__(self, other: Any) -> Bits:
        return self._made("and_", other)  # type: ignore[no-any-return]

    def __or__(self, other: Any) -> Bits:
        return self._made("or_", other)  # type: ignore[no-any-return]

    def __xor__(self, other: Any) -> Bits:
        return self._made("xor", other)  # type: ignore[no-any-return]

    def __lshift__(self, other: Any) -> Bits:
        return self._made("shl", other)  # type: ignore[no-any-return]

    def __rshift__(self, other: Any) -> Bits:
        return self._made("lshr", other)  # type: ignore[no-any-return]

    def __add__(self, other: Any) -> Bits:
        return self._made("add", other)  # type: ignore[no-any-return]

    def __mul__(self, other: Any) -> Bits:
        return self._made("mul", other)  # type: ignore[no-any-return]

    def numbers(self) -> Numbers:
        """Read the words as float64."""
        return Numbers(self.builder, self.builder.bitcast(self.value, ir.VectorType(_DOUBLE, self.count)))

    def any_set(self) -> Mask:
        """Return where a word is not 0."""
        return Mask(self.builder, self.builder.icmp_unsigned("!=", self.value, self.like(0).value))


class Mask(Lanes):
    """Conditions."""

    element = _BIT

    def __and__(self, other: Mask) -> Mask:
        return self._made("and_", other)  # type: ignore[no-any-return]

    def __or__(self, other: Mask) -> Mask:
        return self._made("or_", other)  # type: ignore[no-any-return]

    def __xor__(self, other: Mask) -> Mask:
        return self._made("xor", other)  # type: ignore[no-any-return]

    def choose(self, yes: Numbers | float, no: Numbers | float) -> Numbers:
        """Return `yes` where the condition holds and `no` elsewhere."""
        kind = ir.VectorType(_DOUBLE, self.count)
        a, b = (x.value if isinstance(x, Lanes) else ir.Constant(kind, x) for x in (yes, no))
        return Numbers(self.builder, self.builder.select(self.value, a, b))

    def any(self) -> Any:
        """Return an LLVM condition: whether it holds anywhere."""
        word = ir.IntType(self.count)
        return self.builder.icmp_unsigned("!=", self.builder.bitcast(self.value, word), ir.Constant(word, 0))


class Numbers(Lanes):
    """Float64 numbers; every operation rounds as IEEE 754 has it, none is fused with another."""

    element = _DOUBLE

    def __add__(self, other: Any) -> Numbers:
        return self._made("fadd", other)  # type: ignore[no-any-return]

    def __sub__(self, other: Any) -> Numbers:
        return self._made("fsub", other)  # type: ignore[no-any-return]

    def __mul__(self, other: Any) -> Numbers:
        return self._made("fmul", other)  # type: ignore[no-any-return]

    def __truediv__(self, other: Any) -> Numbers:
        return self._made("fdiv", other)  # type: ignore[no-any-return]

    def __radd__(self, other: Any) -> Numbers:
        return self._made_by("fadd", other)  # type: ignore[no-any-return]

    def __rsub__(self, other: Any) -> Numbers:
        return self._made_by("fsub", other)  # type: ignore[no-any-return]

    def __rmul__(self, other: Any) -> Numbers:
        return self._made_by("fmul", other)  # type: ignore[no-any-return]

    def __rtruediv__(self, other: Any) -> Numbers:
        return self._made_by("fdiv", other)  # type: ignore[no-any-return]

    def __neg__(self) -> Numbers:
        return Numbers(self.builder, self.builder.fneg(self.value))

    def __abs__(self) -> Numbers:
        return self._function("fabs")

    def __lt__(self, other: Any) -> Mask:
        return self._compared("<", other)

    def __le__(self, other: Any) -> Mask:
        return self._compared("<=", other)

    def __gt__(self, other: Any) -> Mask:
        return self._compared(">", other)

    def __ge__(self, other: Any) -> Mask:
        return self._compared(">=", other)

    def equal(self, other: Any) -> Mask:
        """Return where numbers are equal; nan equals nothing."""
        return self._compared("==", other)

    def differs(self, other: Any) -> Mask:
        """Return where numbers are not equal; nan differs from everything."""
        value = self.builder.fcmp_unordered("!=", self.value, self.like(other).value)
        return Mask(self.builder, value)

    def is_nan(self) -> Mask:
        """Return where there is no number."""
        return self.differs(self)

    def floor(self) -> Numbers:
        """Return the largest whole number not above."""
        return self._function("floor")

    def ceil(self) -> Numbers:
        """Return the smallest whole number not below."""
        return self._function("ceil")

    def rint(self) -> Numbers:
        """Return the nearest whole number, an even one among two (roundToIntegralTiesToEven of IEEE 754-2019, 5.9)."""
        return self._function("rint")

    def trunc(self) -> Numbers:
        """Return the number without its fraction."""
        return self._function("trunc")

    def sqrt(self) -> Numbers:
        """Return the square root, nan below 0."""
        return self._function("sqrt")

    def signed_as(self, other: Any) -> Numbers:
        """Return the number with the sign of another (copySign of IEEE 754-2019, 5.5.1)."""
        return self._function("copysign", other)

    def times_plus(self, factor: Any, addend: Any) -> Numbers:
        """Return self * factor + addend, rounded once (fusedMultiplyAdd of IEEE 754-2019, 5.4.1)."""
        return self._function("fma", factor, addend)

    def bits(self) -> Bits:
        """Read the numbers as words."""
        return Bits(self.builder, self.builder.bitcast(self.value, ir.VectorType(_WORD, self.count)))

    def _compared(self, relation: str, other: Any) -> Mask:
        return Mask(self.builder, self.builder.fcmp_ordered(relation, self.value, self.like(other).value))

    def _function(self, name: str, *others: Any) -> Numbers:
        kind = self.value.type
        arguments = [self.value, *(self.like(other).value for other in others)]
        function = cgutils.get_or_insert_function(
            self.builder.module,
            ir.FunctionType(kind, [kind] * len(arguments)),
            f"llvm.{name}.v{self.count}f64",
        )
        return Numbers(self.builder, self.builder.call(function, arguments))


def load_numbers(builder: Any, address: Any, count: int) -> Numbers:
    """Read a vector at an address, which need not be aligned to more than 8 bytes."""
    pointer = builder.inttoptr(address, ir.VectorType(_DOUBLE, count).as_pointer())
    return Numbers(builder, builder.load(pointer, align=8))


def store_numbers(builder: Any, numbers: Numbers, address: Any) -> None:
    """Write a vector at an address."""
    builder.store(numbers.value, builder.inttoptr(address, numbers.value.type.as_pointer()), align=8)
