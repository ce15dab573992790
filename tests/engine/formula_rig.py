"""How tests run formulas: the engine's own compiled unit, on rows that the test fills."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING

import numpy as np

import instrument.engine.compiling.unit_entries  # noqa: F401 - compiles or loads the units
from instrument.engine.compiling.compiled import UNITS
from instrument.engine.formulas.instructions import MODULATOR_LOCATION
from instrument.engine.memory.allocation import allocate
from instrument.engine.memory.layout import CHUNK, CODE
from instrument.engine.parameters import KNOBS, index_of
from instrument.engine.program import new_program
from instrument.patch.formula.parser import compile_formula

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray

    from instrument.engine.formulas.instructions import Formula

_unit = ctypes.CFUNCTYPE(None, ctypes.c_void_p, *(ctypes.c_int64,) * 6)(int(UNITS["beamhand_formula"].address))


class Rig:
    """A memory in which formulas are run without anything else of the engine.

    Knobs `a` to `h` are those of layer 1; the result is read from the row of modulator 1.
    """

    def __init__(self, rate: float = 48000.0) -> None:
        self.memory = allocate(rate, ring_seconds=0.01)
        self.record = self.memory.record
        self.instance = self.record["instances"][0]
        self.instance["slot"] = 0

    def set_row(self, knob: str, values: ArrayLike) -> None:
        """Fill a knob's row, or the beginning of it, with values."""
        row = np.atleast_1d(np.asarray(values, np.float64))
        self.instance["rows"][index_of(f"layer.1.source.{knob}"), : len(row)] = row

    def load(self, formulas: Iterable[Formula | str]) -> list[tuple[int, int]]:
        """Place formulas in the program, and return first instruction and count of each that finds room."""
        program = new_program()
        places = []
        for formula in formulas:
            compiled = compile_formula(formula) if isinstance(formula, str) else formula
            if int(program.record["n_code"]) + len(compiled.instructions) > CODE:
                break
            program.draw_formula(0, (compiled,))
            row = program.record["layers"][0]
            places.append((int(row["code"][0]), int(row["instructions"][0])))
        self.record["bank"][0]["code"] = program.record["code"]
        self.record["bank"][0]["constants"] = program.record["constants"]
        return places

    def run(self, code: int, count: int, first: int = 0, last: int = CHUNK, modulator: int = 0) -> NDArray[np.float64]:
        """Run instructions, and return the whole row of the modulator (0-based) that takes the result."""
        place = MODULATOR_LOCATION + modulator * CHUNK
        _unit(self.memory.address, 0, code, count, place, first, last)
        return np.array(self.instance["modulator_rows"][modulator])

    def value(self, text: str, **knobs: ArrayLike) -> NDArray[np.float64]:
        """Return what a formula makes of knob values, as many samples as the longest of them has."""
        rows = {knob: np.atleast_1d(np.asarray(values, np.float64)) for knob, values in knobs.items()}
        length = max([1, *(len(row) for row in rows.values())])
        (place,) = self.load([text])
        out = np.empty(length)
        for at in range(0, length, CHUNK):
            count = min(CHUNK, length - at)
            for knob, row in rows.items():
                assert knob in KNOBS
                self.set_row(knob, row[at : at + count] if len(row) > 1 else np.full(count, row[0]))
            out[at : at + count] = self.run(*place, 0, count)[:count]
        return out
