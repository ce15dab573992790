"""All forms of a layer as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiled import compiled, quiet
from instrument.engine.form import run_forms
from instrument.engine.machine import as_memory
from instrument.engine.units import FORMS_UNIT


@compiled
def _run(m, number, layer, first, last):
    s = m.instances[number]
    run_forms(m, m.bank[s.slot], s, layer, first, last)


_run_quietly = quiet(_run)


@FORMS_UNIT
def forms(memory, number, layer, first, last):
    """Run the unit for samples first to last of a layer of an instance that plays."""
    _run_quietly((as_memory(memory), number, layer, first, last))
