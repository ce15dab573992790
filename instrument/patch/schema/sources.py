"""Sources of a layer: terms or a figure made of them, points or a figure made of those, formulas, live input."""

from collections.abc import Container
from typing import Annotated, Any, Literal, Self, Union, get_args

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, BaseModel, BeforeValidator, Discriminator, Field, Tag, model_validator
from pydantic import ValidationInfo as Info

from instrument.engine.memory.layout import TERMS
from instrument.engine.parameters import AXES
from instrument.engine.signal.source_table import SOURCE_TABLE
from instrument.patch import figures as presets
from instrument.patch.figures import MOST, default_count, resample
from instrument.patch.patch_errors import did_you_mean, listed
from instrument.patch.schema.drawing_settings import DrawingFields, FrameRate, Names
from instrument.patch.schema.fields import (
    TAG,
    FormulaText,
    Number,
    Table,
    Text,
    make_table,
    parameter_fields,
    quoted,
    refusal,
    whole,
)
from instrument.patch.schema.former_words import in_present_words

Floats = npt.NDArray[np.float64]
Whole = Annotated[int, *whole(1, 10_000)]

FRAMES = 512
"""Frames of a flip-book at most; at the usual size of a table they fit into the engine's pool."""


class Term(Table):
    """One sine: amplitude * sin(2 pi (ratio * place of the pen + phase))."""

    amplitude: Number = Field(1.0, description="size (of full scale)")
    ratio: Number = Field(1.0, description="frequency ratio to the pen; negative runs backward")
    phase: Number = Field(0.0, description="phase (turns); 0.25 makes a cosine")


def _terms(value: Any) -> Any:
    if not isinstance(value, list):
        raise refusal("it takes a list of terms, as [{amplitude = 1, ratio = 2, phase = 0.25}]")
    if len(value) > TERMS:
        raise refusal(f"it holds {len(value)} terms, and at most {TERMS} are played")
    return value


Terms = Annotated[list[Term], BeforeValidator(_terms)]


class Harmonic(Table):
    """Sums of sines on each axis; an axis written out takes the place of the figure's."""

    kind: Literal["harmonic"]
    x: Terms | None = Field(None, description="terms of x")
    y: Terms | None = Field(None, description="terms of y")
    z: Terms | None = Field(None, description="terms of z")

    def figure(self) -> presets.Axes:
        """Return the terms of the figure alone."""
        empty = np.zeros((0, 3))
        return empty, empty, empty

    def tables(self) -> presets.Axes:
        """Return rows of amplitude, ratio and phase for x, y and z."""
        x, y, z = (
            of_figure if terms is None else np.array([[t.amplitude, t.ratio, t.phase] for t in terms]).reshape(-1, 3)
            for of_figure, terms in zip(self.figure(), (getattr(self, axis) for axis in AXES), strict=True)
        )
        return x, y, z


class Circle(Harmonic):
    """A circle of radius 1."""

    preset: Literal["circle"]

    def figure(self) -> presets.Axes:
        """Return its terms."""
        return presets.circle()


class Lissajous(Harmonic):
    """Two sines at right angles."""

    preset: Literal["lissajous"]
    a: Number = Field(3.0, description="frequency ratio on x")
    b: Number = Field(2.0, description="frequency ratio on y")
    phase: Number = Field(0.25, description="how far x is ahead (turns)")

    def figure(self) -> presets.Axes:
        """Return its terms."""
        return presets.lissajous(self.a, self.b, self.phase)


class Rose(Harmonic):
    """The rose r = cos(petals / over * theta)."""

    preset: Literal["rose"]
    petals: Whole = Field(5, description="numerator: petals, or half of them")
    over: Whole = Field(1, description="denominator: turns until the curve closes")

    def figure(self) -> presets.Axes:
        """Return its terms."""
        return presets.rose(self.petals, self.over)


class Wheel(Table):
    """One circle of epicycles."""

    radius: Number = Field(1.0, description="radius (of full scale)")
    ratio: Number = Field(1.0, description="turns in one round of the pen; negative runs clockwise")
    phase: Number = Field(0.0, description="where it begins (turns)")


