"""Modulators and links as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiled import compiled, quiet
from instrument.engine.late import begin_reading
from instrument.engine.machine import as_memory
from instrument.engine.modulate import run_schedule
from instrument.engine.units import MODULATE


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
