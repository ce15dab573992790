"""Pictures: contours where the brightness crosses a level."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.readers.picture_contours import Tracing, parse_picture
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import edge_lengths
from tests.drawings.drawings import check_route

SHARP = Tracing(blur=0.0)


def encoded(picture: Image.Image, kind: str = "PNG") -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, quality=95)
    return stream.getvalue()


def disc(size: int = 400, radius: int = 100, mode: str = "L") -> Image.Image:
    picture = Image.new(mode, (size, size), "white")
    ImageDraw.Draw(picture).ellipse([200 - radius, 150 - radius, 200 + radius, 150 + radius], fill="black")
    return picture


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_a_dark_disc_becomes_one_ring(kind: str, mode: str) -> None:
    drawing = parse_picture(encoded(disc(mode=mode), kind))
    found = route(drawing)
    check_route(found)
    assert found.figures.components == 1
    assert found.figures.odd_vertices == 0
    assert found.figures.length == pytest.approx(2 * np.pi * 100, rel=0.02)
    middle = (drawing.points.min(axis=0) + drawing.points.max(axis=0)) / 2
    assert middle == pytest.approx([200, -150, 0], abs=1.5), "in the picture's pixels, y upwards"


def test_a_large_picture_is_reduced_but_keeps_its_own_units() -> None:
    drawing = parse_picture(encoded(disc().resize((1600, 1600))), Tracing(resolution=200))
    assert edge_lengths(drawing.points, drawing.edges).sum() == pytest.approx(8 * np.pi * 100, rel=0.03)


def test_levels_follow_the_brightness() -> None:
    ramp = Image.fromarray(np.tile(np.arange(256, dtype=np.uint8), (64, 1)))
    drawing = parse_picture(encoded(ramp), Tracing(levels=(0.25, 0.5), blur=0.0))
    inside = drawing.points[(drawing.points[:, 1] < -5) & (drawing.points[:, 1] > -59)]
    places = np.unique(np.round(inside[:, 0]))
    # Brightness x / 255 at the middle of pixel x; and the border that closes the dark side.
    assert set(places.tolist()) >= {round(0.25 * 255 + 0.5), round(0.5 * 255 + 0.5)}


def test_what_touches_the_edge_is_closed() -> None:
    half = Image.new("L", (40, 40), "white")
    ImageDraw.Draw(half).rectangle([0, 0, 19, 39], fill="black")
    found = route(parse_picture(encoded(half), SHARP))
    assert found.figures.odd_vertices == 0
    assert found.figures.length == pytest.approx(2 * (20 + 40), rel=0.05)


def test_what_is_transparent_counts_as_white() -> None:
    picture = Image.new("RGBA", (60, 60), (0, 0, 0, 0))
    ImageDraw.Draw(picture).rectangle([20, 20, 39, 39], fill=(0, 0, 0, 255))
    drawing = parse_picture(encoded(picture), SHARP)
    assert np.ptp(drawing.points[:, 0]) == pytest.approx(20, abs=1.1)


def test_sixteen_bits_are_read_as_well_as_eight() -> None:
    table = np.full((60, 60), 65535, np.uint16)
    table[20:40, 20:40] = 300
    drawing = parse_picture(encoded(Image.fromarray(table)), SHARP)
    assert np.ptp(drawing.points[:, 0]) == pytest.approx(20, abs=1.1)


@pytest.mark.parametrize("shade", ["white", "black", (127, 127, 127)])
def test_a_blank_picture_says_so(shade: str | tuple[int, int, int]) -> None:
    picture = Image.new("RGB", (50, 50), shade)
    with pytest.raises(DrawingError, match="no contour was found; the picture is blank"):
        parse_picture(encoded(picture))


@pytest.mark.parametrize("kind", ["GIF", "BMP", "TIFF"])
def test_only_png_and_jpeg_are_read(kind: str) -> None:
    with pytest.raises(DrawingError, match="not a PNG or JPEG"):
        parse_picture(encoded(disc(), kind))


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_picture_cut_off_is_refused(kind: str) -> None:
    content = encoded(disc(), kind)
    with pytest.raises(DrawingError, match=r"damaged|not a PNG or JPEG"):
        parse_picture(content[: len(content) // 2])


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


@pytest.mark.parametrize(("side", "words"), [(10_000, "claims 10,000 x 10,000 pixels"), (60_000, "claims more than")])
def test_a_picture_that_claims_too_many_pixels_is_refused_before_it_is_unpacked(side: int, words: str) -> None:
    header = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(1000)))
    with pytest.raises(DrawingError, match=words):
        parse_picture(bomb + chunk(b"IEND", b""))


@given(st.binary(min_size=9, max_size=400), st.integers(2, 20), st.sampled_from([1, 3, (0.2, 0.9)]))
@settings(max_examples=60, deadline=None)
def test_any_picture_becomes_a_route_or_is_refused(pixels: bytes, wide: int, levels: int | tuple[float, ...]) -> None:
    table = np.frombuffer(pixels[: len(pixels) // wide * wide], np.uint8).reshape(-1, wide)
    try:
        drawing = parse_picture(encoded(Image.fromarray(table)) if table.size else b"x", Tracing(levels=levels))
    except DrawingError:
        return
    check_route(route(drawing))


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"levels": 0}, "levels must be from 1 to 64"),
        ({"levels": (0.5, 1.0)}, "each level must lie between 0"),
        ({"blur": -1.0}, "blur must be from 0"),
        ({"resolution": 4}, "resolution must be from 8"),
        ({"smallest": 2.0}, "smallest must be from 0 to 1"),
    ],
)
def test_settings_that_mean_nothing_are_refused(setting: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Tracing(**setting)  # type: ignore[arg-type]


def test_the_limit_on_pixels_can_be_set() -> None:
    with pytest.raises(DrawingError, match="at most 1,000"):
        parse_picture(encoded(disc()), limits=Limits(pixels=1000))
