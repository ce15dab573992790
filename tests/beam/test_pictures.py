"""The frame source of films: as many frames as the time asks for, whatever the pieces."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.beam.look import Look
from instrument.beam.pictures import FrameSource, Photograph, still
from tests.beam.signals import RATE, Samples, circle, two, wandering


def film(
    samples: Samples, pace: float | Fraction, cuts: list[int] | None = None, look: Look | None = None
) -> list[npt.NDArray[np.uint32]]:
    source = FrameSource(RATE, pace, 60, 40, look)
    frames = [frame.copy() for piece in np.split(samples, cuts or []) for frame in source.feed(piece)]
    return frames + [frame.copy() for frame in source.finish()]


def furthest(one: npt.NDArray[np.uint32], other: npt.NDArray[np.uint32]) -> int:
    """Largest difference of a channel of a pixel."""
    return max(int(np.abs((one >> s & 255).astype(int) - (other >> s & 255)).max()) for s in (0, 8, 16))


@pytest.mark.parametrize("pace", [24, 25, Fraction(30000, 1001), 60, 144])
@pytest.mark.parametrize("seconds", [0.5, 1.0, 1.01])
def test_there_is_a_frame_for_every_beginning_of_a_frames_time(pace: float | Fraction, seconds: float) -> None:
    frames = film(wandering(seconds), pace)
    assert len(frames) == -(-Fraction(round(seconds * RATE)) * Fraction(pace) // Fraction(RATE))


def test_frames_do_not_drift_over_a_long_film() -> None:
    source = FrameSource(RATE, Fraction(30000, 1001), 16, 16)
    for _ in range(200):
        for _ in source.feed(np.zeros((24_000, 2))):
            pass
    assert len(list(source.finish())) == 2
    assert source.done == -(-100 * 30000 // 1001)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(0, 12_000), max_size=6))
def test_how_samples_come_makes_no_difference(cuts: list[int]) -> None:
    samples = wandering(0.25)
    for one, other in zip(film(samples, 30), film(samples, 30, sorted(cuts)), strict=True):
        assert furthest(one, other) <= 2


@pytest.mark.parametrize("name", ["P31", "P39"])
@pytest.mark.parametrize("pace", [30, 60, 144])
def test_at_the_same_time_every_frame_rate_shows_the_same(name: str, pace: int) -> None:
    look = Look().with_setting("phosphor", name)
    samples = wandering(0.5)
    expected = film(samples, 6, look=look)[-1]
    found = film(samples, pace, look=look)[-1]
    assert furthest(found, expected) <= 2


def test_the_glass_lies_in_the_middle_of_the_frame() -> None:
    frame = film(circle(100, 0.1), 30)[-1] & 0xFFFFFF
    lit = np.nonzero(frame.max(axis=0))[0]
    assert lit.min() >= 10
    assert lit.max() < 50


@pytest.mark.parametrize("pace", [0, -30])
def test_a_pace_that_cannot_be_is_refused(pace: int) -> None:
    with pytest.raises(ValueError, match="frames a second"):
        FrameSource(RATE, pace, 10, 10)


@pytest.mark.parametrize("pace", [60, Fraction(30000, 1001)])
@pytest.mark.parametrize("late", [0, 1, 13, -1])
def test_a_sample_is_in_the_frame_in_whose_time_it_is_heard(pace: Fraction, late: int) -> None:
    """The beam rests in one corner until a sample near the end of frame 7, and then in another."""
    jump = round(8 * Fraction(RATE) / pace) + late
    samples = np.full((16_000, 2), -0.7)
    samples[jump:] = 0.7
    frames = film(samples, pace, look=Look().with_setting("halo", 0))
    lit = [bool((frame[:8, 42:] & 0xFFFFFF).any()) for frame in frames]
    assert lit.index(True) == (7 if late < 0 else 8)


@pytest.mark.parametrize("name", ["P31", "P39"])
def test_a_film_may_begin_at_any_frame_once_what_was_before_has_gone_dark(name: str) -> None:
    look = Look().with_setting("phosphor", name).with_setting("coupling", 20.0)
    samples = wandering(2.5)
    source = FrameSource(RATE, 30, 60, 40, look, 20)
    source.skip(samples[source.at : source.until(20 + source.run_in)])
    assert source.done == 20 + source.run_in < 70
    frames = [frame.copy() for frame in source.feed(samples[source.at :])]
    expected = film(samples, 30, look=look)[source.done - len(frames) : source.done]
    assert max(furthest(*pair) for pair in zip(frames, expected, strict=True)) <= 1


def test_frames_are_left_for_the_end_however_short_they_are() -> None:
    """At 144 frames in 2,000 samples a second, the reconstruction looks ahead by two frames."""
    source = FrameSource(2000, 144, 16, 16)
    given = len(list(source.feed(np.zeros((1000, 2))))) + len(list(source.finish()))
    assert given == source.done == 72


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
