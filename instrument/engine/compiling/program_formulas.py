"""Formulas within a program: their instructions one behind the other, and their constants shared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.formulas.instructions import LAYER_NAMES, Formula, placed
from instrument.engine.memory.layout import CODE, CONSTANTS

if TYPE_CHECKING:
    import numpy.typing as npt


def add_code(record: npt.NDArray[np.void], formula: Formula, names: list[int]) -> tuple[int, int]:
    """Put a formula's instructions behind those of a program; return the first and how many.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=PROGRAM]
    formula : Formula
    names : list of int
        Place of each of the formula's names.

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
    record["code"][first : first + count] = placed(formula, constants, names)
    record["n_code"] = first + count
    if not formula.reads.isdisjoint(LAYER_NAMES):
        record["short"] = 1
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
