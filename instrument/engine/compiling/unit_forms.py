"""All forms of a layer as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import FORMS_UNIT
from instrument.engine.forms.run_forms import run_forms
from instrument.engine.memory.machine import as_memory


@compiled
def _run(m, number, layer, first, last):
    s = m.instances[number]
    run_forms(m, m.bank[s.slot], s, layer, first, last)


_run_quietly = quiet(_run)


@FORMS_UNIT
def forms(memory, number, layer, first, last):
    """Run the unit for samples first to last of a layer of an instance that plays."""
    _run_quietly((as_memory(memory), number, layer, first, last))
