"""The code of each unit: its C function, which finds memory, instance and program by address and number.

Importing this compiles every unit that is not in the cache, or only one of them where the others stand in
(`units.compile_only`).
"""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, quiet
from instrument.engine.compiling.units import (
    CONTROLS_UNIT,
    DRAW,
    FORMS_UNIT,
    FORMULA,
    LAYERS,
    MESSAGE,
    MODULATE,
    NOTES,
    RELEASE_ALL,
    START,
)
from instrument.engine.controls.control import drive
from instrument.engine.forms.run_forms import run_forms
from instrument.engine.formulas.run_formula import run_formula
from instrument.engine.memory.machine import as_memory
from instrument.engine.modulators.links import read_delayed_layers
from instrument.engine.modulators.run_schedule import run_schedule
from instrument.engine.notes.layer_notes import tell_layers
from instrument.engine.notes.midi_message import apply_midi, release_all
from instrument.engine.signal.draw import draw
from instrument.engine.signal.instance import start_instance
from instrument.engine.signal.mix import run_mix


@compiled
def _controls(m, number, message, channel, which, raw, top):
    s = m.instances[number]
    drive(m, m.bank[s.slot], s, message, channel, which, raw, top)


@compiled
def _forms(m, number, layer, first, last):
    s = m.instances[number]
    run_forms(m, m.bank[s.slot], s, layer, first, last)


@compiled
def _formula(m, number, code, count, location, first, last):
    s = m.instances[number]
    run_formula(m, m.bank[s.slot], s, code, count, location, first, last)


@compiled
def _draw(m, number, layer, first, last, one_round):
    s = m.instances[number]
    m.drawn = draw(m, m.bank[s.slot], s, layer, first, last, one_round != 0)


@compiled
def _notes(m, number, what, first, second):
    s = m.instances[number]
    tell_layers(m, m.bank[s.slot], s, what, first, second)


@compiled
def _layers(m, number, n):
    s = m.instances[number]
    run_mix(m, m.bank[s.slot], s, n)


@compiled
def _message(m, status, first, second):
    s = m.instances[m.active]
    if status == RELEASE_ALL:
        release_all(m, s, np.int64(-1))
    else:
        apply_midi(m, s, status, first, second)


@compiled
def _modulate(m, number, n):
    s = m.instances[number]
    p = m.bank[s.slot]
    if p.feeds_back != 0:
        read_delayed_layers(m, s, n)
    run_schedule(m, p, s, n)


@compiled
def _start(m, number, before, slot, carry):
    start_instance(m, m.bank[slot], m.instances[number], m.instances[before], slot, carry != 0)


_quiet_controls = quiet(_controls)
_quiet_forms = quiet(_forms)
_quiet_formula = quiet(_formula)
_quiet_draw = quiet(_draw)
_quiet_notes = quiet(_notes)
_quiet_layers = quiet(_layers)
_quiet_message = quiet(_message)
_quiet_modulate = quiet(_modulate)
_quiet_start = quiet(_start)


@CONTROLS_UNIT
def controls(memory, number, message, channel, which, raw, top):
    """Let the controls of an instance that plays act on a message."""
    _quiet_controls((as_memory(memory), number, message, channel, which, raw, top))


@FORMS_UNIT
def forms(memory, number, layer, first, last):
    """Bend samples first to last of a layer of an instance that plays."""
    _quiet_forms((as_memory(memory), number, layer, first, last))


@FORMULA
def formula(memory, number, code, count, location, first, last):
    """Run instructions for samples first to last of an instance that plays."""
    _quiet_formula((as_memory(memory), number, code, count, location, first, last))


@DRAW
def layer_draw(memory, number, layer, first, last, one_round):
    """Draw samples first to last of a layer of an instance that plays, with each of its voices."""
    _quiet_draw((as_memory(memory), number, layer, first, last, one_round))


@NOTES
def layer_notes(memory, number, what, first, second):
    """Tell the layers of an instance that has a program what happens to notes."""
    _quiet_notes((as_memory(memory), number, what, first, second))


@LAYERS
def layers(memory, number, n):
    """Place and mix n samples of all layers of an instance that plays."""
    _quiet_layers((as_memory(memory), number, n))


@MESSAGE
def message(memory, status, first, second):
    """Play one message into the instance that events reach; it has a program."""
    _quiet_message((as_memory(memory), status, first, second))


@MODULATE
def modulate(memory, number, n):
    """Work out modulators and links of an instance that plays for n samples."""
    _quiet_modulate((as_memory(memory), number, n))


@START
def start(memory, number, before, slot, carry):
    """Lay out the program of a slot in an instance."""
    _quiet_start((as_memory(memory), number, before, slot, carry))