def _wheels(value: Any) -> Any:
    if not isinstance(value, list) or not 1 <= len(value) <= TERMS:
        raise refusal(f"it takes a list of 1 to {TERMS} circles, as [{{radius = 0.5, ratio = -3, phase = 0}}]")
    return value


class Epicycles(Harmonic):
    """Circles running on circles."""

    preset: Literal["epicycles"]
    circles: Annotated[list[Wheel], BeforeValidator(_wheels)] = Field(description="circles from the middle outwards")

    def figure(self) -> presets.Axes:
        """Return its terms."""
        return presets.epicycles((wheel.radius, wheel.ratio, wheel.phase) for wheel in self.circles)


class SoftPolygon(Harmonic):
    """A regular polygon with rounded corners, sharper with more terms."""

    preset: Literal["soft_polygon"]
    corners: Annotated[int, *whole(3, 1000)] = Field(5, description="number of corners")
    terms: Annotated[int, *whole(1, TERMS)] = Field(3, description="circles added up")

    def figure(self) -> presets.Axes:
        """Return its terms."""
        return presets.soft_polygon(self.corners, self.terms)


class TorusKnot(Harmonic):
    """A closed line wound round a ring."""

    preset: Literal["torus_knot"]
    p: Whole = Field(2, description="times round the axis")
    q: Whole = Field(3, description="times through the hole")
    tube: Number = Field(0.5, description="thickness of the ring, of its radius")

    def figure(self) -> presets.Axes:
        """Return its terms."""
        return presets.torus_knot(self.p, self.q, self.tube)


def kinds_of_row(part: str) -> tuple[str, ...]:
    """Return the kinds of source that a part of an address below ``source`` belongs to, paths where it belongs to none.

    Examples
    --------
    >>> kinds_of_row("x"), kinds_of_row("frame"), kinds_of_row("rise")
    (('harmonic',), ('path',), ('spiral', 'phyllotaxis', 'strings'))
    """
    return _OWNERS.get(part, ("path",))


_OWNERS = {
    part: tuple(
        kind.name for kind in SOURCE_TABLE.values() if part in {row.name.partition(".")[0] for row in kind.parameters}
    )
    for part in {row.name.partition(".")[0] for kind in SOURCE_TABLE.values() for row in kind.parameters}
}


def _base_of(kind: str) -> type[Table]:
    # A table with the parameters of a source, and what it says of itself.
    row = SOURCE_TABLE[kind]
    base = parameter_fields(f"{kind.capitalize()}Fields", row.parameters)
    return make_table(f"{kind.capitalize()}Source", base, row.about, {"kind": (Literal[kind], ...)})


class Formulas(parameter_fields("FormulaFields", SOURCE_TABLE["formula"].parameters)):  # type: ignore[misc]  # made from the engine's table
    """Whatever formulas say of x, y and z."""

    kind: Literal["formula"]
    x: FormulaText | None = Field(None, description="what x is; 0 unless given")
    y: FormulaText | None = Field(None, description="what y is; 0 unless given")
    z: FormulaText | None = Field(None, description="what z is; 0 unless given")


class Along(parameter_fields("PathFields", SOURCE_TABLE["path"].parameters)):  # type: ignore[misc]  # made from the engine's table
    """A closed path, run along at constant speed."""

    kind: Literal["path"]
    samples: Annotated[int, *whole(2, MOST)] | None = Field(
        None, description="points of the table the pen runs along; enough for every corner unless given"
    )

    def corners_of_path(self) -> Floats:
        """Return the corners [shape=(n, 3)]."""
        raise NotImplementedError

    def frames_of_path(self) -> list[Floats]:
        """Return the corners of each frame, each [shape=(n, 3)]."""
        return [self.corners_of_path()]

    def table(self) -> Floats:
        """Return points at equal distances [shape=(n, 3), or (frames, n, 3)]."""
        return resample(self.corners_of_path(), self.samples)


