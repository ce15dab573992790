"""The modulators of a patch file: for each kind the parameters that it has, and its table or its formula."""

from itertools import pairwise
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, BeforeValidator, Field

from instrument.engine.memory.layout import CELLS
from instrument.engine.modulators.modulator_table import MODULATOR_TABLE
from instrument.patch.schema.fields import (
    FormulaText,
    Number,
    Table,
    Text,
    make_table,
    one_of_kinds,
    parameter_fields,
    refusal,
)

MOST_ROWS = 4096
"""Breakpoints or steps of a modulator; far more than anybody draws."""

KIND_ROWS: dict[str, tuple[str, ...]] = {
    kind: tuple(parameter.name for parameter in row.parameters) for kind, row in MODULATOR_TABLE.items()
}
"""Names of the parameters that each kind of modulator listens to."""


def _cells(value: Any) -> Any:
    if not isinstance(value, list) or len(value) > CELLS:
        raise refusal(f"it takes a list of up to {CELLS} numbers")
    return value


def _rows(allowed: str, least: int, most: int) -> BeforeValidator:
    def check(value: Any) -> Any:
        if not isinstance(value, list) or not 1 <= len(value) <= MOST_ROWS:
            raise refusal(f"it takes 1 to {MOST_ROWS} rows, {allowed}")
        for k, row in enumerate(value):
            if not isinstance(row, list):
                continue
            if not least <= len(row) <= most:
                raise refusal(f"a row is {allowed}", at=k)
        return [row if isinstance(row, list) else [row] for row in value]

    return BeforeValidator(check)


_POINT = "each [time, value] or [time, value, bend], with times from 0 to 1 that do not fall"
_STEP = "each a value, or [value, glide, probability, gate] as far as needed"


def _drawable(value: list[list[float]]) -> list[list[float]]:
    for k, row in enumerate(value):
        if not np.isfinite(row).all():
            raise refusal("a table needs finite numbers", at=k)
    return value


def _in_order(value: list[list[float]]) -> list[list[float]]:
    for k, (before, after) in enumerate(pairwise(value)):
        if after[0] < before[0]:
            raise refusal("the times of a curve do not fall", at=k + 1)
    return value


def _all_finite(value: list[float]) -> list[float]:
    _drawable([[number] for number in value])
    return value


Points = Annotated[list[list[Number]], _rows(_POINT, 2, 3), AfterValidator(_drawable), AfterValidator(_in_order)]
Steps = Annotated[list[list[Number]], _rows(_STEP, 1, 4), AfterValidator(_drawable)]
Cells = Annotated[list[Number], BeforeValidator(_cells), AfterValidator(_all_finite)]


_TABLES: dict[str, dict[str, Any]] = {
    "curve": {
        "points": (
            Points,
            Field(
                description="breakpoints [time, value] or [time, value, bend]: times from 0 to 1 of the cycle; the bend "
                "of the way to the next one is 0 for straight"
            ),
        )
    },
    "steps": {
        "steps": (
            Steps,
            Field(
                description="values, or [value, glide, probability, gate]: share of the step spent gliding there (0), "
                "chance of being played (1), share after which it falls to 0 (1 for not at all)"
            ),
        )
    },
    "gesture": {
        "values": (
            Cells,
            Field([], description=f"what it holds at first, at equal distances along its cycle (up to {CELLS})"),
        )
    },
    "formula": {"formula": (FormulaText, Field(description="its value; see formulas"))},
}


def table_of(modulator: Any) -> npt.NDArray[np.float64]:
    """Return breakpoints [shape=(k, 3)], steps [shape=(k, 4)] or cells [shape=(k,)] of a modulator."""
    if modulator.kind == "curve":
        return np.array([[*row, 0.0][:3] for row in modulator.points], np.float64)
    if modulator.kind == "steps":
        usual = [0.0, 0.0, 1.0, 1.0]
        return np.array([[*row, *usual[len(row) :]] for row in modulator.steps], np.float64)
    return np.array(modulator.values, np.float64)


def _model_of(kind: str) -> type[Table]:
    row = MODULATOR_TABLE[kind]
    base = parameter_fields(f"{kind.capitalize()}ModulatorFields", row.parameters)
    default = "lfo" if kind == "lfo" else ...
    return make_table(
        f"{kind.capitalize()}Modulator",
        base,
        row.about,
        {
            "name": (Text, Field("", description="name by which links refer to it")),
            "kind": (Literal[kind], default),
            **_TABLES.get(kind, {}),
        },
    )


Modulator: Any = one_of_kinds(
    {kind: _model_of(kind) for kind in MODULATOR_TABLE},
    "a modulator",
    "[[modulator]]",
    usual="lfo",
    former={word: kind.name for kind in MODULATOR_TABLE.values() for word in kind.formerly},
)
"""A moving value."""
