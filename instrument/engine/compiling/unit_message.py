"""MIDI messages as a unit of their own."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import MESSAGE, RELEASE_ALL
from instrument.engine.memory.machine import as_memory
from instrument.engine.notes.midi_message import apply_midi, release_all


@compiled
def _run(m, status, first, second):
    s = m.instances[m.active]
    if status == RELEASE_ALL:
        release_all(m, s, np.int64(-1))
    else:
        apply_midi(m, s, status, first, second)


_run_quietly = quiet(_run)


@MESSAGE
def message(memory, status, first, second):
    """Play one message into the instance that events reach; it has a program."""
    _run_quietly((as_memory(memory), status, first, second))
