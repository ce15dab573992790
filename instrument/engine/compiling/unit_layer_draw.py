"""Pen and source of a layer, for each of its voices, as a unit of their own."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import DRAW
from instrument.engine.memory.machine import as_memory
from instrument.engine.signal.draw import draw


@compiled
def _run(m, number, layer, first, last, one_round):
    s = m.instances[number]
    m.drawn = draw(m, m.bank[s.slot], s, layer, first, last, one_round != 0)


_run_quietly = quiet(_run)


@DRAW
def layer_draw(memory, number, layer, first, last, one_round):
    """Run the unit for samples first to last of a layer of an instance that plays."""
    _run_quietly((as_memory(memory), number, layer, first, last, one_round))
