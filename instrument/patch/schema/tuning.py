"""Tuning of a patch: the reference pitch, and scales of ratios or cents in place of equal temperament."""

from typing import Annotated, Any, Self

import numpy as np
import numpy.typing as npt
from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from instrument.engine.memory.layout import KEYS
from instrument.engine.parameters import PATCH, Parameter
from instrument.patch.number import A4_KEY, NumberError, note_to_key
from instrument.patch.schema.fields import Number, parameter_fields, refusal

Floats = npt.NDArray[np.float64]

STEPS = KEYS
"""Steps of a scale at most: there are no more keys."""

_CENTS = 100.0
"""Cents in an equally tempered semitone: A. J. Ellis, On the Musical Scales of Various Nations, 1885."""

_PERIOD_SEMITONES = 12.0

_ROWS = tuple(
    Parameter(row.name.removeprefix("tuning."), row.default, row.unit, row.about)
    for row in PATCH
    if row.name.startswith("tuning.")
)


def _key(value: Any) -> int:
    if isinstance(value, str):
        try:
            value = note_to_key(value)
        except NumberError:
            value = None
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < KEYS:
        raise refusal(f"it takes a key from 0 to {KEYS - 1}, or a note name such as C4")
    return value


def _scale(value: Any) -> Any:
    if not isinstance(value, list) or not 1 <= len(value) <= STEPS:
        raise refusal(f'it takes a list of 1 to {STEPS} steps, the last of them the period, as ["9/8", "3/2", 2]')
    return value


Scale = Annotated[list[Number], BeforeValidator(_scale)]


class Tuning(parameter_fields("TuningFields", _ROWS)):  # type: ignore[misc]  # made from the engine's table
    """Pitches that the keys sound."""

    root: Annotated[
        int,
        BeforeValidator(_key),
        WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 0, "maximum": KEYS - 1}, {"type": "string"}]}),
    ] = Field(60, description="key on which the scale begins, as a number or a note name")
    cents: Scale | None = Field(
        None,
        description="steps of the scale above its root in cents, one for each key, the last one the period that repeats "
        "it: 1200 for an octave",
    )
    ratios: Scale | None = Field(
        None, description='the same as frequency ratios, such as "3/2"; the last one is 2 for an octave'
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.cents is not None and self.ratios is not None:
            raise refusal("a scale is written in cents or in ratios", "Take one of the two out.", at="ratios")
        return self

    def semitones_away(self) -> Floats | None:
        """Return how far each key is from equal temperament [shape=(KEYS,), semitones]; None where none is.

        A4 stays the reference. A ratio that is no pitch (0, negative, nan) leaves its keys at rest.
        """
        if self.cents is not None:
            steps = np.array(self.cents, np.float64) / _CENTS
        elif self.ratios is not None:
            with np.errstate(divide="ignore", invalid="ignore"):
                steps = _PERIOD_SEMITONES * np.log2(np.array(self.ratios, np.float64))
        else:
            return None
        above = np.array([_above_root(steps, key - self.root) for key in range(KEYS)])
        at_reference = above[A4_KEY]
        if not np.isfinite(at_reference):
            at_reference = float(A4_KEY - self.root)
        with np.errstate(over="ignore", invalid="ignore"):
            return np.asarray(above - at_reference + A4_KEY - np.arange(KEYS))


def _above_root(steps: Floats, keys: int) -> float:
    # A step or a period that is infinite must not touch the keys that do without it.
    periods, degree = divmod(keys, len(steps))
    with np.errstate(over="ignore", invalid="ignore"):
        whole = periods * steps[-1] if periods else 0.0
        return float(whole + steps[degree - 1] if degree else whole)
