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
        Rows by their names within the source. No two kinds share a name.
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
            Parameter("blend", 1.0, "0 or 1", "1 blends a frame into the next between whole numbers, 0 cuts"),
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

SOURCE_ROWS: tuple[Parameter, ...] = tuple(
    below("source", row) for kind in _SOURCES if kind.name != "harmonic" for row in kind.parameters
)
"""Rows that every layer has of each other source, named by address below the layer."""

SOURCE_STATE = np.dtype(
    [(kind.name, np.dtype(list(kind.remembers), align=True)) for kind in _SOURCES if kind.remembers], align=True
)
"""State of the sources of one layer: a record for each kind that remembers anything."""
