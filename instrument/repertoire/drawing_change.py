"""A drawing changes under the hands: the sound goes on, and what was dialled in stays."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

MORPH_SECONDS = 0.05
"""In which a drawing saved again bends into its new shape."""


def morph_to(engine: Engine, program: Program) -> None:
    """Change to a program that differs in its drawings alone: phases go on, parameters stay as they are now.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` and its bank of programs belong to the thread that calls.
    program : Program
        Is left as it is.

    Raises
    ------
    EngineFullError
        If it finds no room, or no event can be taken now.
    """
    record = program.record.copy()
    record["base"] = list(engine.values().values())
    engine.play(replace(program, record=record), carry=True, fade=MORPH_SECONDS)
