"""Stills as a camera takes them."""

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest

from instrument.beam.look import Look
from instrument.beam.photograph import Photograph, still
from tests.beam.signals import RATE, circle, two


def seen(picture: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    return picture.astype(np.int64)


def test_a_still_is_red_green_and_blue_bytes() -> None:
    picture = still(circle(100, 0.1), RATE, 64)
    assert picture.shape == (64, 64, 3)
    assert picture.dtype == np.uint8


def test_no_signal_is_black() -> None:
    assert not still(np.empty((0, 2)), RATE, 32).any()


def test_a_steady_figure_is_as_bright_however_long_it_is_exposed() -> None:
    short, long = (seen(still(circle(100, seconds), RATE, 100)) for seconds in (0.05, 1.0))
    assert np.abs(short - long).max() <= 6


@pytest.mark.parametrize("cut", [0, 1, 480, 4799])
def test_how_the_signal_is_cut_makes_no_difference(cut: int) -> None:
    samples = circle(40, 0.1)
    camera = Photograph(RATE, 80, 0.1)
    camera.expose(samples[:cut])
    camera.expose(samples[cut:])
    assert np.abs(seen(camera.develop()) - seen(still(samples, RATE, 80))).max() <= 1


def test_what_came_before_the_shutter_opened_is_not_in_the_picture_of_a_fast_phosphor() -> None:
    samples = np.concatenate((circle(100, 0.2, 0.3), circle(100, 0.2, 0.8)))
    bare = Look().with_setting("halo", 0)
    both, after = still(samples, RATE, 100, 0.1, bare), still(samples[-4800:], RATE, 100, None, bare)
    assert np.abs(seen(both) - seen(after)).max() <= 25  # the beam's way there
    rows, columns = np.indices((100, 100)) - 49.5
    inner = np.abs(np.hypot(rows, columns) - 0.3 * 50 / 1.06) < 1
    assert both[inner].max() < 8


def test_the_trail_of_a_slow_phosphor_grows_fainter_backwards() -> None:
    look = Look().with_setting("phosphor", "P7")
    picture = seen(still(circle(1, 1.0, 0.8), RATE, 200, 1 / 50, look)).sum(axis=2)
    angles = np.radians([350, 300, 240, 120, 30])
    at = 99.5 + 100 / 1.06 * 0.8 * np.array([np.cos(angles), -np.sin(angles)])
    light = [picture[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2].max() for x, y in at.T]
    assert all(a > b for a, b in pairwise(light))
    assert light[-1] > 20


def test_the_first_sample_is_where_the_beam_has_been() -> None:
    # Nothing leads there from the middle.
    picture = still(two(np.full(2000, 0.7), 0.7), RATE, 200)
    assert not picture[80:120, 80:120].any()


@pytest.mark.parametrize("exposure", [0.0, -1.0, np.nan, np.inf])
def test_an_exposure_that_cannot_be_is_refused(exposure: float) -> None:
    with pytest.raises(ValueError, match="exposure"):
        Photograph(RATE, 64, exposure)


def test_straight_lines_without_oversampling_and_ringing_with_it() -> None:
    square = two(np.tile(np.repeat((0.6, -0.6), 100), 20), 0.0)
    wide = [np.nonzero(still(square, RATE, 300, look=look_with(n)).max(axis=(0, 2)) > 20)[0] for n in (1, 4)]
    assert wide[1].max() > wide[0].max() + 5


def look_with(oversampling: int) -> Look:
    return Look().with_setting("oversampling", oversampling).with_setting("halo", 0)
