"""The table of forms: all that Beamhand knows of each kind but the loop that bends the drawing.

Patch schema, guide, window, engine memory and dispatch are made from it. A kind that is added here, with its kernel in a
module beside this one, can be played; `instrument/engine/README.md` has the recipe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from instrument.engine.parameter_record import Field, Parameter, below, per_axis

DELAY_LINE = 1 << 16
"""Samples of each axis of a layer that the delay form keeps; a power of two."""


@dataclass(frozen=True)
class FormKind:
    """One kind of form.

    Attributes
    ----------
    name : str
        Word for it in patch files.
    about : str
        Sentence for the guide and the window.
    parameters : tuple of Parameter
        Rows by their names within the form, ``amount`` first.
    kernel : str
        Module of this folder and compiled function, called as ``kernel(m, s, layer, first, last)``.
    remembers : tuple of Field
        Fields of ``s.forms[layer].<name>``: all zero when the form begins, copied where a program carries on.
    start : str
        Kernel ``start(m, p, s, layer)`` for a beginning that is not all zeros.
    carry : str
        Kernel ``carry(m, p, s, old, layer)`` where copying everything will not do; given together with `start`.
    counts_rounds : bool
        Whether it reads the number of the pen's round (``m.scratch_rounds``), which is counted only then.
    repeats : bool
        Whether it does the same in every round of the same drawing, so that a loop of it can close.
    formerly : tuple of str
        Names that it had in earlier patch files.
    """

    name: str
    about: str
    parameters: tuple[Parameter, ...]
    kernel: str
    remembers: tuple[Field, ...] = ()
    start: str = ""
    carry: str = ""
    counts_rounds: bool = False
    repeats: bool = True
    formerly: tuple[str, ...] = ()


_BLEND = "share of the formed drawing: 0 leaves the drawing as it is, 1 shows the form alone"

_RESONANCE = Parameter(
    "resonance",
    0.7071067811865476,
    "Q",
    "how much the filters ring at their frequency: 0.707 is flat (Butterworth), more rings longer",
)

_FORMS = (
    FormKind(
        "twist",
        "Turns the drawing the more, the further out or along it is.",
        kernel="space.twist",
        parameters=(
            Parameter(
                "amount",
                0.25,
                "turns per full scale",
                "how far the drawing is turned at a distance of full scale; 0 leaves it as it is",
            ),
            Parameter(
                "by",
                0.0,
                "choice",
                "what the turning grows with: the radius in the picture plane (a whirl about the z axis), or "
                "the place along x, y or z (a ribbon wrung about that axis)",
                ("radius", "x", "y", "z"),
            ),
        ),
    ),
    FormKind(
        "bend",
        "Rolls the x axis up into an arc.",
        kernel="space.bend",
        parameters=(
            Parameter(
                "amount",
                0.25,
                "turns per full scale",
                "how far the x axis is rolled up into an arc; 1 closes a length of full scale into a ring, 0 "
                "leaves it straight",
            ),
            Parameter(
                "into",
                0.0,
                "choice",
                "where the x axis is bent to: within the picture plane towards y, or into the depth towards z",
                ("y", "z"),
            ),
        ),
    ),
    FormKind(
        "billow",
        "Waves along the line, or rings as on water.",
        kernel="along_path.billow",
        formerly=("ripple",),
        parameters=(
            Parameter("amount", 0.05, "of full scale", "height of the waves; 0 leaves the drawing as it is"),
            Parameter("waves", 12.0, "waves", "waves in a round of the drawing, or per full scale of radius"),
            Parameter("phase", 0.0, "turns", "where the waves begin; a saw linked to it lets them run"),
            Parameter(
                "by",
                0.0,
                "choice",
                "what the waves follow: the path, or the radius in the picture plane as rings on water do",
                ("path", "radius"),
            ),
            Parameter(
                "into",
                0.0,
                "choice",
                "where the waves move the drawing: away from the middle in the picture plane, or along z",
                ("radius", "z"),
            ),
        ),
    ),
    FormKind(
        "fold",
        "Folds what is too large back into the drawing, as often as needed.",
        kernel="folding.fold",
        parameters=(
            Parameter("amount", 1.0, "of 1", _BLEND),
            Parameter("drive", 2.0, "gain", "enlarges x, y and z before they are folded"),
            *per_axis("edge", 0.5, "of full scale", "where {axis} is folded back into the drawing, on both sides"),
        ),
    ),
    FormKind(
        "wrap",
        "Lets what leaves on one side come in again on the other.",
        kernel="folding.wrap",
        parameters=(
            Parameter("amount", 1.0, "of 1", _BLEND),
            Parameter("drive", 2.0, "gain", "enlarges x, y and z before they are wrapped"),
            *per_axis(
                "edge",
                0.5,
                "of full scale",
                "where {axis} leaves the drawing, to come in again on the other side",
            ),
        ),
    ),
    FormKind(
        "mirror",
        "Adds the mirror image, or makes both halves alike.",
        kernel="folding.mirror",
        counts_rounds=True,
        parameters=(
            Parameter(
                "amount",
                1.0,
                "of 1",
                "how far points go towards their mirror images: 0 leaves them, 0.5 lays them on the mirror, 1 is the image",
            ),
            Parameter(
                "show",
                0.0,
                "choice",
                "what is mirrored: the whole drawing in every second round, so that both are seen, or the half "
                "behind the mirror, always",
                ("image", "half"),
            ),
            Parameter(
                "angle",
                0.25,
                "turns",
                "direction of the mirror in the picture plane; 0.25 stands upright; z is not touched",
            ),
            Parameter("offset", 0.0, "of full scale", "distance of the mirror from the middle"),
        ),
    ),
    FormKind(
        "copies",
        "Draws the drawing several times, turned, grown or shifted, one copy in each round of the pen.",
        kernel="folding.copies",
        counts_rounds=True,
        parameters=(
            Parameter(
                "amount",
                1.0,
                "of 1",
                "how far the copies stand apart: 0 draws all of them on the original, 1 opens them fully",
            ),
            Parameter("count", 3.0, "copies", "copies drawn one after another, one in each round of the pen"),
            Parameter("spread", 1.0, "turns", "angle about z that the copies share out among them"),
            Parameter("growth", 0.0, "of the first", "how much larger each copy is than the one before"),
            *per_axis("step", 0.0, "of full scale", "shift along {axis} from each copy to the next"),
        ),
    ),
    FormKind(
        "lattice",
        "Rounds coordinates to a lattice.",
        kernel="folding.lattice",
        parameters=(
            Parameter("amount", 1.0, "of 1", _BLEND),
            *per_axis(
                "pitch",
                0.125,
                "of full scale",
                "distance of the lattice points that {axis} is rounded to; halves go up, 0 rounds nothing",
            ),
        ),
    ),
    FormKind(
        "noise",
        "Throws points about at random; the same seed repeats the same noise.",
        kernel="along_path.noise",
        remembers=(("clock", "u8"),),  # random numbers gone by, in 2**-32
        repeats=False,
        parameters=(
            Parameter(
                "amount",
                0.05,
                "of full scale",
                "how far x, y and z are thrown, each by numbers of its own; 0 leaves the drawing as it is",
            ),
            Parameter("rate", 2000.0, "Hz", "new random numbers in a second; 0 stands still"),
            Parameter("glide", 1.0, "0 or 1", "1 glides from number to number, 0 jumps; between, a blend"),
            Parameter("seed", 1.0, "number", "whole number that names the noise; the same one repeats the same noise"),
        ),
    ),
    FormKind(
        "shear",
        "Slants the drawing.",
        kernel="space.shear",
        parameters=(
            Parameter("amount", 1.0, "of 1", "share of the slants below; 0 leaves the drawing as it is"),
            Parameter("x", 0.5, "per full scale", "how far x moves with y"),
            Parameter("y", 0.0, "per full scale", "how far y moves with x"),
            Parameter("z", 0.0, "per full scale", "how far z moves with x"),
        ),
    ),
    FormKind(
        "pinch",
        "Draws the middle together, or makes it bulge.",
        kernel="space.pinch",
        parameters=(
            Parameter(
                "amount",
                0.5,
                "of 1",
                "how far the middle is drawn together in x, y and z; negative numbers make it bulge, 0 leaves it as it is",
            ),
            Parameter("radius", 0.5, "of full scale", "distance from the middle at which half of it is felt"),
            *per_axis("middle", 0.0, "of full scale", "place of the middle along {axis}"),
        ),
    ),
    FormKind(
        "delay",
        "Lets axes come late, and go round again.",
        kernel="delays_and_filters.delay",
        remembers=(
            ("lines", "f8", (3, DELAY_LINE)),
            ("at", "i8"),  # where the next sample goes ...
            ("count", "i8"),  # ... and how many before it are this program's
        ),
        # Emptying or copying whole lines would take too long within a callback.
        start="delays_and_filters.start_delay",
        carry="delays_and_filters.carry_delay",
        parameters=(
            Parameter(
                "amount",
                1.0,
                "of 1",
                "share of the delayed drawing: 0 leaves the drawing as it is, 1 shows it alone",
            ),
            Parameter("x", 0.002, "s", "how late x is, at most 65,408 samples; fractions of a sample count"),
            Parameter("y", 0.0, "s", "how late y is; 0 takes it as it comes"),
            Parameter("z", 0.0, "s", "how late z is; 0 takes it as it comes"),
            *per_axis("feedback", 0.0, "gain", "share of the delayed {axis} that goes round again; 1 never dies away"),
        ),
    ),
    FormKind(
        "lowpass",
        "Smooths axes: corners go round.",
        kernel="delays_and_filters.lowpass",
        remembers=(("integrators", "f8", (3, 2)),),
        parameters=(
            Parameter("amount", 1.0, "of 1", _BLEND),
            *per_axis("cutoff", 1000.0, "Hz", "frequency above which {axis} is smoothed away; 0 freezes it"),
            _RESONANCE,
        ),
    ),
    FormKind(
        "highpass",
        "Takes the slow part out of axes: what stands still goes to the middle.",
        kernel="delays_and_filters.highpass",
        remembers=(("integrators", "f8", (3, 2)),),
        parameters=(
            Parameter("amount", 1.0, "of 1", _BLEND),
            *per_axis("cutoff", 100.0, "Hz", "frequency below which {axis} is held back to the middle"),
            _RESONANCE,
        ),
    ),
    FormKind(
        "ring",
        "Multiplies x by y.",
        kernel="along_path.ring",
        parameters=(
            Parameter("amount", 1.0, "of 1", _BLEND),
            Parameter(
                "gain", 2.0, "gain", "gain of the product of x and y; 2 keeps the size of a drawing of half scale"
            ),
            Parameter("x", 1.0, "of the amount", "how much of it x feels: x times y in the place of x"),
            Parameter(
                "y", 0.0, "of the amount", "how much of it y feels: x times y in the place of y; z is not touched"
            ),
        ),
    ),
    FormKind(
        "gaps",
        "Cuts the line into dashes.",
        kernel="along_path.gaps",
        formerly=("chop",),
        remembers=(("held", "f8", (3,)),),  # where the latest dash has ended
        parameters=(
            Parameter(
                "amount",
                1.0,
                "of 1",
                "how far the beam is taken away between the dashes; 0 leaves the drawing whole",
            ),
            Parameter("gates", 8.0, "per round", "dashes along the drawing"),
            Parameter("open", 0.5, "of a gate", "share of each dash that is drawn: 0 nothing, 1 everything"),
            Parameter("phase", 0.0, "turns of a gate", "where the first dash begins; a saw linked to it lets them run"),
            Parameter(
                "rest",
                0.0,
                "choice",
                "where x, y and z wait between the dashes: in the middle, or where the dash has ended",
                ("middle", "hold"),
            ),
        ),
    ),
)

FORM_TABLE: dict[str, FormKind] = {kind.name: kind for kind in _FORMS}
"""Every kind by its name."""

FORMER_FORMS: dict[str, str] = {word: kind.name for kind in _FORMS for word in kind.formerly}
"""Kinds by the names that they had in earlier patch files."""

FORM_KINDS = tuple(FORM_TABLE)
"""Names of the kinds; the index is what a program stores, so a new kind goes to the end."""

FORM_ROWS: tuple[Parameter, ...] = tuple(
    below(f"form.{kind.name}", row, tuple(f"form.{word}" for word in kind.formerly))
    for kind in _FORMS
    for row in kind.parameters
)
"""Rows that every layer has of each form, named by address below the layer; the rows of a kind lie together."""

FORM_STATE = np.dtype(
    [(kind.name, np.dtype(list(kind.remembers), align=True)) for kind in _FORMS if kind.remembers], align=True
)
"""State of the forms of one layer: a record for each kind that remembers anything."""
