"""The names and signatures of the units that the engine is compiled in; one module `unit_*.py` holds each."""

from __future__ import annotations

from numba import types

from instrument.engine.compiling.compiled import Unit

MODULATE = Unit("beamhand_modulate", types.int64, types.int64)
"""Number of the instance, samples: fills the rows of modulators and of the parameters they move."""

LAYERS = Unit("beamhand_layers", types.int64, types.int64)
"""Number of the instance, samples: draws all layers into mix_x and mix_y."""

DRAW = Unit("beamhand_layer_draw", *(types.int64,) * 5)
"""Number of the instance, layer, first and last sample, whether to stop behind a round of the pen: fills x, y, z and
presence of the layer, and leaves in `drawn` where it stopped."""

FORMS_UNIT = Unit("beamhand_forms", types.int64, types.int64, types.int64, types.int64)
"""Number of the instance, layer, first and last sample: bends what the layer draws."""


FORMULA = Unit("beamhand_formula", *(types.int64,) * 6)
"""Number of the instance, first instruction, their count, place of the result (`formula_code`), first and last
sample: fills the result with what the instructions make of those samples."""

NOTES = Unit("beamhand_layer_notes", *(types.int64,) * 4)
"""Number of the instance, what happens, channel or layer, key or instance: lets its layers sound and end notes."""

NOTE_BEGINS, NOTE_ENDS, NOTES_BEND, NOTES_SILENT, NOTES_START = range(5)
"""What happens to notes."""

CONTROLS_UNIT = Unit(
    "beamhand_controls",
    types.int64,
    types.int64,
    types.int64,
    types.int64,
    types.float64,
    types.float64,
)
"""Number of the instance, message, channel, number or key, raw value and its top: lets the controls act on it."""

MESSAGE = Unit("beamhand_message", types.int64, types.int64, types.int64)
"""Three raw bytes: plays one MIDI message."""

RELEASE_ALL = -1
"""In place of a status: every note of every channel is let go, whatever holds it."""

START = Unit("beamhand_start", types.int64, types.int64, types.int64, types.int64)
"""Number of the instance to start, of the one before, slot, whether to carry on: lays out a program."""

ALL = {
    "unit_formula": FORMULA,
    "unit_forms": FORMS_UNIT,
    "unit_controls": CONTROLS_UNIT,
    "unit_message": MESSAGE,
    "unit_start": START,
    "unit_modulate": MODULATE,
    "unit_layer_draw": DRAW,
    "unit_layer_notes": NOTES,
    "unit_layers": LAYERS,
}
"""Units by the module that holds them."""
