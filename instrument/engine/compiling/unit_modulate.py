"""Modulators and links as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import MODULATE
from instrument.engine.memory.machine import as_memory
from instrument.engine.modulators.feedback_delay import begin_reading
from instrument.engine.modulators.run_schedule import run_schedule


@compiled
def _run(m, number, n):
    s = m.instances[number]
    p = m.bank[s.slot]
    if p.short != 0:
        begin_reading(m, s, n)
    run_schedule(m, p, s, n)


_run_quietly = quiet(_run)


@MODULATE
def modulate(memory, number, n):
    """Run the unit for n samples of an instance that plays."""
    _run_quietly((as_memory(memory), number, n))
