"""What layers do with notes as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import NOTES
from instrument.engine.memory.machine import as_memory
from instrument.engine.notes.layer_notes import tell_layers


@compiled
def _run(m, number, what, first, second):
    s = m.instances[number]
    tell_layers(m, m.bank[s.slot], s, what, first, second)


_run_quietly = quiet(_run)


@NOTES
def layer_notes(memory, number, what, first, second):
    """Tell the layers of an instance that has a program what happens to notes."""
    _run_quietly((as_memory(memory), number, what, first, second))
