"""Compiled formulas: instructions over rows of samples, and the locations of those rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.memory.layout import CHUNK, CODE, CONSTANTS, FORMULA_ROWS, INSTANCE, INSTRUCTION, MEMORY, PROGRAM
from instrument.engine.parameters import AXES, KNOBS, LAYERS, index_of

if TYPE_CHECKING:
    import numpy.typing as npt


OPERATIONS: dict[str, int] = {
    # filled from the engine's state
    "time": 0,
    "note": 0,
    "velocity": 0,
    # made of vectors (formula_loops)
    "copy": 1,
    "place": 1,
    "add": 2,
    "subtract": 2,
    "multiply": 2,
    "divide": 2,
    "multiply_add": 3,
    "multiply_subtract": 3,
    "subtract_product": 3,
    "add_multiply": 3,
    "subtract_multiply": 3,
    "multiply_multiply": 3,
    "add_add": 3,
    "products_add": 4,
    "products_subtract": 4,
    "fmod": 2,
    "whole_remainder": 2,
    "whole_quotient": 3,
    "minimum": 2,
    "maximum": 2,
    "less": 2,
    "less_equal": 2,
    "equal": 2,
    "not_equal": 2,
    "logical_and": 2,
    "logical_or": 2,
    "logical_not": 1,
    "where": 3,
    "negative": 1,
    "absolute": 1,
    "sign": 1,
    "floor": 1,
    "ceil": 1,
    "rint": 1,
    "trunc": 1,
    "sqrt": 1,
    "copysign": 2,
    "isnan": 1,
    "isinf": 1,
    "isfinite": 1,
    "saw": 1,
    "tri": 1,
    "pulse": 2,
    "noise": 1,
    "tanh": 1,
    "sin": 1,
    "cos": 1,
    "exp": 1,
    "exp2": 1,
    "log": 1,
    # libm's, sample by sample (libm)
    "tan": 1,
    "arcsin": 1,
    "arccos": 1,
    "arctan": 1,
    "sinh": 1,
    "cosh": 1,
    "arcsinh": 1,
    "arccosh": 1,
    "arctanh": 1,
    "expm1": 1,
    "log1p": 1,
    "log2": 1,
    "log10": 1,
    "cbrt": 1,
    "power": 2,
    "arctan2": 2,
    "hypot": 2,
}
"""Operations of instructions, and on how many rows each works. Names are NumPy's where NumPy has the function; the others:

``time``, ``note`` and ``velocity`` fill a row from the state of the engine and ``place`` keeps the fraction of a
position. ``multiply_add`` is a b + c, ``multiply_subtract`` a b - c, ``subtract_product`` c - a b, ``add_multiply``
(a + b) c, ``subtract_multiply`` (a - b) c, ``multiply_multiply`` (a b) c, ``add_add`` (a + b) + c, ``products_add``
a b + c d and ``products_subtract`` a b - c d, each rounded after every operation, as if written one by one.
``whole_remainder`` makes NumPy's mod of fmod(a, b) and b, ``whole_quotient`` its floor_divide of a, b and
fmod(a, b)."""

OPERATION_NUMBERS: dict[str, int] = {name: number for number, name in enumerate(OPERATIONS)}

LAYER_NAMES = tuple(f"{axis}{layer}" for layer in range(1, LAYERS + 1) for axis in AXES[:2])
"""x1 and y1 to x8 and y8: the layers as they reach the mix."""

FILLED = {"t": "time", "note": "note", "velocity": "velocity"}
"""Names whose rows an instruction fills, by that instruction."""

NAMES: dict[str, str] = {
    "t": "seconds since the program began",
    "p": "where the pen is along its cycle, 0 to 1",
    "n": "number of the cycle, counted from 0",
    "note": "key number of the newest held note, or of the last one",
    "velocity": "its velocity, 0 to 1",
    "bpm": "beats in a minute",
    "beat": "beats since the clock began",
    "left": "live input, left",
    "right": "live input, right",
    **dict.fromkeys(KNOBS, "a knob of this formula"),
    **dict.fromkeys(LAYER_NAMES, "another layer"),
}
"""Names that a formula may read, with their meanings."""

TEMPORARY, CONSTANT, NAME = range(3)
"""Kinds of reference in an instruction that belongs to no program yet; see `refer`."""

_KIND_SHIFT = 28
_IN_MEMORY, _IN_INSTANCE, _IN_PROGRAM = range(3)
"""The records that a location counts from."""


@dataclass(frozen=True)
class Formula:
    """A compiled formula that belongs to no program yet.

    Attributes
    ----------
    instructions : np.ndarray [shape=(k,), dtype=INSTRUCTION], k > 0
        Targets and operands are references (`refer`); the last instruction's target is the result.
    constants : tuple of float
    names : tuple of str
        Names that are read from rows which something else fills.
    reads : frozenset of str
        All names that the formula reads.
    """

    instructions: npt.NDArray[np.void]
    constants: tuple[float, ...]
    names: tuple[str, ...]
    reads: frozenset[str]


def refer(kind: int, index: int) -> int:
    """Return a reference to a temporary row, a constant or a name of a `Formula`."""
    return kind << _KIND_SHIFT | index


def split_reference(reference: int) -> tuple[int, int]:
    """Return kind and index of a reference."""
    return reference >> _KIND_SHIFT, reference & ((1 << _KIND_SHIFT) - 1)


def _offset(dtype: np.dtype[np.void], field: str) -> int:
    fields = dtype.fields
    return int(fields[field][1]) if fields is not None else 0


def _location(record: int, dtype: np.dtype[np.void], field: str, row: int = 0) -> int:
    # Rows are counted in numbers of 8 bytes from the beginning of their record.
    return record << _KIND_SHIFT | (_offset(dtype, field) // 8 + row * CHUNK)


def temporary_location(index: int) -> int:
    """Return the location of a temporary row, 0 to `layout.FORMULA_ROWS` - 1."""
    if not 0 <= index < FORMULA_ROWS:
        raise ValueError(f"there is no temporary row {index}; they are counted from 0 to {FORMULA_ROWS - 1}")
    return _location(_IN_MEMORY, MEMORY, "formula_rows", index)


def constant_location(index: int) -> int:
    """Return the location of a program's constant row."""
    return _FIRST_CONSTANT + index * CHUNK


