"""Text: single-stroke letters and font outlines, set in lines."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.t2CharStringPen import T2CharStringPen
from fontTools.pens.ttGlyphPen import TTGlyphPen
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.limits import DrawingError
from instrument.drawings.readers.lettering import Lettering, stroke_fonts, text_drawing
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import Drawing, edge_lengths
from tests.drawings.drawings import check_route

if TYPE_CHECKING:
    from pathlib import Path


def width(drawing: Drawing) -> float:
    return float(np.ptp(drawing.points[:, 0]))


def font_file(path: Path, *, cubic: bool = False) -> Path:
    """A font of one letter: a ring of radius 250 about (300, 300), an em of 1000, 600 wide."""
    builder = FontBuilder(1000, isTTF=not cubic)
    builder.setupGlyphOrder([".notdef", "O"])
    builder.setupCharacterMap({ord("O"): "O"})
    pen = T2CharStringPen(600, None) if cubic else TTGlyphPen(None)
    empty = T2CharStringPen(600, None) if cubic else TTGlyphPen(None)
    if cubic:
        # The usual cubic circle, 4/3 (sqrt 2 - 1) of the radius, is off by less than 0.03 percent.
        k = 250 * 0.5522847
        pen.moveTo((550, 300))
        pen.curveTo((550, 300 + k), (300 + k, 550), (300, 550))
        pen.curveTo((300 - k, 550), (50, 300 + k), (50, 300))
        pen.curveTo((50, 300 - k), (300 - k, 50), (300, 50))
        pen.curveTo((300 + k, 50), (550, 300 - k), (550, 300))
        pen.closePath()
        builder.setupCFF("Buoy", {}, {".notdef": empty.getCharString(), "O": pen.getCharString()}, {})
    else:
        # Eight quadratics with no point on the curve given: TrueType's own way of writing a ring.
        corner = 250 / np.cos(np.pi / 8)
        ring = [300 + corner * np.exp(1j * np.pi * (2 * i + 1) / 8) for i in range(8)]
        ring = [z + 300j for z in ring]
        pen.qCurveTo(*((round(z.real), round(z.imag)) for z in ring), None)
        pen.closePath()
        builder.setupGlyf({".notdef": empty.glyph(), "O": pen.glyph()})
    builder.setupHorizontalMetrics({".notdef": (600, 0), "O": (600, 50)})
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": "Buoy", "styleName": "Regular"})
    builder.setupOS2()
    builder.setupPost()
    stream = io.BytesIO()
    builder.save(stream)
    path.write_bytes(stream.getvalue())
    return path


def test_a_capital_is_as_high_as_the_size_and_stands_on_the_baseline() -> None:
    drawing = text_drawing("H", Lettering(size=2.5))
    assert drawing.points[:, 1].min() == pytest.approx(0.0)
    assert drawing.points[:, 1].max() == pytest.approx(2.5)


def test_a_single_stroke_letter_has_as_many_strokes_as_the_hand_makes() -> None:
    # Hershey's H: two stems and a bar (A. V. Hershey, Calligraphy for Computers, 1967, simplex roman).
    assert len(text_drawing("H").edges) == 3


@pytest.mark.parametrize(("align", "low", "high"), [("left", 0, None), ("center", None, None), ("right", None, 0)])
def test_lines_are_aligned(align: str, low: float | None, high: float | None) -> None:
    drawing = text_drawing("HHHH\nH", Lettering(align=align))  # type: ignore[arg-type]
    first = drawing.points[drawing.points[:, 1] >= 0]
    second = drawing.points[drawing.points[:, 1] < -0.1]
    for part in (first, second):
        if low is not None:
            assert 0 <= part[:, 0].min() < 0.5
        elif high is not None:
            assert -0.5 < part[:, 0].max() <= 0
        else:
            assert part[:, 0].min() + part[:, 0].max() == pytest.approx(0.0, abs=0.05)


def test_lines_stand_a_line_height_apart() -> None:
    drawing = text_drawing("H\nH", Lettering(line_height=2.0, size=3.0))
    assert drawing.points[:, 1].min() == pytest.approx(-6.0)


def test_spacing_is_added_between_letters() -> None:
    assert width(text_drawing("HHH", Lettering(spacing=0.5))) == pytest.approx(width(text_drawing("HHH")) + 1.0)


def test_an_unknown_letter_is_drawn_plain_or_left_out_with_a_warning() -> None:
    accented = text_drawing("é")
    assert np.array_equal(accented.points, text_drawing("e").points)
    assert accented.warnings == ("the font has no é; such letters are drawn without accents, or left out",)
    assert len(text_drawing("H鷺").edges) == 3
    with pytest.raises(DrawingError, match="no letter that this font can draw"):
        text_drawing("鷺")


@pytest.mark.parametrize("cubic", [False, True], ids=["TrueType", "OpenType"])
def test_a_font_file_is_drawn_by_its_outlines(tmp_path: Path, cubic: bool) -> None:
    path = font_file(tmp_path / ("buoy.otf" if cubic else "buoy.ttf"), cubic=cubic)
    drawing = text_drawing("OO", Lettering(font=path, size=10.0))
    assert edge_lengths(drawing.points, drawing.edges).sum() == pytest.approx(2 * 2 * np.pi * 2.5, rel=0.01)
    assert width(drawing) == pytest.approx(6.0 + 5.0, rel=0.01)


def test_a_font_that_is_not_there_is_named_with_those_that_are() -> None:
    with pytest.raises(DrawingError, match="no single-stroke font 'gull'; there are futural, "):
        text_drawing("H", Lettering(font="gull"))


@pytest.mark.parametrize("content", [b"OTTO", b"\0\1\0\0" + bytes(40), b"tide", b"wOFF" + bytes(60)])
def test_a_broken_font_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "gull.ttf"
    path.write_bytes(content)
    with pytest.raises(DrawingError, match=r"gull\.ttf"):
        text_drawing("H", Lettering(font=path))


@pytest.mark.parametrize("font", stroke_fonts())
def test_every_single_stroke_font_can_be_routed(font: str) -> None:
    check_route(route(text_drawing("Tide 7 & moth!", Lettering(font=font))))


@given(st.text(max_size=12))
@settings(max_examples=60, deadline=None)
def test_any_text_is_drawn_or_refused(text: str) -> None:
    try:
        drawing = text_drawing(text)
    except DrawingError:
        return
    assert np.isfinite(drawing.points).all()


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"size": 0}, "size must be a number above 0"),
        ({"size": float("nan")}, "size must be a number above 0"),
        ({"align": "justify"}, "align must be one of left, center, right"),
        ({"spacing": float("inf")}, "spacing must be a finite number"),
    ],
)
def test_settings_that_mean_nothing_are_refused(setting: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Lettering(**setting)  # type: ignore[arg-type]
