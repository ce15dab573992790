"""Formulas as a field of a patch file: checked when the file is read, with the column of what is wrong."""

from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from instrument.patch.formula.parser import LONGEST, FormulaError, compile_formula
from instrument.patch.schema.fields import refusal


def _formula(value: Any) -> str:
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = repr(float(value))
    if not isinstance(value, str):
        raise refusal('it takes a formula in quotes, such as "sin(tau*p)"')
    try:
        compile_formula(value)
    except FormulaError as error:
        raise refusal(f"column {error.column} of it: {error.reason}", column=error.column) from None
    return value


FormulaText = Annotated[
    str,
    BeforeValidator(_formula),
    WithJsonSchema({"anyOf": [{"type": "string", "maxLength": LONGEST}, {"type": "number"}]}),
]
"""A formula, kept as it is written."""