def _points(value: Any) -> Any:
    if not isinstance(value, list) or not value:
        raise refusal("it takes a list of points, as [[0, 1], [1, 0, 0.5]]")
    if len(value) > MOST:
        raise refusal(f"it holds {len(value)} points, and at most {MOST} are played")
    for k, point in enumerate(value):
        if not isinstance(point, list) or len(point) not in {2, 3}:
            raise refusal("a point is a list of two numbers or three, as [0, 1] or [1, 0, 0.5]", at=k)
    return value


def _finite(value: list[list[float]]) -> list[list[float]]:
    for k, point in enumerate(value):
        if not np.isfinite(point).all():
            raise refusal("a drawing needs finite coordinates", at=k)
    return value


Points = Annotated[list[list[Number]], BeforeValidator(_points), AfterValidator(_finite)]
"""Corners of a closed path."""


class Path(Along):
    """A closed path through points of your own."""

    points: Points = Field(description="corners as [x, y] or [x, y, z]; the last is joined to the first")

    def corners_of_path(self) -> Floats:
        """Return the corners [shape=(n, 3)]."""
        return np.array([[*point, 0.0][:3] for point in self.points], np.float64)


def _frames(value: Any) -> Any:
    if not isinstance(value, list) or not 1 <= len(value) <= FRAMES:
        raise refusal(f"it takes a list of 1 to {FRAMES} frames, each a list of points, as [[[0, 1], [1, 0]]]")
    return value


class FlipBook(FrameRate, Along):
    """Several closed paths, of which `frame` tells the one that is drawn."""

    frames: Annotated[list[Points], BeforeValidator(_frames)] = Field(
        description="frames, each the corners of a path; frames that begin at like corners blend well"
    )

    def frames_of_path(self) -> list[Floats]:
        """Return the corners of each frame, each [shape=(n, 3)]."""
        return [np.array([[*point, 0.0][:3] for point in frame], np.float64) for frame in self.frames]

    def table(self) -> Floats:
        """Return points at equal distances [shape=(frames, n, 3)]."""
        corners = self.frames_of_path()
        count = self.samples or max(default_count(len(frame)) for frame in corners)
        tables = [resample(frame, count) for frame in corners]
        return np.stack([np.resize(table, (count, 3)) for table in tables])


FONT_FILES = (".ttf", ".otf", ".ttc")


def is_font_file(font: str) -> bool:
    """Return whether a font is meant by its file; otherwise it is meant by its name."""
    return font.lower().endswith(FONT_FILES)


class Drawing(DrawingFields, Along):
    """A drawing from a file, a film, a clip of a model, or several drawings as a flip-book, routed into one closed line."""

    drawing: Names = Field(
        description="file relative to the patch's folder, or a numbered folder or list of files, which make a flip-book"
    )


class Lettering(DrawingFields, Along):
    """A text, routed into one closed line."""

    text: Text = Field(description="one line or several")


DrawnSource = Drawing | Lettering
"""Sources whose path comes out of the drawing room."""


class Polygon(Along):
    """A regular polygon, or a star of straight lines from every `step`-th corner to the next."""

    preset: Literal["polygon"]
    corners: Annotated[int, *whole(2, 10_000)] = Field(4, description="number of corners; 2 make a line")
    step: Whole = Field(1, description="2 and more draw a star, such as 5 corners and step 2")

    @model_validator(mode="after")
    def _check(self) -> Self:
        try:
            presets.polygon(self.corners, self.step)
        except ValueError as error:
            raise refusal(str(error), at="step") from None
        return self

    def corners_of_path(self) -> Floats:
        """Return the corners [shape=(n, 3)]."""
        return presets.polygon(self.corners, self.step)


class Star(Along):
    """The outline of a star."""

    preset: Literal["star"]
    corners: Annotated[int, *whole(2, 10_000)] = Field(5, description="number of points")
    inner: Number = Field(0.4, description="radius of the notches; the points have 1")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not np.isfinite(self.inner):
            raise refusal("a drawing needs a finite number", at="inner")
        return self

    def corners_of_path(self) -> Floats:
        """Return the corners [shape=(n, 3)]."""
        return presets.star(self.corners, self.inner)


