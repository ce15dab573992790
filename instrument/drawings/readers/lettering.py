"""Lettering: text as strokes of a single-stroke font, which suits a beam best, or as outlines of any font file."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import functools
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DEFAULT_TOLERANCES, DrawingError, Limits, Tolerances, check_count
from instrument.drawings.readers.file_contents import read_bytes
from instrument.drawings.strokes import Drawing, flatten_bezier, from_strokes

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    Glyph = tuple[list[NDArray[np.float64]], float]

ALIGN = {"left": 0.0, "center": 0.5, "right": 1.0}
# More letters than this is a book, not a drawing.
MOST_LETTERS = 20_000


@dataclass(frozen=True)
class Lettering:
    """Setting of a text.

    Attributes
    ----------
    font : str or Path
        The name of a single-stroke font (see `stroke_fonts`), or the path of a TrueType or OpenType file.
    size : float
        Height of a capital letter in a single-stroke font, of the em in a font file; above 0.
    spacing : float
        Added between letters, in sizes.
    line_height : float
        From line to line, in sizes.
    align : {"left", "center", "right"}
    """

    font: str | Path = "futural"
    size: float = 1.0
    spacing: float = 0.0
    line_height: float = 1.6
    align: Literal["left", "center", "right"] = "left"

    def __post_init__(self) -> None:
        """Refuse sizes and places that mean nothing."""
        if not 0 < self.size < float("inf"):
            raise ValueError(f"size must be a number above 0 (got {self.size})")
        for name in ("spacing", "line_height"):
            if not abs(getattr(self, name)) < float("inf"):
                raise ValueError(f"{name} must be a finite number (got {getattr(self, name)})")
        if self.align not in ALIGN:
            raise ValueError(f"align must be one of {', '.join(ALIGN)} (got {self.align!r})")


@functools.cache
def stroke_fonts() -> tuple[str, ...]:
    """Name the single-stroke fonts there are."""
    from HersheyFonts import HersheyFonts

    return tuple(HersheyFonts().default_font_names)


def text_drawing(
    text: str,
    lettering: Lettering | None = None,
    tolerances: Tolerances = DEFAULT_TOLERANCES,
    limits: Limits = DEFAULT_LIMITS,
) -> Drawing:
    """Draw text, its first line's baseline on y = 0.

    Parameters
    ----------
    text : str
        One or several lines. A letter the font does not have is drawn without its accents, or left out, with a
        warning.
    lettering : Lettering, optional
    tolerances : Tolerances
    limits : Limits

    Returns
    -------
    Drawing

    Raises
    ------
    DrawingError
        If the font is not there or cannot be read, or no letter can be drawn.
    """
    lettering = lettering or Lettering()
    if len(text) > MOST_LETTERS:
        raise DrawingError(f"the text has {len(text):,} letters; at most {MOST_LETTERS:,} are drawn")
    is_name = isinstance(lettering.font, str) and lettering.font in stroke_fonts()
    glyph = _stroke_font(str(lettering.font)) if is_name else _outline_font(lettering, tolerances, limits)
    missing: set[str] = set()
    strokes: list[NDArray[np.float64]] = []
    points = 0
    for row, line in enumerate(text.expandtabs(4).splitlines()):
        placed, width = _set_line(line, glyph, lettering.spacing, missing)
        shift = np.array([-ALIGN[lettering.align] * width, -row * lettering.line_height])
        strokes += [np.asarray((stroke + shift) * lettering.size) for stroke in placed]
        points += sum(map(len, placed))
        check_count(points, "points", limits)
    warnings = []
    if missing:
        letters = " ".join(sorted(missing)[:20])
        warnings.append(f"the font has no {letters}; such letters are drawn without accents, or left out")
    if not strokes:
        raise DrawingError("the text has no letter that this font can draw")
    return from_strokes(strokes, warnings)


def _set_line(
    line: str, glyph: Callable[[str], Glyph | None], spacing: float, missing: set[str]
) -> tuple[list[NDArray[np.float64]], float]:
    """Strokes of one line from x = 0 on, and its width, in sizes."""
    strokes: list[NDArray[np.float64]] = []
    x = 0.0
    for letter in line:
        for part, found in _drawn_as(letter, glyph):
            if part != letter or found is None:
                missing.add(letter)
            if found is not None:
                strokes += [stroke + np.array([x, 0.0]) for stroke in found[0]]
                x += found[1] + spacing
    return strokes, max(x - spacing, 0.0)


def _drawn_as(letter: str, glyph: Callable[[str], Glyph | None]) -> list[tuple[str, Glyph | None]]:
    """Glyph of a letter, or the glyphs that are left of it without accents and ligatures."""
    whole = glyph(letter)
    if whole is not None:
        return [(letter, whole)]
    parts = [part for part in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(part)]
    found = [(part, glyph(part)) for part in parts if part != letter]
    drawn: list[tuple[str, Glyph | None]] = [(part, shape) for part, shape in found if shape is not None]
    return drawn or [(letter, None)]


@functools.cache
def _stroke_font(name: str) -> Callable[[str], Glyph | None]:
    from HersheyFonts import HersheyFonts

    font = HersheyFonts()
    font.load_default_font(name)
    glyphs = font.all_glyphs

    def glyph(letter: str) -> Glyph | None:
        found = glyphs.get(letter)
        if found is None:
            return None
        # Hershey's y runs downwards, from the cap line at -12 to the base line at 9.
        high = float(found.base_line - found.cap_line)
        strokes = [
            (np.asarray(stroke, np.float64) - (found.left_offset, found.base_line)) * (1.0, -1.0) / high
            for stroke in found.strokes
        ]
        return strokes, found.char_width / high

    return glyph


def _outline_font(lettering: Lettering, tolerances: Tolerances, limits: Limits) -> Callable[[str], Glyph | None]:
    import io
    from pathlib import Path

    from fontTools.pens.recordingPen import DecomposingRecordingPen
    from fontTools.ttLib import TTFont

    path = Path(lettering.font)
    if not path.suffix:
        raise DrawingError(
            f"there is no single-stroke font {str(lettering.font)!r}; there are {', '.join(stroke_fonts())}. For a "
            "font file give its path, ending in .ttf or .otf"
        )
    content = read_bytes(path, limits)
    try:
        font = TTFont(io.BytesIO(content), fontNumber=0, lazy=True)
        em = float(font["head"].unitsPerEm)
        names, shapes = font.getBestCmap(), font.getGlyphSet()
        if not names or em <= 0:
            raise DrawingError("the font maps no letters to shapes", path.name)
    except DrawingError:
        raise
    except Exception as error:
        # The library reads whatever the file says and fails in as many ways; all of them are the file's.
        raise DrawingError(f"the font cannot be read ({_words(error)})", path.name) from error

    @functools.cache
    def glyph(letter: str) -> Glyph | None:
        name = names.get(ord(letter))
        if name is None:
            return None
        pen = DecomposingRecordingPen(shapes)
        try:
            shapes[name].draw(pen)
            strokes = [stroke / em for stroke in _outlines(pen.value, tolerances.flatten * em)]
            return strokes, float(shapes[name].width) / em
        except Exception as error:
            raise DrawingError(f"the letter {letter!r} cannot be read ({_words(error)})", path.name) from error

    return glyph


def _words(error: Exception) -> str:
    return str(error)[:80] or type(error).__name__


def _outlines(commands: list[tuple[str, Any]], tolerance: float) -> list[NDArray[np.float64]]:
    """Strokes of what a font pen recorded."""
    from fontTools.pens.basePen import decomposeQuadraticSegment, decomposeSuperBezierSegment

    strokes: list[list[NDArray[np.float64]]] = []
    for command, arguments in commands:
        if command == "moveTo":
            strokes.append([np.asarray(arguments, np.float64)])
            continue
        if command == "qCurveTo" and arguments[-1] is None:
            # A ring without a point on the curve begins between its last and its first control point.
            begin = tuple((a + b) / 2 for a, b in zip(arguments[-2], arguments[0], strict=True))
            strokes.append([np.asarray([begin], np.float64)])
            segments = decomposeQuadraticSegment((*arguments[:-1], begin))
        elif command == "qCurveTo":
            segments = decomposeQuadraticSegment(arguments)
        elif command == "curveTo":
            segments = decomposeSuperBezierSegment(arguments) if len(arguments) != 3 else [arguments]
        elif command == "lineTo":
            segments = [arguments]
        else:
            segments = [(tuple(strokes[-1][0][0]),)] if command == "closePath" and strokes else []
        for segment in segments:
            line = flatten_bezier([strokes[-1][-1][-1], *segment], tolerance)
            strokes[-1].append(line[1:])
    return [np.concatenate(pieces) for pieces in strokes if len(pieces) > 1]
