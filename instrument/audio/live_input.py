"""Live input: whether a program listens to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.memory.layout import MODULATOR_FOLLOWER, SOURCE_INPUT
from instrument.engine.parameters import index_of

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.engine.program import Program

NO_INPUT = "there is no live input: what a patch takes from it is silent."
"""What is said where it is wanted and cannot be had."""

_INPUT_CHOICES = 3
"""Of a follower's `of`, those that mean the live input come first: both channels, left, right."""


def hears_input(program: Program) -> bool:
    """Return whether a layer or a modulator of a program listens to the live input."""
    record = program.record
    if program.reads_input or (record["layers"]["source"] == SOURCE_INPUT).any():
        return True
    kinds = record["modulators"]["kind"].tolist()
    return any(kind == MODULATOR_FOLLOWER and _follows_input(record, k) for k, kind in enumerate(kinds))


def _follows_input(record: npt.NDArray[np.void], modulator: int) -> bool:
    return bool(record["base"][index_of(f"mod.{modulator + 1}.of")] < _INPUT_CHOICES)
