"""The live watch warns before the limit of WCAG 2.2 is passed, and only then."""

from __future__ import annotations

import numpy as np
import pytest

from instrument.measure.flash_monitor import HOLD, FlashMeter, FlashMonitor
from instrument.measure.flashes import FRAMES_A_SECOND, SIZE
from tests.measure.signals import Floats, metered

RATE = 12_000


def first_warning(rate: float, seconds: float = 3.0) -> float | None:
    """Seconds from the first light of a whole picture that goes on and off until the watch warns."""
    watch = FlashMonitor(RATE)
    for frame in range(round(seconds * FRAMES_A_SECOND)):
        light = 1.0 if frame * rate / FRAMES_A_SECOND % 1 < 0.5 else 0.0
        if watch.add_frame(np.full((SIZE, SIZE), light, np.float32)).warning:
            return frame / FRAMES_A_SECOND
    return None


def patch_of_light(seconds: float) -> Floats:
    """A dense figure in the middle of the screen."""
    places = np.arange(round(seconds * RATE)) / RATE
    return 0.3 * np.column_stack((np.sin(2 * np.pi * 97.3 * places), np.sin(2 * np.pi * 1511.0 * places)))


def strobed(rate: float, seconds: float = 2.0) -> Floats:
    samples = patch_of_light(seconds)
    samples[np.arange(len(samples)) * rate / RATE % 1 >= 0.5] = 3.0  # off the glass
    return samples


@pytest.mark.parametrize("rate", [4, 5, 8, 15])
def test_it_warns_before_the_third_flash(rate: int) -> None:
    # With the second, which ends half of a period after it began.
    found = first_warning(rate)
    assert found is not None
    assert found == pytest.approx(1.5 / rate, abs=2 / FRAMES_A_SECOND)
    assert found < 2 / rate + 1 / FRAMES_A_SECOND


def test_three_a_second_are_warned_of_within_the_first_second() -> None:
    found = first_warning(3)
    assert found is not None
    assert found <= 1.0


@pytest.mark.parametrize("rate", [0.5, 1, 2])
def test_fewer_are_left_alone(rate: float) -> None:
    assert first_warning(rate) is None


def test_a_warning_stays_long_enough_to_be_read_and_goes() -> None:
    watch = FlashMonitor(RATE)
    for frame in range(60):
        watch.add_frame(np.full((SIZE, SIZE), float(frame // 6 % 2), np.float32))
    dark = np.zeros((SIZE, SIZE), np.float32)
    shown = [bool(watch.add_frame(dark).warning) for _ in range(round((HOLD + 1.5) * FRAMES_A_SECOND))]
    assert shown[round(HOLD * FRAMES_A_SECOND)]
    assert not shown[-1]


@pytest.mark.parametrize(("rate", "warns"), [(2.0, False), (5.0, True)])
def test_samples_are_watched_through_the_emulated_picture(rate: float, warns: bool) -> None:
    watch = FlashMonitor(RATE)
    samples = strobed(rate, 2.0)
    assert any(watch.add_samples(part).warning for part in np.array_split(samples, 37)) is warns


def test_how_samples_are_cut_changes_no_count() -> None:
    samples = strobed(5.0, 1.0)
    counts = []
    for parts in (1, 7, 200):
        watch = FlashMonitor(RATE)
        counts.append([watch.add_samples(part).flashes for part in np.array_split(samples, parts)][-1])
    assert counts[0] == counts[1] == counts[2] >= 3


def test_what_was_missed_is_not_drawn_later() -> None:
    # A minute at once, as after a sleep: only the latest second is watched.
    watch = FlashMonitor(RATE)
    assert watch.add_samples(np.concatenate([strobed(5.0, 58.0), np.full((24_000, 2), 3.0, np.float32)])).flashes == 0


def watched(samples: Floats) -> FlashMeter:
    return metered(FlashMeter(), samples, RATE)


@pytest.mark.parametrize("rate", [2, 3, 4, 5, 8, 10])
def test_a_strobe_has_the_flashes_it_was_made_with(rate: int) -> None:
    assert watched(strobed(rate)).most == rate


@pytest.mark.parametrize("rate", [15, 20, 25, 30])
def test_a_fast_strobe_is_never_taken_for_steady(rate: int) -> None:
    assert watched(strobed(rate)).most > 3


@pytest.mark.parametrize(("pitch", "steady"), [(10.0, False), (30.0, True), (55.0, True), (110.0, True)])
def test_a_figure_flickers_when_it_is_drawn_slowly(pitch: float, steady: bool) -> None:
    places = np.arange(2 * RATE) / RATE
    turns = 2 * np.pi * pitch * places
    samples = 0.3 * np.column_stack((np.sin(9 * turns), np.sin(10 * turns)))
    most = watched(samples).most
    assert most <= 1 if steady else most > 3


@pytest.mark.parametrize("turns", [0.1, 0.5])
def test_a_figure_that_turns_slowly_does_not_flash(turns: float) -> None:
    places = np.arange(2 * RATE) / RATE
    figure = 0.6 * (np.sin(2 * np.pi * 330 * places) + 1j * np.sin(2 * np.pi * 440 * places))
    figure *= np.exp(2j * np.pi * turns * places)
    assert watched(np.column_stack((figure.real, figure.imag))).most <= 1


def test_a_strobed_dot_is_too_small_to_count() -> None:
    samples = 0.02 * strobed(5) + 0.2
    samples[np.arange(len(samples)) * 5 / RATE % 1 >= 0.5] = 3.0
    assert watched(samples).most == 0


def test_over_time_it_is_told_when_the_flashes_were() -> None:
    samples = np.concatenate([patch_of_light(2.0), strobed(5), patch_of_light(2.0)])
    trace = watched(samples).trace
    assert len(trace.flashes) == len(trace.area) == 60
    assert trace.flashes[15:19].max() == 0
    assert trace.flashes[30:41].min() >= 4
    assert trace.flashes[55:].max() == 0
    assert trace.area[20:40].max() > 0.25 > trace.area[45:].max()
