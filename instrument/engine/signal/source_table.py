"""The table of sources: all that Beamhand knows of each kind but the loop that draws it.

Patch schema, guide, window, engine memory and dispatch are made from it. A kind that is added here, with its kernel in a
module beside this one, can be played; `instrument/engine/README.md` has the recipe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from instrument.engine.parameter_record import AXES, KNOBS, Field, Parameter, below

LIVE_TERMS = 8
"""Harmonic terms of each axis whose amplitude, ratio and phase can be played; further terms are constants."""


GOLDEN = 0.381966011250105
"""The golden angle in turns, (3 - sqrt(5)) / 2, which is 137.5 degrees. H. Vogel, A better way to construct the sunflower
head, Mathematical Biosciences 44 (1979), 179 to 189."""


@dataclass(frozen=True)
class SourceKind:
    """One kind of source.

    Attributes
    ----------
    name : str
        Word for it in patch files.
    about : str
        Sentence for the guide and the window.
    parameters : tuple of Parameter
        Rows by their names within the source. A row that several kinds share is one object.
    kernel : str
        Module of this folder and compiled function, called as ``kernel(m, p, s, layer, first, last)``; it fills x, y and
        z from the pen's position.
    remembers : tuple of Field
        Fields of ``s.sources[layer].<name>``: all zero when the layer begins, copied where a program carries on. Every
        voice of a layer begins a stretch of samples from what is remembered of the stretch before.
    start : str
        Kernel ``start(m, p, s, layer)`` for a beginning that is not all zeros.
    hears_input : bool
        Whether it draws the live input, so that the device's input is opened.
    formerly : tuple of str
        Names that it had in earlier patch files.
    """

    name: str
    about: str
    parameters: tuple[Parameter, ...]
    kernel: str
    remembers: tuple[Field, ...] = ()
    start: str = ""
    hears_input: bool = False
    formerly: tuple[str, ...] = ()


def _terms() -> tuple[Parameter, ...]:
    rows: list[Parameter] = []
    for axis in AXES:
        for k in range(1, LIVE_TERMS + 1):
            stem = f"{axis}.{k}"
            rows += [
                Parameter(f"{stem}.amplitude", 0.0, "of full scale", f"size of term {k} on {axis}"),
                Parameter(f"{stem}.ratio", float(k), "times the pen", f"frequency ratio of term {k} on {axis}"),
                Parameter(
                    f"{stem}.phase",
                    0.0,
                    "turns",
                    f"phase of term {k} on {axis}; 0.25 makes a cosine",
                    circular=True,
                ),
            ]
    return tuple(rows)


_RISE = Parameter("rise", 0.0, "of full scale", "how far the figure stands out of its plane, along z")

_SOURCES = (
    # What terms have gained on the pen is kept beside the pens of voices (`carry` of an instance): each voice has its own.
    SourceKind(
        "harmonic",
        "Sums of sines on each axis; an axis written out takes the place of the figure's.",
        kernel="source.draw_harmonic",
        parameters=_terms(),
    ),
    SourceKind(
        "path",
        "A closed path, run along at constant speed.",
        kernel="path_source.draw_path",
        parameters=(
            Parameter("frame", 0.0, "frames", "frame of a flip-book, counted from 0 and going round"),
            Parameter(
                "blend",
                1.0,
                "0 or 1",
                "1 blends a frame into the next between whole numbers; 0 turns the page when the pen begins a round",
            ),
            Parameter(
                "play",
                0.0,
                "choice",
                "what moves the frames besides frame: own speed (a flip-book without frame_rate has none), the beat, nothing",
                ("own", "beat", "hand"),
            ),
            Parameter("speed", 1.0, "of its own", "how fast frames play in play own; negative plays backwards"),
            Parameter("beats", 4.0, "beats", "beats that a clip takes in play beat"),
            Parameter(
                "once", 0.0, "choice", "on: the clip plays once and holds its end; off: round and round", ("off", "on")
            ),
            Parameter("begin", 0.0, "choice", "what begins the clip: the layer, or every note anew", ("layer", "note")),
        ),
    ),
    SourceKind(
        "formula",
        "Whatever formulas say of x, y and z.",
        kernel="source.draw_formulas",
        parameters=tuple(Parameter(knob, 0.0, "number", f"what {knob} is in this layer's formulas") for knob in KNOBS),
    ),
    SourceKind(
        "input",
        "The live input: left is x, right is y.",
        kernel="source.draw_input",
        start="source.start_input",
        hears_input=True,
        remembers=(
            ("level", "f8"),  # of the live input, falling slowly
            ("opening", "f8"),  # how far the gate is open, 0 to 1
        ),
        parameters=(
            Parameter("gain", 1.0, "gain", "how much of the live input is drawn"),
            Parameter("gate", 0.0, "of full scale", "level below which the live input is silent"),
        ),
    ),
    SourceKind(
        "superformula",
        "A closed curve between circle, polygon, star and flower, by four numbers.",
        kernel="curve_figures.draw_superformula",
        parameters=(
            Parameter("m", 5.0, "lobes", "how often the superformula goes in and out; between whole numbers it blends"),
            Parameter(
                "n1", 0.3, "exponent", "how hard it goes in and out; larger is rounder, below 0 turns it inside out"
            ),
            Parameter("n2", 0.3, "exponent", "of the cosine: the slope about the points"),
            Parameter("n3", 0.3, "exponent", "of the sine: the slope between them; other than n2 it leans"),
        ),
    ),
    SourceKind(
        "trochoid",
        "The track of a pen in a wheel that rolls within another one, or around it.",
        kernel="curve_figures.draw_trochoid",
        parameters=(
            Parameter("fixed", 5.0, "teeth", "teeth of the wheel that stands; between whole numbers it blends"),
            Parameter("rolling", 3.0, "teeth", "teeth of the wheel that rolls; below 0 it rolls around the outside"),
            Parameter("reach", 0.7, "of the rolling wheel", "distance of the pen from the middle of the rolling wheel"),
        ),
    ),
    SourceKind(
        "spiral",
        "A spiral, drawn outwards and back on the same line; with rise a spring or a shell.",
        kernel="curve_figures.draw_spiral",
        parameters=(
            Parameter("windings", 5.0, "windings", "turns about the middle; below 0 clockwise"),
            Parameter(
                "inner", 0.05, "of full scale", "radius where the spiral begins; 1 makes a ring, or with rise a spring"
            ),
            Parameter(
                "growth", 0.0, "of 1", "0 keeps the distance of the windings (Archimedean), 1 their ratio (logarithmic)"
            ),
            _RISE,
        ),
    ),
    SourceKind(
        "phyllotaxis",
        "Points like the seeds of a sunflower: each turns on by one angle and stands a little further out.",
        kernel="curve_figures.draw_phyllotaxis",
        parameters=(
            Parameter("florets", 120.0, "florets", "points of the head, in whole numbers"),
            Parameter("divergence", GOLDEN, "turns", "angle from one point to the next; the golden angle unless given"),
            Parameter("dwell", 0.8, "of its time", "how long the beam rests on each point; 0 draws the lines between"),
            _RISE,
        ),
    ),
    SourceKind(
        "globe",
        "A globe of parallels and meridians in one line without a jump.",
        kernel="line_figures.draw_globe",
        parameters=(
            Parameter(
                "parallels", 5.0, "circles", "circles of latitude; between whole numbers one grows out of a pole"
            ),
            Parameter("meridians", 4.0, "circles", "circles through both poles; between whole numbers one is fainter"),
        ),
    ),
    SourceKind(
        "landscape",
        "Hills in lines, one behind the other along z; seen from above where the layer is tilted.",
        kernel="line_figures.draw_landscape",
        parameters=(
            Parameter("rows", 16.0, "rows", "lines of the landscape, in even numbers"),
            Parameter("relief", 0.3, "of full scale", "height of its hills"),
            Parameter("rough", 0.5, "of 1", "how much smaller hills stand on the large ones"),
            Parameter("seed", 1.0, "number", "which landscape it is"),
            Parameter("drift", 0.0, "hills", "how far it has come nearer; let a modulator move it"),
        ),
    ),
    SourceKind(
        "strings",
        "Strings between the points of two circles, as on nails in a board; with rise a drum.",
        kernel="line_figures.draw_strings",
        parameters=(
            Parameter("strings", 40.0, "strings", "strings; between whole numbers the last is fainter"),
            Parameter("times", 2.0, "times", "turns of the second circle in one of the first; 2 makes a heart curve"),
            Parameter("offset", 0.0, "turns", "how far the second circle is ahead of the first", circular=True),
            Parameter("second", 1.0, "of full scale", "radius of the second circle; the first has 1"),
            _RISE,
        ),
    ),
)

SOURCE_TABLE: dict[str, SourceKind] = {kind.name: kind for kind in _SOURCES}
"""Every kind by its name."""

SOURCE_KINDS = ("none", *SOURCE_TABLE)
"""Names of the kinds; the index is what a program stores, so a new kind goes to the end."""

SOURCE_NONE = 0
SOURCE_HARMONIC = SOURCE_KINDS.index("harmonic")
SOURCE_PATH = SOURCE_KINDS.index("path")
SOURCE_FORMULA = SOURCE_KINDS.index("formula")
SOURCE_INPUT = SOURCE_KINDS.index("input")

TERM_ROWS: tuple[Parameter, ...] = tuple(below("source", row) for row in SOURCE_TABLE["harmonic"].parameters)
"""Rows that every layer has of its terms. They come last among its rows, because only those in use are laid out."""

_OTHER_ROWS = tuple(dict.fromkeys(row for kind in _SOURCES if kind.name != "harmonic" for row in kind.parameters))

SOURCE_ROWS: tuple[Parameter, ...] = tuple(below("source", row) for row in _OTHER_ROWS)
"""Rows that every layer has of the other sources, named by address below the layer; what several share is there once."""

OWN_ROWS: tuple[tuple[int, ...], ...] = (
    (),
    *(tuple(_OTHER_ROWS.index(row) for row in kind.parameters) if kind.name != "harmonic" else () for kind in _SOURCES),
)
"""Places among `SOURCE_ROWS` that each of `SOURCE_KINDS` reads; a layer has one kind, so the others are not laid out."""

SOURCE_STATE = np.dtype(
    [(kind.name, np.dtype(list(kind.remembers), align=True)) for kind in _SOURCES if kind.remembers], align=True
)
"""State of the sources of one layer: a record for each kind that remembers anything."""
