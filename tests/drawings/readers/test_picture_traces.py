"""Pictures traced by edges, by the centre of strokes and by shading, against figures that are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.load import LoadOptions
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.readers.picture_contours import TRACES, Tracing, parse_picture
from instrument.drawings.readers.pixel_chains import chains_of, smoothed
from instrument.drawings.routing.route import route
from instrument.drawings.worker.client import Worker
from tests.drawings.readers.test_picture_contours import disc, encoded

CENTRE, EDGES, SHADE = Tracing(trace="centre"), Tracing(trace="edges"), Tracing(trace="shade", resolution=256)


def sheet(size: int = 400) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    picture = Image.new("L", (size, size), "white")
    return picture, ImageDraw.Draw(picture)


def test_the_centre_of_a_bar_is_its_centre_line_within_a_pixel() -> None:
    picture, draw = sheet()
    draw.rectangle([50, 190, 350, 210], fill="black")
    drawing = parse_picture(encoded(picture), CENTRE)
    assert np.abs(drawing.points[:, 1] + 200.5).max() <= 1.0
    # It ends half a width before the ink does.
    assert drawing.points[:, 0].min() == pytest.approx(50 + 10, abs=2)
    assert drawing.points[:, 0].max() == pytest.approx(351 - 10, abs=2)
    assert route(drawing).figures.components == 1


def test_the_centre_of_a_ring_is_a_circle_within_a_pixel() -> None:
    picture, draw = sheet()
    draw.ellipse([100, 50, 300, 250], outline="black", width=14)
    found = route(parse_picture(encoded(picture), CENTRE))
    radius = np.linalg.norm(found.line[:, :2] - (200.5, -150.5), axis=1)
    assert np.abs(radius - 93.5).max() <= 1.0
    assert found.figures.odd_vertices == 0


def test_a_bumpy_stroke_has_no_twigs() -> None:
    picture, draw = sheet()
    draw.line([(40, 200), (360, 200)], fill="black", width=24)
    for k in range(12):
        draw.ellipse([50 + 25 * k, 186, 58 + 25 * k, 194], fill="black")
        draw.ellipse([62 + 25 * k, 206, 72 + 25 * k, 216], fill="black")
    found = route(parse_picture(encoded(picture), Tracing(trace="centre", blur=0.0)))
    assert found.figures.odd_vertices == 2


def test_a_cross_of_two_strokes_keeps_its_four_arms() -> None:
    picture, draw = sheet()
    draw.line([(60, 200), (340, 200)], fill="black", width=11)
    draw.line([(200, 60), (200, 340)], fill="black", width=11)
    drawing = parse_picture(encoded(picture), CENTRE)
    assert route(drawing).figures.odd_vertices == 4
    assert np.ptp(drawing.points[:, :2], axis=0) == pytest.approx([270, 270], abs=6)


@pytest.mark.parametrize("blur", [1.0, 2.0])
def test_the_edge_of_a_disc_is_a_circle_of_its_radius(blur: float) -> None:
    found = route(parse_picture(encoded(disc()), Tracing(trace="edges", blur=blur)))
    radius = np.linalg.norm(found.line[:, :2] - (200.5, -150.5), axis=1)
    assert np.abs(radius - 100.5).max() <= 1.0
    assert found.figures.length == pytest.approx(2 * np.pi * 100.5, rel=0.02)


def test_a_sensitive_tracing_finds_the_fainter_edge_too() -> None:
    picture, draw = sheet()
    draw.rectangle([40, 40, 360, 360], fill=235)
    draw.ellipse([120, 120, 280, 280], fill=20)
    hard, faint = (parse_picture(encoded(picture), Tracing(trace="edges", sensitivity=s)) for s in (0.5, 0.9))
    assert np.ptp(hard.points[:, 0]) == pytest.approx(161, abs=3)
    assert np.ptp(faint.points[:, 0]) == pytest.approx(321, abs=3)


@pytest.mark.parametrize("stipples", [600, 1500])
def test_the_length_of_a_shading_is_proportional_to_the_darkness(stipples: int) -> None:
    ramp = Image.fromarray(np.tile(np.linspace(255, 0, 300), (300, 1)).astype(np.uint8))
    drawing = parse_picture(encoded(ramp), Tracing(trace="shade", stipples=stipples, resolution=256))
    a, b = drawing.points[drawing.edges].transpose(1, 0, 2)
    along = np.linspace(0, 1, 50, endpoint=False)
    places = (a[:, None, 0] + (b - a)[:, None, 0] * along).ravel()
    shares, _ = np.histogram(
        places, bins=10, range=(0, 300), weights=np.repeat(np.linalg.norm(b - a, axis=1), len(along))
    )
    wanted = np.arange(10) + 0.5
    # Within a tenth where it is darker than a quarter; what is paler has a handful of points.
    np.testing.assert_allclose((shares / shares.sum() / (wanted / wanted.sum()))[3:], 1.0, atol=0.1)


def test_a_shading_is_one_closed_line_that_does_not_jump_or_cross_white() -> None:
    drawing = parse_picture(encoded(disc()), SHADE)
    found = route(drawing)
    assert found.figures.components == 1
    assert found.figures.jumps == 0
    assert np.linalg.norm(found.line[:, :2] - (200.5, -150.5), axis=1).max() < 101
    again = parse_picture(encoded(disc()), SHADE)
    assert again.points.tobytes() == drawing.points.tobytes()


@pytest.mark.parametrize("trace", TRACES)
def test_a_blank_picture_is_refused_in_a_sentence(trace: str) -> None:
    picture, _ = sheet(60)
    with pytest.raises(DrawingError, match=r"the picture is|strokes shorter"):
        parse_picture(encoded(picture), Tracing(trace=trace))  # type: ignore[arg-type]


@pytest.mark.parametrize("trace", TRACES)
def test_noise_is_drawn_or_refused_by_its_points(trace: str) -> None:
    noise = np.random.default_rng(3).integers(0, 256, (200, 200), dtype=np.uint8)
    tracing = Tracing(trace=trace, blur=0.0, smallest=0.0, stipples=200)  # type: ignore[arg-type]
    drawing = parse_picture(encoded(Image.fromarray(noise)), tracing)
    assert np.isfinite(drawing.points).all()
    if trace != "shade":
        with pytest.raises(DrawingError, match="Simplify the drawing or raise the limit"):
            parse_picture(encoded(Image.fromarray(noise)), tracing, Limits(points=100))


@pytest.mark.parametrize("trace", ["edges", "centre", "shade"])
def test_the_closed_process_traces_too(trace: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("pictures") / "buoy.png"
    picture, draw = sheet()
    draw.ellipse([100, 50, 300, 250], outline="black", width=30)
    path.write_bytes(encoded(picture))
    options = LoadOptions(read=ReadOptions(tracing=Tracing(trace=trace, resolution=128, stipples=50)))  # type: ignore[arg-type]
    with Worker() as worker:
        assert worker.load([path], options=options).points.shape[2] == 3


@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.6))
@settings(max_examples=20, deadline=None)
def test_every_pixel_of_a_line_is_passed_and_no_step_is_longer_than_a_diagonal(seed: int, share: float) -> None:
    mask = np.random.default_rng(seed).random((12, 12)) < share
    chains = chains_of(mask)
    passed = {(int(y), int(x)) for chain in chains for x, y in chain}
    alone = {
        (y, x) for y, x in np.argwhere(mask).tolist() if mask[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2].sum() == 1
    }
    assert passed == {(y, x) for y, x in np.argwhere(mask).tolist()} - alone
    for chain in chains:
        assert np.abs(np.diff(chain, axis=0)).max() <= 1
        assert np.isfinite(smoothed(chain, 2.0)).all()
