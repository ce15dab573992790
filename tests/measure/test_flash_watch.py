"""Flashes of sounds whose beam is switched on and off, or that draw slowly enough to flicker."""

import numpy as np
import pytest

from instrument.measure.flash_watch import Watching
from tests.measure.signals import Floats, metered

RATE = 12_000


def patch_of_light(seconds: float) -> Floats:
    """A dense figure in the middle of the screen."""
    places = np.arange(round(seconds * RATE)) / RATE
    return 0.3 * np.column_stack((np.sin(2 * np.pi * 97.3 * places), np.sin(2 * np.pi * 1511.0 * places)))


def strobed(rate: float, seconds: float = 2.0) -> Floats:
    samples = patch_of_light(seconds)
    samples[np.arange(len(samples)) * rate / RATE % 1 >= 0.5] = 3.0  # off the glass
    return samples


def watched(samples: Floats) -> Watching:
    return metered(Watching(), samples, RATE)


@pytest.mark.parametrize("rate", [2, 3, 4, 5, 8, 10])
def test_a_strobe_has_the_flashes_it_was_made_with(rate: int) -> None:
    assert watched(strobed(rate)).flashes.most == rate


@pytest.mark.parametrize("rate", [15, 20, 25, 30])
def test_a_fast_strobe_is_never_taken_for_steady(rate: int) -> None:
    assert watched(strobed(rate)).flashes.most > 3


@pytest.mark.parametrize(("pitch", "steady"), [(10.0, False), (30.0, True), (55.0, True), (110.0, True)])
def test_a_figure_flickers_when_it_is_drawn_slowly(pitch: float, steady: bool) -> None:
    places = np.arange(2 * RATE) / RATE
    turns = 2 * np.pi * pitch * places
    samples = 0.3 * np.column_stack((np.sin(9 * turns), np.sin(10 * turns)))
    most = watched(samples).flashes.most
    assert most <= 1 if steady else most > 3


@pytest.mark.parametrize("turns", [0.1, 0.5])
def test_a_figure_that_turns_slowly_does_not_flash(turns: float) -> None:
    places = np.arange(2 * RATE) / RATE
    figure = 0.6 * (np.sin(2 * np.pi * 330 * places) + 1j * np.sin(2 * np.pi * 440 * places))
    figure *= np.exp(2j * np.pi * turns * places)
    assert watched(np.column_stack((figure.real, figure.imag))).flashes.most <= 1


def test_a_strobed_dot_is_too_small_to_count() -> None:
    samples = 0.02 * strobed(5) + 0.2
    samples[np.arange(len(samples)) * 5 / RATE % 1 >= 0.5] = 3.0
    assert watched(samples).flashes.most == 0


def test_over_time_it_is_told_when_the_flashes_were() -> None:
    samples = np.concatenate([patch_of_light(2.0), strobed(5), patch_of_light(2.0)])
    trace = watched(samples).trace
    assert len(trace.flashes) == len(trace.area) == 60
    assert trace.flashes[15:19].max() == 0
    assert trace.flashes[30:41].min() >= 4
    assert trace.flashes[55:].max() == 0
    assert trace.area[20:40].max() > 0.25 > trace.area[45:].max()
