"""The table of every parameter: address, default, unit and meaning. Schema, memory layout, window and docs read it.

Angles, phases and positions along a drawing are in turns (1 is a full circle), times in seconds,
pitches in hertz or in MIDI key numbers. A parameter accepts any number; nothing here is a limit.
"""

from __future__ import annotations

import difflib
import math

from instrument.engine.forms.form_table import FORM_ROWS
from instrument.engine.modulators.modulator_table import MODULATOR_ROWS
from instrument.engine.parameter_record import AXES, KNOBS, LAYERS, Parameter, per_axis
from instrument.engine.signal.source_table import LIVE_TERMS, SOURCE_ROWS, TERM_ROWS

__all__ = [
    "ADDRESSES",
    "AXES",
    "COUNT",
    "FORMER_ADDRESSES",
    "INDEX",
    "KNOBS",
    "LAYER",
    "LAYERS",
    "LAYER_BASE",
    "LAYER_SIZE",
    "LINK",
    "LINKS",
    "LINK_BASE",
    "LINK_SIZE",
    "LIVE_TERMS",
    "MODULATOR",
    "MODULATORS",
    "MODULATOR_BASE",
    "MODULATOR_SIZE",
    "PATCH",
    "PATCH_BASE",
    "ROWS",
    "Parameter",
    "index_of",
    "offset_in",
]

MODULATORS = 32
LINKS = 64


def _notes() -> list[Parameter]:
    return [
        Parameter(
            "notes.mode",
            0.0,
            "choice",
            "whether keys sound the layer, in the place of pen.key: off leaves it to controls and draws all the time",
            ("off", "mono", "poly"),
        ),
        Parameter("notes.voices", 16.0, "voices", "notes that sound together in poly, 1 to 16"),
        Parameter(
            "notes.share",
            0.0,
            "choice",
            "how voices share the layer: added, or each draws a whole round, then the next",
            ("sum", "turns"),
        ),
        Parameter(
            "notes.priority",
            0.0,
            "choice",
            "which of the held keys sounds in mono",
            ("last", "low", "high"),
        ),
        Parameter(
            "notes.legato",
            0.0,
            "choice",
            "on: a key struck while another is held takes its voice over, and only then glides; off: each key begins anew",
            ("off", "on"),
        ),
        Parameter("notes.glide", 0.0, "s", "time to the next pitch, in equal steps of semitones"),
        Parameter(
            "notes.channel",
            0.0,
            "MIDI channel",
            "channel that is heard, 1 to 16, with its MPE zone; 0 for all",
        ),
        Parameter("notes.low", 0.0, "MIDI key", "lowest key that is heard"),
        Parameter("notes.high", 127.0, "MIDI key", "highest key that is heard"),
        Parameter("notes.soft", 0.0, "velocity", "lowest velocity that is heard"),
        Parameter("notes.hard", 127.0, "velocity", "highest velocity that is heard"),
        Parameter(
            "notes.size_by_velocity",
            0.0,
            "of 1",
            "how far velocity sets the size of a voice: 0 not at all, 1 all of it",
            formerly=("notes.touch",),
        ),
        Parameter(
            "notes.size_by_pressure",
            0.0,
            "of 1",
            "how far pressure sets the size of a voice",
            formerly=("notes.press",),
        ),
        Parameter("notes.attack", 0.005, "s", "rise of a voice"),
        Parameter("notes.decay", 0.0, "s", "time from its top to the sustained level"),
        Parameter("notes.sustain", 1.0, "level", "level of a voice while it is held"),
        Parameter("notes.release", 0.02, "s", "fall of a voice when its key comes up"),
    ]


LAYER: tuple[Parameter, ...] = (
    Parameter("level", 1.0, "gain", "how much of the layer reaches the beam"),
    Parameter("pen.frequency", 110.0, "Hz", "rounds of the drawing in a second while pen.key is 69"),
    Parameter("pen.key", 69.0, "MIDI key", "pitch as a key number: pen.frequency is what key 69 sounds"),
    Parameter("pen.bend", 0.0, "semitones", "added to pen.key"),
    Parameter("pen.start", 0.0, "turns", "where on the drawing the pen begins"),
    Parameter("pen.length", 1.0, "turns", "how much of the drawing is drawn"),
    Parameter(
        "pen.direction",
        0.0,
        "choice",
        "which way the drawing is run through",
        ("forward", "backward", "swing"),
    ),
    *_notes(),
    Parameter("place.size", 1.0, "gain", "scales all axes together"),
    *per_axis("place.scale", 1.0, "gain", "scales {axis}"),
    *per_axis("place.turn", 0.0, "turns", "angle about the {axis} axis", circular=True),
    *per_axis("place.spin", 0.0, "turns/s", "speed of turning about the {axis} axis; fast spins become tones"),
    *per_axis("place.move", 0.0, "of full scale", "shifts along {axis}"),
    Parameter("place.camera", math.inf, "of full scale", "distance of the eye; inf draws without perspective"),
    *FORM_ROWS,
    *SOURCE_ROWS,
    *TERM_ROWS,
)

MODULATOR = MODULATOR_ROWS

LINK: tuple[Parameter, ...] = (
    Parameter("depth", 1.0, "of the parameter", "how far the modulator moves the parameter"),
    Parameter("offset", 0.0, "of the parameter", "added to depth times the modulator"),
    Parameter(
        "bend",
        0.0,
        "steepness",
        "curve through which the modulator passes: 0 straight, above flat in the middle, below steep there",
    ),
)