class Rectangle(Along):
    """A rectangle about the middle."""

    preset: Literal["rectangle"]
    width: Number = Field(2.0, description="from left to right (of full scale)")
    height: Number = Field(1.0, description="from bottom to top (of full scale)")

    @model_validator(mode="after")
    def _check(self) -> Self:
        for name in ("width", "height"):
            if not np.isfinite(getattr(self, name)):
                raise refusal("a drawing needs a finite number", at=name)
        return self

    def corners_of_path(self) -> Floats:
        """Return the corners [shape=(n, 3)]."""
        return presets.rectangle(self.width, self.height)


class Cube(Along):
    """The edges of a cube."""

    preset: Literal["cube"]

    def corners_of_path(self) -> Floats:
        """Return the corners [shape=(n, 3)]."""
        return presets.cube()


_FAMILIES: dict[str, tuple[type[Table], ...]] = {
    "harmonic": (Harmonic, Circle, Lissajous, Rose, Epicycles, SoftPolygon, TorusKnot),
    "path": (Along, Path, FlipBook, Drawing, Lettering, Polygon, Star, Rectangle, Cube),
    "formula": (Formulas,),
}
"""Kinds of source that take more than parameters: the table that all of a kind are made from, and those made from it."""

for _kind, (_base, *_) in _FAMILIES.items():
    _base.__doc__ = SOURCE_TABLE[_kind].about

_MODELS: tuple[type[Table], ...] = tuple(
    model for kind in SOURCE_TABLE for model in _FAMILIES.get(kind, (_base_of(kind),)) if model is not Along
)

FIGURES: dict[str, tuple[type[Table], ...]] = {
    kind: tuple(model for model in _FAMILIES.get(kind, ()) if "preset" in model.model_fields) for kind in SOURCE_TABLE
}
"""The figures with a name, by kind of source."""

_FORMER = {word: kind.name for kind in SOURCE_TABLE.values() for word in kind.formerly}


def figure_names(kind: str) -> list[str]:
    """Return the names of the figures of a kind."""
    return [get_args(model.model_fields["preset"].annotation)[0] for model in FIGURES[kind]]


def _known_kind(value: Any, info: Info) -> Any:
    if not isinstance(value, dict):
        return value if isinstance(value, BaseModel) else _refuse_source()
    kind = in_present_words(value.get("kind"), _FORMER, info, at="kind")
    if kind not in FIGURES:
        raise refusal(f"a source takes {quoted(FIGURES)}", did_you_mean(str(kind), FIGURES), at="kind")
    if kind != value["kind"]:
        value = {**value, "kind": kind}
    names = figure_names(kind)
    preset = value.get("preset")
    if preset is not None and preset not in names:
        if not names:
            raise refusal(f"a source of kind {kind} has no figures", at="preset")
        other = next((k for k in FIGURES if k != kind and preset in figure_names(k)), None)
        hint = f'It is a figure of kind = "{other}".' if other else did_you_mean(str(preset), names)
        raise refusal(f"figures of kind {kind} are {listed(names, 'and')}", hint, at="preset")
    return value


def _refuse_source() -> Any:
    raise refusal('it takes a table, as [layer.source] with kind = "harmonic"')


_OWN = ("frames", "drawing", "text")
"""Fields that tell one path from another where no figure is named."""


def _tag_of(value: Any) -> str:
    holds = value if isinstance(value, dict) else dict(value)
    return _tag(holds["kind"], holds.get("preset"), holds)


def _tag(kind: str, preset: str | None, fields: Container[str]) -> str:
    own = next((name for name in _OWN if name in fields), "") if kind == "path" else ""
    return TAG + f"{kind} {preset or own}".strip()


def _tag_of_model(model: type[Table]) -> str:
    words = {
        name: get_args(model.model_fields[name].annotation)[0]
        for name in ("kind", "preset")
        if name in model.model_fields
    }
    return _tag(words["kind"], words.get("preset"), model.model_fields)


_Sources: Any = Union[tuple(Annotated[model, Tag(_tag_of_model(model))] for model in _MODELS)]  # noqa: UP007 - made of a list
Source: Any = Annotated[Annotated[_Sources, Discriminator(_tag_of)], BeforeValidator(_known_kind)]
"""The source of a layer."""
