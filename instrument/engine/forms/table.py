"""The table of forms: what each kind is called and what can be played of it."""

from __future__ import annotations

from typing import NamedTuple


class FormRow(NamedTuple):
    """One parameter of a form, with the fields of `parameters.Parameter`."""

    name: str
    default: float
    unit: str
    about: str
    choices: tuple[str, ...] = ()


def _per_axis(stem: str, default: float, unit: str, about: str) -> tuple[FormRow, ...]:
    return tuple(FormRow(f"{stem}.{axis}", default, unit, about.format(axis=axis)) for axis in "xyz")


_BLEND = "share of the formed drawing: 0 leaves the drawing as it is, 1 shows the form alone"

_RESONANCE = FormRow(
    "resonance",
    0.7071067811865476,
    "Q",
    "how much the filters ring at their frequency: 0.707 is flat (Butterworth), more rings longer",
)

FORM_TABLE: dict[str, tuple[FormRow, ...]] = {
    "twist": (
        FormRow(
            "amount",
            0.25,
            "turns per full scale",
            "how far the drawing is turned at a distance of full scale; 0 leaves it as it is",
        ),
        FormRow(
            "by",
            0.0,
            "choice",
            "what the turning grows with: the radius in the picture plane (a whirl about the z axis), or "
            "the place along x, y or z (a ribbon wrung about that axis)",
            ("radius", "x", "y", "z"),
        ),
    ),
    "bend": (
        FormRow(
            "amount",
            0.25,
            "turns per full scale",
            "how far the x axis is rolled up into an arc; 1 closes a length of full scale into a ring, 0 "
            "leaves it straight",
        ),
        FormRow(
            "into",
            0.0,
            "choice",
            "where the x axis is bent to: within the picture plane towards y, or into the depth towards z",
            ("y", "z"),
        ),
    ),
    "ripple": (
        FormRow("amount", 0.05, "of full scale", "height of the waves; 0 leaves the drawing as it is"),
        FormRow("waves", 12.0, "waves", "waves in a round of the drawing, or per full scale of radius"),
        FormRow("phase", 0.0, "turns", "where the waves begin; a saw linked to it lets them run"),
        FormRow(
            "by",
            0.0,
            "choice",
            "what the waves follow: the path, or the radius in the picture plane as rings on water do",
            ("path", "radius"),
        ),
        FormRow(
            "into",
            0.0,
            "choice",
            "where the waves move the drawing: away from the middle in the picture plane, or along z",
            ("radius", "z"),
        ),
    ),
    "fold": (
        FormRow("amount", 1.0, "of 1", _BLEND),
        FormRow("drive", 2.0, "gain", "enlarges x, y and z before they are folded"),
        *_per_axis("edge", 0.5, "of full scale", "where {axis} is folded back into the drawing, on both sides"),
    ),
    "wrap": (
        FormRow("amount", 1.0, "of 1", _BLEND),
        FormRow("drive", 2.0, "gain", "enlarges x, y and z before they are wrapped"),
        *_per_axis(
            "edge",
            0.5,
            "of full scale",
            "where {axis} leaves the drawing, to come in again on the other side",
        ),
    ),
    "mirror": (
        FormRow(
            "amount",
            1.0,
            "of 1",
            "how far points go towards their mirror images: 0 leaves them, 0.5 lays them on the mirror, 1 is the image",
        ),
        FormRow(
            "show",
            0.0,
            "choice",
            "what is mirrored: the whole drawing in every second round, so that both are seen, or the half "
            "behind the mirror, always",
            ("image", "half"),
        ),
        FormRow(
            "angle",
            0.25,
            "turns",
            "direction of the mirror in the picture plane; 0.25 stands upright; z is not touched",
        ),
        FormRow("offset", 0.0, "of full scale", "distance of the mirror from the middle"),
    ),
    "copies": (
        FormRow(
            "amount",
            1.0,
            "of 1",
            "how far the copies stand apart: 0 draws all of them on the original, 1 opens them fully",
        ),
        FormRow("count", 3.0, "copies", "copies drawn one after another, one in each round of the pen"),
        FormRow("spread", 1.0, "turns", "angle about z that the copies share out among them"),
        FormRow("growth", 0.0, "of the first", "how much larger each copy is than the one before"),
        *_per_axis("step", 0.0, "of full scale", "shift along {axis} from each copy to the next"),
    ),
    "lattice": (
        FormRow("amount", 1.0, "of 1", _BLEND),
        *_per_axis(
            "pitch",
            0.125,
            "of full scale",
            "distance of the lattice points that {axis} is rounded to; halves go up, 0 rounds nothing",
        ),
    ),
    "noise": (
        FormRow(
            "amount",
            0.05,
            "of full scale",
            "how far x, y and z are thrown, each by numbers of its own; 0 leaves the drawing as it is",
        ),
        FormRow("rate", 2000.0, "Hz", "new random numbers in a second; 0 stands still"),
        FormRow("glide", 1.0, "0 or 1", "1 glides from number to number, 0 jumps; between, a blend"),
        FormRow("seed", 1.0, "number", "whole number that names the noise; the same one repeats the same noise"),
    ),
    "shear": (
        FormRow("amount", 1.0, "of 1", "share of the slants below; 0 leaves the drawing as it is"),
        FormRow("x", 0.5, "per full scale", "how far x moves with y"),
        FormRow("y", 0.0, "per full scale", "how far y moves with x"),
        FormRow("z", 0.0, "per full scale", "how far z moves with x"),
    ),
    "pinch": (
        FormRow(
            "amount",
            0.5,
            "of 1",
            "how far the middle is drawn together in x, y and z; negative numbers make it bulge, 0 leaves it as it is",
        ),
        FormRow("radius", 0.5, "of full scale", "distance from the middle at which half of it is felt"),
        *_per_axis("middle", 0.0, "of full scale", "place of the middle along {axis}"),
    ),
    "delay": (
        FormRow(
            "amount",
            1.0,
            "of 1",
            "share of the delayed drawing: 0 leaves the drawing as it is, 1 shows it alone",
        ),
        FormRow("x", 0.002, "s", "how late x is, at most 65,408 samples; fractions of a sample count"),
        FormRow("y", 0.0, "s", "how late y is; 0 takes it as it comes"),
        FormRow("z", 0.0, "s", "how late z is; 0 takes it as it comes"),
        *_per_axis("feedback", 0.0, "gain", "share of the delayed {axis} that goes round again; 1 never dies away"),
    ),
    "lowpass": (
        FormRow("amount", 1.0, "of 1", _BLEND),
        *_per_axis("cutoff", 1000.0, "Hz", "frequency above which {axis} is smoothed away; 0 freezes it"),
        _RESONANCE,
    ),
    "highpass": (
        FormRow("amount", 1.0, "of 1", _BLEND),
        *_per_axis("cutoff", 100.0, "Hz", "frequency below which {axis} is held back to the middle"),
        _RESONANCE,
    ),
    "ring": (
        FormRow("amount", 1.0, "of 1", _BLEND),
        FormRow("gain", 2.0, "gain", "gain of the product of x and y; 2 keeps the size of a drawing of half scale"),
        FormRow("x", 1.0, "of the amount", "how much of it x feels: x times y in the place of x"),
        FormRow("y", 0.0, "of the amount", "how much of it y feels: x times y in the place of y; z is not touched"),
    ),
    "chop": (
        FormRow(
            "amount",
            1.0,
            "of 1",
            "how far the beam is taken away between the dashes; 0 leaves the drawing whole",
        ),
        FormRow("gates", 8.0, "per round", "dashes along the drawing"),
        FormRow("open", 0.5, "of a gate", "share of each dash that is drawn: 0 nothing, 1 everything"),
        FormRow("phase", 0.0, "turns of a gate", "where the first dash begins; a saw linked to it lets them run"),
        FormRow(
            "rest",
            0.0,
            "choice",
            "where x, y and z wait between the dashes: in the middle, or where the dash has ended",
            ("middle", "hold"),
        ),
    ),
}
"""The parameters of each kind, in the order of `layout.FORM_KINDS`; the whole is their documentation too."""

FORM_ROWS: tuple[FormRow, ...] = tuple(
    row._replace(name=f"form.{kind}.{row.name}") for kind, rows in FORM_TABLE.items() for row in rows
)
"""What every layer has of each form, named by address below the layer; the rows of a kind lie together."""

COUNTING_FORMS = ("mirror", "copies")
"""Kinds that read the number of the round."""