PATCH: tuple[Parameter, ...] = (
    Parameter("mix.mode", 0.0, "choice", "how layers share the beam", ("sum", "turns")),
    Parameter("output.level", 1.0, "gain", "gain of everything"),
    Parameter("output.swap", 0.0, "0 or 1", "1 exchanges the two channels; between, a blend"),
    *per_axis("output.invert", 0.0, "0 or 1", "1 turns {axis} over; between, a smaller picture", AXES[:2]),
    *per_axis("output.gain", 1.0, "gain", "gain of the {axis} channel", AXES[:2]),
    *per_axis("output.offset", 0.0, "of full scale", "constant added to the {axis} channel", AXES[:2]),
    *per_axis("output.delay", 0.0, "samples", "delay of the {axis} channel, fractions included", AXES[:2]),
    Parameter("output.ac", 0.0, "0 or 1", "1 takes DC out (safe for loudspeakers), 0 passes it (for a display)"),
    Parameter("output.corner", 5.0, "Hz", "corner frequency of the DC removal"),
    Parameter("output.knee", 0.9, "of full scale", "level above which the guard begins to bend"),
    Parameter("output.limit", 1.0, "of full scale", "level that nothing passes; never above 1"),
    Parameter("tuning.reference", 440.0, "Hz", "what A4 sounds, key 69; other values shift every pen in proportion"),
    Parameter("tempo.bpm", 120.0, "beats/min", "speed of the beat; a tap sets it"),
    Parameter("tempo.running", 1.0, "choice", "whether the beat goes on", ("stopped", "running")),
    Parameter("tempo.source", 0.0, "choice", "who beats: tempo.bpm or incoming MIDI clock", ("own", "clock")),
    Parameter(
        "tempo.swing",
        0.0,
        "of half a pair",
        "delay of the second half of every pair; 1/3 makes triplets of it",
    ),
    Parameter("tempo.pair", 1.0, "beats", "length of a swung pair"),
    Parameter("tempo.tap", 0.0, "choice", "counts as a tap when it turns on", ("off", "on")),
    Parameter("tempo.restart", 0.0, "choice", "begins at beat 0 when it turns on", ("off", "on")),
    Parameter("morph.from", 1.0, "snapshot", "snapshot, counted from 1, at morph.position 0"),
    Parameter("morph.to", 2.0, "snapshot", "snapshot, counted from 1, at morph.position 1"),
    Parameter("morph.position", 0.0, "0 to 1", "place between the two snapshots; controls and typed numbers move it"),
    Parameter("morph.time", 4.0, "beats", "how long the action morph takes"),
)

LAYER_SIZE = len(LAYER)
MODULATOR_SIZE = len(MODULATOR)
LINK_SIZE = len(LINK)
LAYER_BASE = 0
MODULATOR_BASE = LAYER_BASE + LAYERS * LAYER_SIZE
LINK_BASE = MODULATOR_BASE + MODULATORS * MODULATOR_SIZE
PATCH_BASE = LINK_BASE + LINKS * LINK_SIZE
COUNT = PATCH_BASE + len(PATCH)
"""Number of parameters in the flat vector that every program carries."""


def _build() -> tuple[tuple[str, ...], tuple[Parameter, ...], dict[str, str]]:
    groups = (("layer", LAYERS, LAYER), ("mod", MODULATORS, MODULATOR), ("link", LINKS, LINK))
    owners = [(f"{stem}.{number}.", table) for stem, count, table in groups for number in range(1, count + 1)]
    addresses: list[str] = []
    rows: list[Parameter] = []
    former: dict[str, str] = {}
    for owner, table in [*owners, ("", PATCH)]:
        addresses += [owner + row.name for row in table]
        rows += table
        former |= {owner + word: owner + row.name for row in table for word in row.formerly}
    return tuple(addresses), tuple(rows), former


ADDRESSES, ROWS, FORMER_ADDRESSES = _build()
"""Address and table row of every parameter, by index; present addresses by those of earlier patch files."""

INDEX: dict[str, int] = {address: index for index, address in enumerate(ADDRESSES)}


def offset_in(table: tuple[Parameter, ...], name: str) -> int:
    """Return the place of a parameter within its owner's rows.

    Parameters
    ----------
    table : tuple of Parameter
        `LAYER`, `MODULATOR`, `LINK` or `PATCH`.
    name : str
        Address below the owner.

    Raises
    ------
    KeyError
        If the table has no such row.
    """
    for offset, row in enumerate(table):
        if row.name == name:
            return offset
    raise KeyError(name)


def index_of(address: str) -> int:
    """Return the index of an address in the flat parameter vector.

    Raises
    ------
    KeyError
        If there is no such address; the message offers the nearest one, or what it is called now.
    """
    try:
        return INDEX[address]
    except KeyError:
        if address in FORMER_ADDRESSES:
            raise KeyError(f"{address} is called {FORMER_ADDRESSES[address]} now") from None
        near = difflib.get_close_matches(address, INDEX, n=1, cutoff=0.6)
        hint = f"; did you mean {near[0]}" if near else "; addresses look like layer.1.place.spin.y"
        raise KeyError(f"no parameter {address!r}{hint}") from None
