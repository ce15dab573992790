"""Whether a formula that is being typed can be read, and which column it goes wrong at."""

from __future__ import annotations

from functools import lru_cache

from instrument.patch.formula.parser import FormulaError, compile_formula


@lru_cache(maxsize=64)
def check_formula(text: str) -> tuple[int, str] | None:
    """Return column (from 1) and reason of what is wrong with a formula, or None.

    Examples
    --------
    >>> check_formula("sin(tau*p)") is None, check_formula("1 + nope")[0]
    (True, 5)
    """
    if not text.strip():
        return 1, "it is empty; write a number or a formula"
    try:
        compile_formula(text)
    except FormulaError as error:
        return error.column, error.reason
    return None
