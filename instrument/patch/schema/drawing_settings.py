"""Settings of a source that is a drawing: reading, routing and sampling."""

import math
from collections.abc import Callable
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, model_validator

from instrument.drawings.limits import DEFAULT_LIMITS, MEBIBYTE, Limits, Tolerances
from instrument.drawings.load import LoadOptions
from instrument.drawings.readers.by_ending import FASTEST, ReadOptions
from instrument.drawings.readers.lettering import ALIGN, Lettering
from instrument.drawings.readers.picture_contours import TRACES, Tracing
from instrument.drawings.routing.closed_line import RouteOptions
from instrument.drawings.routing.sampling import Sampling
from instrument.engine.memory.layout import POOL
from instrument.engine.signal.jump_table import LONGEST, MOST_SHARE
from instrument.patch.schema.fields import Number, Table, Text, one_of, refusal, whole

MOST_FILES = 512
"""Drawings that a source may name; a numbered folder counts as one."""


def _within(allowed: str, fits: Callable[[float], bool]) -> AfterValidator:
    def check(value: float) -> float:
        if not fits(value):
            raise refusal(allowed)
        return value

    return AfterValidator(check)


Cost = Annotated[Number, _within("it takes a number of at least 0, or inf", lambda v: v >= 0)]
Speed = Annotated[Number, _within("it takes a number above 0, or inf", lambda v: v > 0)]
Size = Annotated[Number, _within("it takes a number above 0", lambda v: 0 < v < math.inf)]
Finite = Annotated[Number, _within("it takes a finite number", math.isfinite)]
Degrees = Annotated[Number, _within("it takes degrees from 0 to 180", lambda v: 0 <= v <= 180)]
Share = Annotated[Number, _within("it takes a share from 0 to less than 1", lambda v: 0 <= v < 1)]
Samples = Annotated[Number, _within(f"it takes samples from 0 to {LONGEST:g}", lambda v: 0 <= v <= LONGEST)]
MostShare = Annotated[Number, _within("it takes a share of the cycle from 0 to 0.9", lambda v: 0 <= v <= 0.9)]
Fraction = Annotated[Number, _within("it takes a share of the drawing from 0 to 1", lambda v: 0 <= v <= 1)]
Bend = Annotated[Number, _within("it takes a share of the drawing above 0, up to 1", lambda v: 0 < v <= 1)]
Blur = Annotated[Number, _within("it takes pixels from 0 to less than 1000", lambda v: 0 <= v < 1000)]
Rate = Annotated[Number, _within(f"it takes frames a second above 0, up to {FASTEST:g}", lambda v: 0 < v <= FASTEST)]
Duration = Annotated[Number, _within("it takes seconds above 0, up to 3600", lambda v: 0 < v <= 3600)]


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise refusal("it takes true or false")
    return value


Flag = Annotated[bool, BeforeValidator(_flag)]


def _levels(value: Any) -> Any:
    sentence = "it takes how many brightnesses to follow, from 1 to 64, or a list of them between 0 and 1"
    if isinstance(value, list) and 1 <= len(value) <= 64:
        levels = [float(v) if isinstance(v, int | float) else math.nan for v in value]
        if all(0 < level < 1 for level in levels):
            return levels
    elif isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 64:
        return value
    raise refusal(sentence)


Levels = Annotated[
    Any,
    BeforeValidator(_levels),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 1, "maximum": 64},
                {
                    "type": "array",
                    "minItems": 1,
                    "maxItems": 64,
                    "items": {"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1},
                },
            ]
        }
    ),
]


def _place(value: Any) -> Any:
    if not isinstance(value, list) or len(value) not in {2, 3}:
        raise refusal("it takes a place of two numbers or three, as [0, 1]")
    return value


Place = Annotated[list[Finite], BeforeValidator(_place)]


AUTO = "auto"
"""Budget of points that follows from the sample rate and the pitch."""

