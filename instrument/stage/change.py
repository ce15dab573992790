"""Changing the program that plays, with the engine's room for drawings given back by what no longer does."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from instrument.engine.engine import EngineFullError, swap_event
from instrument.engine.program import new_program

if TYPE_CHECKING:
    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

SLOTS_IN_TURN = range(8)
"""Two programs play during a fade and a few may wait; all others give their room to the next drawing."""

MORPH_SECONDS = 0.05
"""In which a drawing saved again bends into its new shape."""


def change_to(engine: Engine, program: Program, *, carry: bool = False, fade: float = 0.0) -> None:
    """Load a program and change to it at the start of the next block.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` and its bank of programs belong to the thread that calls.
    program : Program
    carry : bool
        Whether phases go on.
    fade : float
        Seconds; 0 takes the program's own.

    Raises
    ------
    EngineFullError
        If it finds no room, or no event can be taken now.
    """
    slot = engine.load(program, _free_slots(engine)[0])
    if not engine.push(swap_event(0, slot, carry=carry, fade=fade)):
        raise EngineFullError("the engine takes no more events at the moment; is it running?")


def morph_to(engine: Engine, program: Program) -> None:
    """Change the drawing under the hands: phases go on, and every parameter stays where it was dialled to.

    Parameters and errors as for `change_to`.
    """
    record = program.record.copy()
    record["base"] = list(engine.values().values())
    change_to(engine, replace(program, record=record), carry=True, fade=MORPH_SECONDS)


@cache
def _nothing() -> Program:
    return new_program()


def _free_slots(engine: Engine) -> list[int]:
    # Overwritten by an empty program, a slot's drawings give up their place in the engine's memory.
    free = []
    for slot in SLOTS_IN_TURN:
        try:
            engine.load(_nothing(), slot)
        except EngineFullError:
            continue  # it is being played
        free.append(slot)
    if not free:
        raise EngineFullError("too many changes wait for the engine at the moment; is it running?")
    return free
