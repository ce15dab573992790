"""The table of controls as a unit of its own: many places lead to it."""

from __future__ import annotations

from instrument.engine.compiled import compiled, quiet
from instrument.engine.control import drive
from instrument.engine.machine import as_memory
from instrument.engine.units import CONTROLS_UNIT


@compiled
def _run(m, instance, message, channel, number, raw, top):
    s = m.instances[instance]
    drive(m, m.bank[s.slot], s, message, channel, number, raw, top)


_run_quietly = quiet(_run)


@CONTROLS_UNIT
def controls(memory, instance, message, channel, number, raw, top):
    """Let the controls of an instance that plays act on a message."""
    _run_quietly((as_memory(memory), instance, message, channel, number, raw, top))
