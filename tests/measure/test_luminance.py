"""The emulated picture as relative luminance."""

import numpy as np
import pytest
from PIL import Image, ImageCms

from instrument.measure.luminance import linear_srgb, open_screen
from tests.measure.signals import circle

RATE = 48_000


def test_luminance_of_srgb_is_that_of_a_colour_library() -> None:
    # Little CMS turns sRGB greys into CIE Lab, and Y follows from L* (CIE 15:2004, 8.2.1).
    greys = Image.fromarray(np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2))
    lab = ImageCms.profileToProfile(
        greys, ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), outputMode="LAB"
    )
    assert lab is not None
    lightness = np.asarray(lab)[0, :, 0] * (100 / 255)
    y = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness / 903.3)
    assert linear_srgb() == pytest.approx(y, abs=0.006)


def test_a_figure_is_lit_and_the_rest_is_dark() -> None:
    seen = open_screen(96)(circle(100.0, 0.5), RATE)
    assert seen.shape == (96, 96)
    assert seen.dtype == np.float32
    assert seen[48, 48] == 0.0
    ring = seen[48, 84:94].max()
    assert 0.1 < ring <= 1.0


def test_the_top_of_the_picture_is_where_y_is_high() -> None:
    seen = open_screen(96)(np.column_stack((np.linspace(-0.5, 0.5, 4800), np.full(4800, 0.8))), RATE)
    assert seen[:48].max() > 0.1
    assert seen[48:].max() < 1e-3  # a little light is scattered in the glass


def test_light_fades_away_when_the_beam_is_nowhere() -> None:
    screen = open_screen(96)
    lit = float(screen(circle(100.0, 0.5), RATE).max())
    nowhere = np.full((RATE // 60, 2), np.nan)
    later = [float(screen(nowhere, RATE).max()) for _ in range(240)]
    assert later == sorted(later, reverse=True)
    assert lit > later[0] > later[6] > later[-1] == 0.0


def test_a_longer_afterglow_is_longer() -> None:
    left = []
    for afterglow in (0.02, 0.2):
        screen = open_screen(96, afterglow)
        screen(circle(100.0, 0.5), RATE)
        left.append(float(screen(np.full((RATE // 10, 2), np.nan), RATE).max()))
    assert left[1] > 3 * left[0]
