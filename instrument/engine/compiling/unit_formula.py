"""Formulas as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import FORMULA
from instrument.engine.formulas.run_formula import run_formula
from instrument.engine.memory.machine import as_memory


@compiled
def _run(m, number, code, count, place, first, last):
    s = m.instances[number]
    run_formula(m, m.bank[s.slot], s, code, count, place, first, last)


_run_quietly = quiet(_run)


@FORMULA
def formula(memory, number, code, count, place, first, last):
    """Run the unit for samples first to last of an instance that plays."""
    _run_quietly((as_memory(memory), number, code, count, place, first, last))