FEWEST_POINTS, MOST_POINTS = 8, 1 << 20


def _budget(value: Any) -> int | str:
    whole_number = isinstance(value, int) and not isinstance(value, bool) and FEWEST_POINTS <= value <= MOST_POINTS
    if value != AUTO and not whole_number:
        raise refusal(
            f'it takes "{AUTO}", which is the sample rate over the pitch, or a whole number from {FEWEST_POINTS} to '
            f"{MOST_POINTS}"
        )
    budget: int | str = value
    return budget


Budget = Annotated[
    int | str,
    BeforeValidator(_budget),
    WithJsonSchema({"anyOf": [{"const": AUTO}, {"type": "integer", "minimum": FEWEST_POINTS, "maximum": MOST_POINTS}]}),
]
"""Points of a cycle that a drawing is fitted to."""


def _names(value: Any) -> list[str]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not 1 <= len(names) <= MOST_FILES:
        raise refusal(
            f'it takes a drawing\'s file, as "heron.svg", a numbered folder, or a list of 1 to {MOST_FILES} files'
        )
    for k, name in enumerate(names):
        if not isinstance(name, str) or not name.strip() or "\0" in name:
            at = k if isinstance(value, list) else None
            raise refusal('it takes the name of a file or a folder, as "heron.svg"', at=at)
    return names


DIRECTIONS = 600
"""Directions of an outline: 120 about the axis that a layer turns about, the others ten degrees apart on all sides."""

_NAME: dict[str, Any] = {"type": "string", "pattern": r"\S"}
Names = Annotated[
    list[str],
    BeforeValidator(_names),
    WithJsonSchema({"anyOf": [_NAME, {"type": "array", "minItems": 1, "maxItems": MOST_FILES, "items": _NAME}]}),
]
"""Files or folders, relative to the patch's folder."""


class FrameRate(Table):
    """Speed of frames that stand in the patch itself."""

    frame_rate: Rate | None = Field(
        None, description="frames a second at which it plays by itself; it waits for frame unless given"
    )

    def seconds_of(self, frames: int) -> float:
        """Return the time of so many frames at their own speed; 0 where they have none."""
        return 0.0 if self.frame_rate is None else frames / self.frame_rate


class LimitFields(Table):
    """Limits of reading a drawing, beyond which it is refused."""

    seconds: Duration = Field(DEFAULT_LIMITS.seconds, description="reading and routing together (s)")
    memory: Annotated[int, *whole(16, 1 << 20)] = Field(
        DEFAULT_LIMITS.memory // MEBIBYTE, description="memory of the process that reads (MiB)"
    )
    file: Annotated[int, *whole(1, 1 << 20)] = Field(
        DEFAULT_LIMITS.file_bytes // MEBIBYTE, description="largest file (MiB)"
    )
    points: Annotated[int, *whole(2, 1 << 30)] = Field(
        DEFAULT_LIMITS.points, description="most points and most edges in a drawing"
    )
    pixels: Annotated[int, *whole(1, 1 << 30)] = Field(DEFAULT_LIMITS.pixels, description="most pixels in a picture")
    frames: Annotated[int, *whole(1, 1 << 20)] = Field(
        DEFAULT_LIMITS.frames, description="most drawings in a flip-book, and most frames of a film or clip"
    )

    def limits(self) -> Limits:
        """Return them as the reader takes them."""
        return Limits(self.seconds, self.memory * MEBIBYTE, self.file * MEBIBYTE, self.points, self.pixels, self.frames)


_READ, _LETTERS, _TRACING, _BOUNDS = ReadOptions(), Lettering(), Tracing(), Tolerances()
_ROUTE, _PEN = RouteOptions(), Sampling()


