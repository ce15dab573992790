"""Strobes are counted in the drive signal at the rates at which they provoke most, and audio-rate figures are left alone."""

from __future__ import annotations

import numpy as np
import pytest

from instrument.measure.drive_flashes import DriveFlashes, densest
from instrument.measure.flash_monitor import FlashMeter, FlashMonitor
from tests.measure.signals import Floats, metered

RATE = 12_000
RATES = [0.5, 1, 2, 3, 5, 10, 15, 18, 20, 25, 30, 45, 60]
"""Flashes a second from far below to above the band from 15 to 25 that provokes most (Harding and Jeavons 1994, from
memory)."""


def dense(seconds: float, rate: float = RATE) -> Floats:
    """A figure that fills the glass."""
    places = np.arange(round(seconds * rate)) / rate
    return 0.9 * np.column_stack((np.sin(2 * np.pi * 997.0 * places), np.sin(2 * np.pi * 61.0 * places)))


def strobed(flashes: float, duty: float, seconds: float = 3.0, rate: float = RATE) -> Floats:
    """The dense figure, there for a share of each period, and a resting dot for what is left of it."""
    lit = np.arange(round(seconds * rate)) / rate * flashes % 1 < duty
    return dense(seconds, rate) * lit[:, np.newaxis]


def counted(samples: Floats, rate: float = RATE) -> DriveFlashes:
    counter = DriveFlashes(rate)
    counter.add(samples)
    return counter


@pytest.mark.parametrize("duty", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("rate", RATES)
def test_a_strobe_of_any_rate_and_duty_has_the_flashes_it_was_made_with(rate: float, duty: float) -> None:
    assert counted(strobed(rate, duty)).most == pytest.approx(rate, abs=max(0.5, 0.1 * rate))


@pytest.mark.parametrize("duty", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("rate", RATES)
def test_the_live_watch_warns_of_more_than_two_a_second_and_of_no_fewer(rate: float, duty: float) -> None:
    watch = FlashMonitor(RATE)
    warned = any(watch.add_samples(part).warning for part in np.array_split(strobed(rate, duty), 60))
    assert warned is (rate > 2)


@pytest.mark.parametrize("rate", [5, 15, 20, 25, 30])
def test_the_live_watch_warns_before_the_third_flash_has_ended(rate: float) -> None:
    watch = FlashMonitor(RATE)
    step = RATE // 120
    samples = strobed(rate, 0.5)
    warned = next(k for k in range(0, len(samples), step) if watch.add_samples(samples[k : k + step]).warning)
    # What is heard is drawn by frames of a sixtieth of a second, so a warning may be one of them late.
    assert (warned + step) / RATE < 2.5 / rate + 1 / 60 + 1 / 120


@pytest.mark.parametrize("rate", [15, 18, 20, 25, 30])
def test_measure_takes_the_worse_of_drive_signal_and_emulated_picture(rate: int) -> None:
    assert metered(FlashMeter(), strobed(rate, 0.5), RATE).most == pytest.approx(rate, abs=1)


@pytest.mark.parametrize("sample_rate", [8_000, 44_100, 192_000])
def test_the_count_does_not_depend_on_the_sample_rate(sample_rate: int) -> None:
    assert counted(strobed(20, 0.5, 2.0, sample_rate), sample_rate).most == pytest.approx(20, abs=1)


def test_how_samples_are_cut_changes_no_count() -> None:
    samples = strobed(20, 0.3, 1.5)
    counts = []
    for parts in (1, 7, 1000):
        counter = DriveFlashes(RATE)
        for part in np.array_split(samples, parts):
            counter.add(part)
        counts.append((counter.flashes, counter.most, counter.at))
    assert counts[0] == counts[1] == counts[2]


@pytest.mark.parametrize("pitch", [20.0, 41.2, 55.0, 110.0, 440.0])
def test_a_figure_that_is_drawn_without_rest_does_not_flash(pitch: float) -> None:
    turns = 2 * np.pi * pitch * np.arange(2 * RATE) / RATE
    samples = 0.9 * np.column_stack((np.sin(9 * turns), np.sin(10 * turns)))
    assert counted(samples).most == 0


@pytest.mark.parametrize("gate", [80, 110, 220])
def test_a_figure_cut_into_dashes_at_an_audible_rate_does_not_flash(gate: float) -> None:
    assert counted(strobed(gate, 0.5)).most <= 1


def test_a_thin_figure_is_too_small_to_count() -> None:
    places = 2 * np.pi * 220 * np.arange(2 * RATE) / RATE
    lit = (np.arange(2 * RATE) / RATE * 20 % 1 < 0.5)[:, np.newaxis]
    assert counted(0.9 * np.column_stack((np.cos(places), np.sin(places))) * lit).most == 0


def test_a_beam_off_the_glass_is_as_dark_as_one_at_rest() -> None:
    samples = dense(2.0)
    samples[np.arange(len(samples)) / RATE * 20 % 1 >= 0.5] += 3.0
    assert counted(samples).most == pytest.approx(20, abs=1)


def test_numbers_that_are_not_finite_are_counted_like_rest() -> None:
    samples = dense(2.0)
    samples[np.arange(len(samples)) / RATE * 20 % 1 >= 0.5] = np.nan
    assert counted(samples).most == pytest.approx(20, abs=1)


def test_the_densest_field_is_found_wherever_it_lies() -> None:
    generator = np.random.default_rng(7)
    drawn = generator.integers(0, 10, (64, 64))
    slow = max(int((drawn[j : j + 21, i : i + 28] >= 5).sum()) for j in range(64 - 21 + 1) for i in range(64 - 28 + 1))
    # Fields that reach beyond the edge hold less or as much, so they change nothing.
    assert densest(drawn, 5, 21, 28) == slow
