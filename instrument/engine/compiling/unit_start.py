"""Starting a program as a unit of its own."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import START
from instrument.engine.memory.machine import as_memory
from instrument.engine.signal.instance import start_instance


@compiled
def _run(m, number, before, slot, carry):
    start_instance(m, m.bank[slot], m.instances[number], m.instances[before], slot, carry != 0)


_run_quietly = quiet(_run)


@START
def start(memory, number, before, slot, carry):
    """Lay out the program of a slot in an instance."""
    _run_quietly((as_memory(memory), number, before, slot, carry))
