"""Random formulas, made fast enough that a test can look at a hundred thousand of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.formulas.instructions import NAMES
from instrument.patch.formula.functions import FUNCTIONS
from instrument.patch.formula.parser import CONSTANTS

if TYPE_CHECKING:
    import random

_NUMBERS = ("0", "1", "2", "3", "0.5", "-1", "1e-9", "440", "1e308", "1e-308", "0.1", "7.25", "1e16", "255")
_LEAVES = (*NAMES, *"abcdefgh" * 3, *CONSTANTS, *_NUMBERS * 2)
_OPERATORS = ("+", "-", "*", "/", "//", "%", "**", "<", "<=", ">", ">=", "==", "!=", "and", "or")
_SIGNS = ("-", "+", "not ")
_CALLS = tuple((name, function.fewest, min(function.most, 4)) for name, function in FUNCTIONS.items())


def random_formula(rng: random.Random, depth: int = 3) -> str:
    """Return the text of a formula of up to some twenty operations.

    Parameters
    ----------
    rng : random.Random
    depth : int
        Levels of brackets and calls.
    """
    kind = rng.random() if depth else 1.0
    if kind < 0.4:
        left, right = random_formula(rng, depth - 1), random_formula(rng, depth - 1)
        return f"({left} {rng.choice(_OPERATORS)} {right})"
    if kind < 0.8:
        name, fewest, most = rng.choice(_CALLS)
        return f"{name}({', '.join(random_formula(rng, depth - 1) for _ in range(rng.randint(fewest, most)))})"
    if kind < 0.9:
        return f"({rng.choice(_SIGNS)}{random_formula(rng, depth - 1)})"
    return str(rng.choice(_LEAVES))
