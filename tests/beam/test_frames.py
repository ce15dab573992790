"""The frame source of films: as many frames as the time asks for, whatever the pieces."""

from fractions import Fraction

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.beam.frames import FrameSource
from instrument.beam.look import Look
from tests.beam.signals import RATE, Samples, circle, wandering


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
