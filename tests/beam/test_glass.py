"""The glass: where sample values lie on it, and what is ruled on it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.beam.develop import STEPS
from instrument.beam.glass import (
    MIRRORS,
    SHAPES,
    SPAN,
    Glass,
    channel_tables,
    encode_srgb,
    ruling,
    step_values,
    whitened,
)
from instrument.beam.light import Light
from instrument.beam.phosphor import TYPES
from instrument.beam.spot import Spot


def place(glass: Glass, left: float, right: float, size: tuple[int, int] = (1000, 1000)) -> tuple[float, float]:
    """Sample values as pixels to the right and upwards of the middle."""
    m = glass.matrix(*size, 0)
    x = m[0] * left + m[1] * right + m[2] - (size[0] - 1) / 2
    y = m[3] * left + m[4] * right + m[5] - (size[1] - 1) / 2
    return float(x), float(-y)


UNIT = 500 / SPAN


@pytest.mark.parametrize(
    ("glass", "expected"),
    [
        (Glass(), (0.6, 0.2)),
        (Glass(mirror="x"), (-0.6, 0.2)),
        (Glass(mirror="y"), (0.6, -0.2)),
        (Glass(mirror="both"), (-0.6, -0.2)),
        (Glass(rotate=90), (-0.2, 0.6)),
        (Glass(rotate=-270), (-0.2, 0.6)),
        (Glass(rotate=180), (-0.6, -0.2)),
        (Glass(rotate=90, mirror="x"), (0.2, 0.6)),
        (Glass(zoom=2), (1.2, 0.4)),
    ],
)
def test_a_point_lies_where_rotation_mirror_and_zoom_put_it(glass: Glass, expected: tuple[float, float]) -> None:
    assert place(glass, 0.6, 0.2) == pytest.approx((expected[0] * UNIT, expected[1] * UNIT))


@given(st.floats(-720, 720), st.sampled_from(MIRRORS), st.floats(0.01, 100), st.floats(-1, 1), st.floats(-1, 1))
def test_no_turning_and_no_mirror_changes_a_distance(
    rotate: float, mirror: str, zoom: float, left: float, right: float
) -> None:
    x, y = place(Glass(rotate=rotate, mirror=mirror, zoom=zoom), left, right)
    assert np.hypot(x, y) == pytest.approx(zoom * UNIT * np.hypot(left, right), abs=1e-6)


@given(st.integers(1, 4000), st.integers(1, 4000), st.sampled_from(sorted(SHAPES)))
def test_a_glass_fits_its_room_and_touches_two_sides(width: int, height: int, shape: str) -> None:
    wide, tall = Glass(shape).size_in(width, height)
    assert 1 <= wide <= width
    assert 1 <= tall <= height
    assert tall == height or width - wide < 2 * SHAPES[shape]
    assert wide == max(int(tall * SHAPES[shape]), 1)


def test_full_scale_fits_the_shorter_side_of_every_glass() -> None:
    for shape in SHAPES:
        size = Glass(shape).size_in(2000, 800)
        assert place(Glass(shape), 1, 0, size)[0] == pytest.approx(400 / SPAN)
        assert place(Glass(shape), 0, 1, size)[1] == pytest.approx(400 / SPAN)


class TestGraticule:
    @pytest.mark.parametrize("size", [240, 1080])
    def test_it_is_the_same_in_every_mirror_and_quarter_turn(self, size: int) -> None:
        cover = ruling(size, size)
        for other in (cover[::-1], cover[:, ::-1], cover.T):
            np.testing.assert_allclose(cover, other, atol=1e-6)

    def test_it_marks_divisions_and_full_scale(self) -> None:
        size = 1060
        cover = ruling(size, size)
        for value in (-1.0, -0.4, 0.2, 0.8):
            column = round(size / 2 - 0.5 + value * size / 2 / SPAN)
            assert cover[:, column - 1 : column + 2].sum() > 3 * cover[:, column + 20 : column + 23].sum()

    def test_it_is_sparse(self) -> None:
        assert 0.001 < (ruling(1080, 1080) > 0).mean() < 0.05

    def test_marks_are_added_to_the_light_and_stay_when_it_is_gone(self) -> None:
        light = Light(200, 200, glass=Glass(graticule=1.0))
        pixels = light.blank()
        light.develop(pixels)
        dark = pixels.copy()
        assert (dark & 0xFFFFFF).any()
        light.advance(np.zeros((1000, 2)), 48_000.0)
        light.develop(pixels)
        green = pixels.astype(np.int64) >> 8 & 255
        assert (green >= (dark.astype(np.int64) >> 8 & 255)).all()
        light.rest(30.0)
        light.develop(pixels)
        np.testing.assert_array_equal(pixels, dark)

    def test_at_zero_there_is_none(self) -> None:
        assert len(Glass(graticule=0.0).marks(300, 300)[1]) == 0

    def test_the_background_is_the_colour_that_was_asked_for(self) -> None:
        light = Light(50, 50, glass=Glass(background=(0.1, 0.2, 0.3)))
        pixels = light.blank()
        light.develop(pixels)
        assert (pixels == 0xFF1A334C).all() or (pixels == 0xFF1A334D).all()


@pytest.mark.parametrize(
    ("setting", "value", "said"),
    [
        ("shape", "round", "use square or 5:4"),
        ("mirror", "z", "use none, x, y, both"),
        ("zoom", 0.0, "from 0.01 to 100"),
        ("zoom", float("nan"), "from 0.01 to 100"),
        ("graticule", 2.0, "from 0 to 1"),
        ("rotate", float("inf"), "is not an angle"),
        ("background", (0.0, 2.0, 0.0), "red, green and blue from 0 to 1"),
    ],
)
def test_a_glass_that_cannot_be_is_refused(setting: str, value: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Glass(**{setting: value})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("setting", "value"),
    [("focus", 0.0), ("astigmatism", 1.0), ("intensity", -1.0), ("halo", 1.0), ("saturation", 0.0)],
)
def test_a_spot_that_cannot_be_is_refused(setting: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"a {setting} of .* is not possible; it goes from"):
        Spot(**{setting: value})


def test_srgb_is_the_published_curve() -> None:
    # IEC 61966-2-1 (from memory): 0.5 in values is 0.2140 in light; the two pieces meet at 0.0031308.
    np.testing.assert_allclose(encode_srgb([0, 0.0031308, 0.21404114, 1]), [0, 0.04045, 0.5, 1], atol=1e-5)


def test_steps_are_a_hundredth_of_their_light_apart() -> None:
    values = step_values()
    assert values[1] == pytest.approx(2**-16, rel=0.02)
    assert values[-1] == pytest.approx(2**12, rel=0.02)
    np.testing.assert_array_less(np.diff(values[1:]) / values[1:-1], 0.008)


def test_more_light_is_never_darker_and_neighbours_differ_by_a_step_at_most() -> None:
    table = channel_tables(whitened(TYPES["P31"].colours(1))[0], 400.0, (0, 0, 0), together=True)
    assert len(table) == STEPS
    for shift in (0, 8, 16):
        channel = (table >> np.uint32(shift) & np.uint32(255)).astype(int)
        assert channel[0] == 0
        assert set(np.diff(channel)) <= {0, 1, 2}


def test_a_light_of_one_gives_half_of_the_displays_light() -> None:
    table = channel_tables(np.ones(3), 1e9, (0, 0, 0), together=False).reshape(3, -1)
    at = int(np.searchsorted(step_values(), 1.0))
    assert int(table[2, at]) == pytest.approx(255 * 0.7354, abs=1.5)  # sRGB value of one half


def test_saturation_halves_a_light_as_strong() -> None:
    at = int(np.searchsorted(step_values(), 8.0))
    halved = channel_tables(np.ones(3), 8.0, (0, 0, 0), together=False)[2 * STEPS + at]
    plain = channel_tables(np.ones(3), 1e12, (0, 0, 0), together=False)[
        2 * STEPS + int(np.searchsorted(step_values(), 4.0))
    ]
    assert int(halved) == pytest.approx(int(plain), abs=1)


def test_strong_light_turns_white() -> None:
    table = channel_tables(whitened(TYPES["P1"].colours(1))[0], 400.0, (0, 0, 0), together=True)
    assert min(int(table[-1]) >> shift & 255 for shift in (16, 8, 0)) > 220
