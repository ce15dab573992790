"""The functions that a formula may call, and how each becomes operations of the engine."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from instrument.engine.formulas.instructions import OPERATIONS
from instrument.patch.formula.graph import FormulaGraph, is_power_of_two

MOST_ARGUMENTS = 16
"""Numbers that min and max take at most."""


@dataclass(frozen=True)
class Function:
    """A function that may be called.

    Attributes
    ----------
    about : str
        What it gives.
    fewest, most : int
        How many numbers it takes.
    """

    about: str
    fewest: int
    most: int

    @property
    def wanted(self) -> str:
        """Number of arguments in words."""
        if self.fewest != self.most:
            return f"{self.fewest} to {self.most} numbers"
        return f"{self.fewest} number{'s' if self.fewest > 1 else ''}"


_ABOUT: dict[int, dict[str, str]] = {
    1: {
        **{name: f"NumPy's {name}" for name in ("sin", "cos", "tan", "arcsin", "arccos", "arctan")},
        **{name: f"NumPy's {name}" for name in ("sinh", "cosh", "tanh", "arcsinh", "arccosh", "arctanh")},
        **{name: f"NumPy's {name}" for name in ("exp", "exp2", "expm1", "log", "log2", "log10", "log1p")},
        **{name: f"NumPy's {name}" for name in ("sqrt", "cbrt", "square", "reciprocal", "sign", "negative")},
        **{name: f"NumPy's {name}" for name in ("absolute", "abs", "fabs", "positive", "degrees", "radians")},
        **{name: f"NumPy's {name}" for name in ("rad2deg", "deg2rad", "floor", "ceil", "rint", "round", "trunc")},
        **{name: f"NumPy's {name}" for name in ("isnan", "isinf", "isfinite", "logical_not", "sinc")},
        "saw": "a saw from -1 to 1 along each turn",
        "tri": "a triangle from -1 to 1 and back along each turn",
        "noise": "a random value from -1 to 1 at every whole number, always the same there, and smooth between",
    },
    2: {
        **{name: f"NumPy's {name}" for name in ("arctan2", "hypot", "power", "mod", "remainder", "fmod")},
        **{name: f"NumPy's {name}" for name in ("minimum", "maximum", "fmin", "fmax", "copysign", "heaviside")},
        **{name: f"NumPy's {name}" for name in ("add", "subtract", "multiply", "divide", "floor_divide")},
        **{name: f"NumPy's {name}" for name in ("less", "less_equal", "greater", "greater_equal")},
        **{name: f"NumPy's {name}" for name in ("equal", "not_equal", "logical_and", "logical_or")},
        "pulse": "1 for the first part of each turn, as long as the second number says, then -1",
    },
    3: {"where": "NumPy's where", "clip": "NumPy's clip"},
}

FUNCTIONS: dict[str, Function] = {
    **{name: Function(about, count, count) for count, table in _ABOUT.items() for name, about in table.items()},
    "min": Function("the smallest of its numbers, nan if one is nan", 2, MOST_ARGUMENTS),
    "max": Function("the largest of its numbers, nan if one is nan", 2, MOST_ARGUMENTS),
}
"""Every function by name."""

FOLDED: dict[str, np.ufunc] = {
    name: getattr(np, name) for name in OPERATIONS if isinstance(getattr(np, name, None), np.ufunc)
}
"""Operations whose value is known before playing when their operands are."""


class NodeBuilder:
    """Makes nodes of functions and operators.

    Parameters
    ----------
    graph : FormulaGraph
        Where the nodes go.
    """

    def __init__(self, graph: FormulaGraph) -> None:
        self.graph = graph

    def make(self, name: str, *operands: int) -> int:
        """Return the node of a function of `FUNCTIONS`, or of an operator by NumPy's name for it."""
        made = getattr(self, f"_{name}", None)
        return made(*operands) if made is not None else self._basic(name, *operands)

    def _basic(self, name: str, *operands: int) -> int:
        graph = self.graph
        values = [graph.value_of(operand) for operand in operands]
        # Constant folding by NumPy's own functions in float64: once now instead of at every sample.
        if name in FOLDED and None not in values:
            return graph.constant(float(FOLDED[name](*(np.float64(value) for value in values))))
        return graph.operation(name, *operands)

    def _number(self, value: float) -> int:
        return self.graph.constant(value)

    def _multiply(self, a: int, b: int) -> int:
        if self.graph.value_of(a) == 1.0:
            return b
        return a if self.graph.value_of(b) == 1.0 else self._basic("multiply", a, b)

    def _divide(self, a: int, b: int) -> int:
        value = self.graph.value_of(b)
        if value is not None and is_power_of_two(value):
            return self._multiply(a, self._number(1.0 / value))
        return self._basic("divide", a, b)

    def _power(self, a: int, b: int) -> int:
        # Whole powers that a few products make; 2 is exact, the others differ from pow by the last bit at most.
        value = self.graph.value_of(b)
        if self.graph.value_of(a) is None and value in {1.0, 2.0, 3.0, 4.0}:
            square = a if value == 1.0 else self._multiply(a, a)
            return square if value in {1.0, 2.0} else self._multiply(square, a if value == 3.0 else square)
        return self._basic("power", a, b)

    def _mod(self, a: int, b: int) -> int:
        x, y = self.graph.value_of(a), self.graph.value_of(b)
        if x is not None and y is not None:
            return self._number(float(np.mod(x, y)))
        return self._basic("whole_remainder", self._basic("fmod", a, b), b)

    def _floor_divide(self, a: int, b: int) -> int:
        x, y = self.graph.value_of(a), self.graph.value_of(b)
        if x is not None and y is not None:
            return self._number(float(np.floor_divide(x, y)))
        return self._basic("whole_quotient", a, b, self._basic("fmod", a, b))

    def _greater(self, a: int, b: int) -> int:
        return self._basic("less", b, a)

    def _greater_equal(self, a: int, b: int) -> int:
        return self._basic("less_equal", b, a)

    def _positive(self, a: int) -> int:
        return a

    def _abs(self, a: int) -> int:
        return self._basic("absolute", a)

    def _fabs(self, a: int) -> int:
        return self._basic("absolute", a)

    def _round(self, a: int) -> int:
        return self._basic("rint", a)

    def _remainder(self, a: int, b: int) -> int:
        return self._mod(a, b)

    def _square(self, a: int) -> int:
        return self._multiply(a, a)

    def _reciprocal(self, a: int) -> int:
        return self._divide(self._number(1.0), a)

    def _degrees(self, a: int) -> int:
        return self._multiply(a, self._number(180.0 / math.pi))

    def _radians(self, a: int) -> int:
        return self._multiply(a, self._number(math.pi / 180.0))

    def _rad2deg(self, a: int) -> int:
        return self._degrees(a)

    def _deg2rad(self, a: int) -> int:
        return self._radians(a)

    def _sinc(self, a: int) -> int:
        # As NumPy has it: 0 is moved aside by so little that the quotient is 1.
        moved = self._where(self._basic("equal", a, self._number(0.0)), self._number(1e-20), a)
        angle = self._multiply(self._number(math.pi), moved)
        return self._divide(self._basic("sin", angle), angle)

    def _where(self, condition: int, a: int, b: int) -> int:
        value = self.graph.value_of(condition)
        if value is None:
            return self._basic("where", condition, a, b)
        return a if value != 0.0 else b

    def _clip(self, a: int, low: int, high: int) -> int:
        return self._basic("minimum", self._basic("maximum", a, low), high)

    def _heaviside(self, a: int, at_zero: int) -> int:
        zero, one = self._number(0.0), self._number(1.0)
        above = self._where(self._basic("less", zero, a), one, a)
        below = self._where(self._basic("less", a, zero), zero, above)
        return self._where(self._basic("equal", a, zero), at_zero, below)

    def _fmin(self, a: int, b: int) -> int:
        return self._ignoring_nan("minimum", a, b)

    def _fmax(self, a: int, b: int) -> int:
        return self._ignoring_nan("maximum", a, b)

    def _ignoring_nan(self, name: str, a: int, b: int) -> int:
        of_numbers = self._where(self._basic("isnan", b), a, self._basic(name, a, b))
        return self._where(self._basic("isnan", a), b, of_numbers)

    def _min(self, *operands: int) -> int:
        return self._one_by_one("minimum", operands)

    def _max(self, *operands: int) -> int:
        return self._one_by_one("maximum", operands)

    def _one_by_one(self, name: str, operands: tuple[int, ...]) -> int:
        result = operands[0]
        for operand in operands[1:]:
            result = self._basic(name, result, operand)
        return result
