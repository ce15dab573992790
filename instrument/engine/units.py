"""The names and signatures of the units that the engine is compiled in; one module `unit_*.py` holds each."""

from __future__ import annotations

from numba import types

from instrument.engine.compiled import Unit

MODULATE = Unit("beamhand_modulate", types.int64, types.int64)
"""Number of the instance, samples: fills the rows of modulators and of the parameters they move."""

LAYERS = Unit("beamhand_layers", types.int64, types.int64)
"""Number of the instance, samples: draws all layers into mix_x and mix_y."""

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
    "unit_controls": CONTROLS_UNIT,
    "unit_message": MESSAGE,
    "unit_start": START,
    "unit_modulate": MODULATE,
    "unit_layers": LAYERS,
}
"""Units by the module that holds them."""
