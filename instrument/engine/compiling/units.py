"""Names and signatures of the units that the engine is compiled in; `unit_entries` holds the code of each."""

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
"""Number of the instance, first instruction, their count, location of the result (`formulas.instructions`), first and last
sample: fills the result with what the instructions make of those samples."""

NOTES = Unit("beamhand_layer_notes", *(types.int64,) * 4)
"""Number of the instance, what happens, channel or layer, key or instance: lets its layers sound and end notes."""

NOTE_BEGINS, NOTE_ENDS, NOTES_BEND, NOTES_SILENT, NOTES_START = range(5)
"""Kinds of news about notes, for `NOTES`."""

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
    "formula": FORMULA,
    "forms": FORMS_UNIT,
    "controls": CONTROLS_UNIT,
    "message": MESSAGE,
    "start": START,
    "modulate": MODULATE,
    "layer_draw": DRAW,
    "layer_notes": NOTES,
    "layers": LAYERS,
}
"""Units by the name of their function in `unit_entries`."""


def compile_only(*names: str) -> None:
    """Let only some units be compiled or loaded in this process; the others may be called by nobody.

    Called before `unit_entries` is imported.

    Parameters
    ----------
    *names : str
        Of `ALL`; none at all lets every unit stand in.
    """
    for name, unit in ALL.items():
        if name not in names:
            unit.stand_in()