class DrawingFields(Table):
    """Reading of a drawing or text, its closed line, and the pen's way along it."""

    points: Budget | None = Field(
        None,
        description="points of a cycle that the drawing is fitted to, by leaving out what matters least: a number, or auto "
        "for the sample rate over the pitch that the layer begins with; all of it is drawn unless given",
    )
    lines: Annotated[str, *one_of(("edges", "outline"))] = Field(
        _READ.lines,
        description="what is drawn of a mesh: its edges, or contours, creases and borders that nothing hides from where "
        "it is seen",
    )
    directions: Annotated[int, *whole(1, 4096)] = Field(
        DIRECTIONS, description="from how many directions an outline is worked out beforehand"
    )
    edges: Annotated[str, *one_of(("all", "feature"))] = Field(
        _READ.edges, description="edges of a mesh that are drawn: all, or creases and borders"
    )
    crease: Degrees = Field(
        _READ.crease, description="angle between two faces above which their edge is a crease (degrees)"
    )
    flatten: Bend = Field(
        _BOUNDS.flatten, description="how far straight pieces may leave a curve (share of the drawing)"
    )
    simplify: Fraction = Field(
        _BOUNDS.simplify,
        description="points that matter less than this are left out, and faces of a mesh (share of the drawing)",
    )
    trace: Annotated[str, *one_of(TRACES)] = Field(
        _TRACING.trace,
        description="how a picture becomes lines: contours of equal brightness, edges between light and dark, the centre of "
        "dark strokes, or shade, one line that is dense where it is dark",
    )
    sensitivity: Fraction = Field(
        _TRACING.sensitivity, description="how faint an edge, or how pale a stroke, is still drawn (0 to 1)"
    )
    stipples: Annotated[int, *whole(3, 10_000)] = Field(
        _TRACING.stipples, description="points of the line that shades; more show more and want a lower pitch"
    )
    clip: Text | None = Field(
        None, description="animation of a glTF file, by its name; the model is drawn at rest unless given"
    )
    frame_rate: Rate | None = Field(
        None,
        description="frames a second: of a clip (25 unless given), of a film (its own unless given), or at which a flip-book "
        "plays by itself (not unless given)",
    )
    levels: Levels = Field(
        _TRACING.levels, description="how many brightnesses of a picture are followed, or which (0 to 1)"
    )
    blur: Blur = Field(_TRACING.blur, description="softening of a picture before it is traced (pixels)")
    resolution: Annotated[int, *whole(8, 8192)] = Field(
        _TRACING.resolution, description="longer side to which a picture is reduced (pixels)"
    )
    smallest: Fraction = Field(
        _TRACING.smallest,
        description="contours, edges and strokes shorter than this are left out (share of the perimeter)",
    )
    font: Text = Field(
        str(_LETTERS.font), description="single-stroke font by name, or a .ttf or .otf file beside the patch"
    )
    size: Size = Field(_LETTERS.size, description="height of a capital letter")
    spacing: Finite = Field(_LETTERS.spacing, description="added between letters (sizes)")
    line_height: Finite = Field(_LETTERS.line_height, description="from line to line (sizes)")
    align: Annotated[str, *one_of(tuple(ALIGN))] = Field(_LETTERS.align, description="how lines of text stand")
    jump_cost: Cost = Field(
        _ROUTE.jump_cost,
        description="what a jump counts against drawing again (of its length); inf retraces and never jumps",
    )
    bridge_cost: Cost | None = Field(
        _ROUTE.bridge_cost,
        description="the same for running along undrawn edges of a mesh; three quarters of jump_cost unless given",
    )
    neighbours: Annotated[int, *whole(1, 64)] = Field(
        _ROUTE.neighbours, description="loose ends that a jump may go to from each"
    )
    straight: Flag = Field(_ROUTE.straight, description="run straight on through crossings")
    order: Annotated[str, *one_of(("near", "drawn"))] = Field(
        _ROUTE.order, description="pieces apart from each other: by short jumps, or as they were drawn"
    )
    start: Place | None = Field(
        None, description="begin at the corner nearest to this place, in the drawing's own units"
    )
    reverse: Flag = Field(_ROUTE.reverse, description="run the other way round")
    time_limit: Duration = Field(
        _ROUTE.time_limit, description="longest search for the best line before the best so far is taken (s)"
    )
    jump_samples: Samples | None = Field(
        None,
        description="samples that each jump takes; by its length unless given, as many as it needs not to ring",
    )
    jump_share: MostShare = Field(MOST_SHARE, description="share of the cycle that jumps take together at most")
    jump_speed: Speed | None = Field(
        _PEN.jump_speed,
        description="where given, jumps run straight at this speed instead (of the speed on the line)",
    )
    bridge_speed: Speed = Field(_PEN.bridge_speed, description="speed on bridges (of the speed on the line)")
    corner_dwell: Share = Field(
        _PEN.corner_dwell, description="share of the cycle spent on the corners, which shine by it; curves have none"
    )
    fit: Annotated[str, *one_of(("box", "original"))] = Field(
        _PEN.fit, description="centred and scaled to the unit box, or the drawing's own coordinates"
    )
    limits: LimitFields = Field(
        LimitFields(),  # type: ignore[call-arg]  # aliases hide the defaults from mypy
        description="what reading may cost before it is refused",
    )

    @model_validator(mode="after")
    def _check_outline(self) -> Self:
        # Twice, as it must fit while it is loaded again.
        samples, most = getattr(self, "samples", None), POOL // 2 // (3 * self.directions) - 2
        if self.lines == "outline" and hasattr(self, "text"):
            raise refusal('a text has no sides: it takes "edges"', at="lines")
        if self.lines == "outline" and samples is not None and samples > most:
            raise refusal(
                f"{self.directions:,} directions of {samples:,} points are more than half of the engine's memory",
                f"Take samples = {most} at most, fewer directions, or leave samples out.",
                at="samples",
            )
        return self

    def options(self, font: str, samples: int | None, cycle: float = math.inf) -> LoadOptions:
        """Return the settings as the drawing room takes them.

        Parameters
        ----------
        font : str
            Name, or the file's whole path.
        samples : int or None
            Points of the table; None leaves it to the drawing.
        cycle : float
            Points that one cycle has at the layer's pitch, which ``auto`` stands for.
        """
        levels = tuple(self.levels) if isinstance(self.levels, list) else self.levels
        reading = ReadOptions(
            lines=self.lines,  # type: ignore[arg-type]  # one of the two words
            edges=self.edges,  # type: ignore[arg-type]  # one of the two words
            crease=self.crease,
            lettering=Lettering(font, self.size, self.spacing, self.line_height, self.align),  # type: ignore[arg-type]
            tracing=Tracing(
                self.trace,  # type: ignore[arg-type]  # one of the words
                levels,
                self.blur,
                self.resolution,
                self.smallest,
                self.sensitivity,
                self.stipples,
            ),
            clip=self.clip,
            frame_rate=self.frame_rate,
            tolerances=Tolerances(flatten=self.flatten, simplify=self.simplify),
            limits=self.limits.limits(),
        )
        routing = RouteOptions(
            jump_cost=self.jump_cost,
            bridge_cost=self.bridge_cost,
            neighbours=self.neighbours,
            straight=self.straight,
            order=self.order,  # type: ignore[arg-type]  # one of the two words
            start=None if self.start is None else tuple(self.start),
            reverse=self.reverse,
            time_limit=self.time_limit,
        )
        sampling = Sampling(
            samples,
            self.jump_speed,
            self.bridge_speed,
            self.corner_dwell,
            self.fit,  # type: ignore[arg-type]  # one of the two words
        )
        points = cycle if self.points == AUTO else self.points
        # Whole points, so that rates and pitches that come to the same share what is kept of a drawing.
        fitted = None if points is None or not math.isfinite(float(points)) else float(max(FEWEST_POINTS, int(points)))
        return LoadOptions(reading, routing, sampling, fitted)
