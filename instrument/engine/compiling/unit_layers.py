"""Place and mix of all layers as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import LAYERS
from instrument.engine.memory.machine import as_memory
from instrument.engine.signal.mix import run_mix


@compiled
def _run(m, number, n):
    s = m.instances[number]
    run_mix(m, m.bank[s.slot], s, n)


_run_quietly = quiet(_run)


@LAYERS
def layers(memory, number, n):
    """Run the unit for n samples of an instance that plays."""
    _run_quietly((as_memory(memory), number, n))