def parameter_location(address: str) -> int:
    """Return the location of a parameter's row.

    Raises
    ------
    KeyError
        If there is no such address.
    """
    return _location(_IN_INSTANCE, INSTANCE, "rows", index_of(address))


_FIRST_CONSTANT = _location(_IN_PROGRAM, PROGRAM, "constants")

AXIS_LOCATIONS = tuple(_location(_IN_MEMORY, MEMORY, f"scratch_{axis}") for axis in AXES)
"""Locations at which a layer's formulas leave x, y and z."""

MODULATOR_LOCATION = _location(_IN_INSTANCE, INSTANCE, "modulator_rows")
"""Location at which the first modulator's formula leaves its values; the next one's lie `layout.CHUNK` further on."""

_PEN_LOCATIONS = {
    "p": _location(_IN_MEMORY, MEMORY, "scratch_position"),
    "n": _location(_IN_MEMORY, MEMORY, "scratch_rounds"),
}
_CYCLE_LOCATIONS = {
    "p": _location(_IN_MEMORY, MEMORY, "scratch_turns"),
    "n": _location(_IN_MEMORY, MEMORY, "scratch_cycles"),
}
_SHARED_LOCATIONS = {
    "bpm": _location(_IN_MEMORY, MEMORY, "bpm_row"),
    "beat": _location(_IN_MEMORY, MEMORY, "beat_row"),
    "left": _location(_IN_MEMORY, MEMORY, "input_rows", 0),
    "right": _location(_IN_MEMORY, MEMORY, "input_rows", 1),
}


def layer_location(name: str, layer: int) -> int:
    """Return the location of a name's row in the formulas of a layer (0-based).

    A layer of a lower number has been drawn already; any other is read FEEDBACK_DELAY_SAMPLES samples late.
    """
    if name in KNOBS:
        return parameter_location(f"layer.{layer + 1}.source.{name}")
    if name in LAYER_NAMES:
        row = LAYER_NAMES.index(name)
        return _location(_IN_INSTANCE, INSTANCE, "layer_rows" if row // 2 < layer else "delayed_rows", row)
    return _PEN_LOCATIONS.get(name) or _SHARED_LOCATIONS[name]


def modulator_location(name: str, modulator: int) -> int:
    """Return the location of a name's row in the formula of a modulator (0-based), which reads all layers FEEDBACK_DELAY_SAMPLES late."""
    if name in KNOBS:
        return parameter_location(f"mod.{modulator + 1}.{name}")
    if name in LAYER_NAMES:
        return _location(_IN_INSTANCE, INSTANCE, "delayed_rows", LAYER_NAMES.index(name))
    return _CYCLE_LOCATIONS.get(name) or _SHARED_LOCATIONS[name]


def located(formula: Formula, constants: list[int], names: list[int]) -> npt.NDArray[np.void]:
    """Return a formula's instructions with locations instead of references.

    Parameters
    ----------
    formula : Formula
    constants : list of int
        Row of each of the formula's constants among the program's.
    names : list of int
        Location of each of the formula's names.
    """
    # References and locations by kind and index: one table, looked up for all operands together.
    temporaries = temporary_location(0) + CHUNK * np.arange(FORMULA_ROWS)
    tables = (temporaries, [constant_location(row) for row in constants], names)
    starts = np.cumsum([0, *(len(table) for table in tables)])
    locations = np.concatenate([np.asarray(table, np.int64) for table in tables])
    out = np.zeros(len(formula.instructions), INSTRUCTION)
    out["operation"] = formula.instructions["operation"]
    for field in ("target", "operands"):
        references = formula.instructions[field]
        out[field] = locations[starts[references >> _KIND_SHIFT] + (references & ((1 << _KIND_SHIFT) - 1))]
    return out


def add_code(record: npt.NDArray[np.void], formula: Formula, names: list[int]) -> tuple[int, int]:
    """Put a formula's instructions behind those of a program; return the first and how many.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=PROGRAM]
    formula : Formula
    names : list of int
        Location of each of the formula's names.

    Raises
    ------
    ValueError
        If the program has no room for so many instructions or constants.
    """
    first, count = int(record["n_code"]), len(formula.instructions)
    if first + count > CODE:
        raise ValueError(
            f"the formulas of a patch come to more than {CODE} instructions together; make some of them shorter"
        )
    constants = [_constant(record, value) for value in formula.constants]
    record["code"][first : first + count] = located(formula, constants, names)
    record["n_code"] = first + count
    if not formula.reads.isdisjoint(LAYER_NAMES):
        record["feeds_back"] = 1
    return first, count


def _constant(record: npt.NDArray[np.void], value: float) -> int:
    # The row of a constant, by its bits: 0 is not -0.
    count = int(record["n_constants"])
    bits = np.float64(value).view(np.int64)
    known = np.flatnonzero(record["constants"][:count, 0].view(np.int64) == bits)
    if len(known):
        return int(known[0])
    if count == CONSTANTS:
        raise ValueError(
            f"the formulas of a patch hold more than {CONSTANTS} different numbers; use knobs for some of them"
        )
    record["constants"][count] = value
    record["n_constants"] = count + 1
    return count
