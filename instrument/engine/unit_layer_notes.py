"""What layers do with notes as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiled import compiled, quiet
from instrument.engine.layer_notes import tell_layers
from instrument.engine.machine import as_memory
from instrument.engine.units import NOTES


@compiled
def _run(m, number, what, first, second):
    s = m.instances[number]
    tell_layers(m, m.bank[s.slot], s, what, first, second)


_run_quietly = quiet(_run)


@NOTES
def layer_notes(memory, number, what, first, second):
    """Tell the layers of an instance that has a program what happens to notes."""
    _run_quietly((as_memory(memory), number, what, first, second))
