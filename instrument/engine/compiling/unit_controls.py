"""The table of controls as a unit of its own: many places lead to it."""

from __future__ import annotations

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import CONTROLS_UNIT
from instrument.engine.controls.control import drive
from instrument.engine.memory.machine import as_memory


@compiled
def _run(m, instance, message, channel, number, raw, top):
    s = m.instances[instance]
    drive(m, m.bank[s.slot], s, message, channel, number, raw, top)


_run_quietly = quiet(_run)


@CONTROLS_UNIT
def controls(memory, instance, message, channel, number, raw, top):
    """Let the controls of an instance that plays act on a message."""
    _run_quietly((as_memory(memory), instance, message, channel, number, raw, top))
