"""MIDI clock as it really comes: early, late, in steps, with ticks lost or held up, at a tempo that changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from instrument.engine.memory.records import CLOCK_STATE
from instrument.engine.modulators.midi_clock import TICKS, forget_clock, measure

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.floating[Any]]

RATE = 48_000.0
TWO_BARS = 192
PERIOD = 60 / 120 / TICKS
"""Seconds between ticks at 120 beats a minute."""


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _follow(clock: Any, ticks: Any, places: Any, periods: Any, rate: float) -> None:
    c = clock[0]
    forget_clock(c)
    for k in range(len(ticks)):
        measure(c, ticks[k], rate)
        periods[k] = c.period / rate
        places[k] = (ticks[k] - c.origin) / c.period if c.period > 0.0 else 0.0


class Followed(NamedTuple):
    """Place in ticks and period in seconds at each tick, as they were measured."""

    places: Floats
    periods: Floats


def follow(seconds: Floats) -> Followed:
    ticks = np.round(seconds * RATE).astype(np.int64)
    found = Followed(np.zeros(len(ticks)), np.zeros(len(ticks)))
    _follow(np.zeros(1, CLOCK_STATE), ticks, *found, RATE)
    return found


def steady(count: int, period: float = PERIOD) -> Floats:
    return 1.0 + period * np.arange(count)


def off(found: Followed, place: Floats) -> Floats:
    """Milliseconds by which the measured place is ahead of the true one, where both begin together."""
    ahead = found.places - place
    return (ahead - np.round(np.median(ahead[20:60]))) * found.periods * 1e3


def noise(count: int, milliseconds: float, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).normal(0.0, milliseconds / 1e3, count)


def test_an_hour_with_five_milliseconds_of_jitter_costs_no_tick() -> None:
    true = steady(24 * 120 * 60)
    came = np.sort(true + noise(len(true), 5.0))
    found = follow(came)
    settled = off(found, (came - 1.0) / PERIOD)[TWO_BARS:]
    assert np.quantile(np.abs(settled), 0.999) < 3.0
    assert np.abs(settled).max() < 5.0
    assert np.abs(found.periods[TWO_BARS:] / PERIOD - 1).max() < 0.005


@pytest.mark.parametrize("bpm", [60.0, 97.0, 119.9, 120.0, 133.3, 150.0, 174.0])
@pytest.mark.parametrize("to_step", [np.round, np.ceil])
def test_ticks_in_steps_of_twenty_milliseconds_are_within_three_of_their_mean(bpm: float, to_step: Any) -> None:
    period = 60 / bpm / TICKS
    true = steady(20_000, period)
    came = to_step(true / 0.02) * 0.02
    found = follow(came)
    settled = off(found, (came - 1.0) / period)[TWO_BARS:]
    # How late all ticks are together, no receiver can know: those that wait for a step, by half of one.
    assert np.abs(settled - settled.mean()).max() < 3.0
    assert np.abs(found.periods[TWO_BARS:] / period - 1).max() < 0.005


@pytest.mark.parametrize("late", [0.011, 0.020])
def test_one_late_tick_moves_nothing(late: float) -> None:
    came = steady(2000)
    came[1000] += late
    found = follow(np.sort(came))
    assert np.abs(off(found, (came - 1.0) / PERIOD)[np.arange(2000) != 1000]).max() < 0.5
    assert np.abs(found.periods[2:] / PERIOD - 1).max() < 0.002


@pytest.mark.parametrize("lost", [1, 2, 5, 15])
@pytest.mark.parametrize("jitter", [0.0, 2.0])
def test_lost_ticks_are_made_up_for_within_a_beat(lost: int, jitter: float) -> None:
    true = steady(3000)
    came = np.delete(true + noise(3000, jitter), np.arange(1000, 1000 + lost))
    found = follow(came)
    error = off(found, (came - 1.0) / PERIOD)
    assert np.abs(error[1000 + TICKS :]).max() < 3.0


@pytest.mark.parametrize("seconds", [0.1, 0.3])
def test_ticks_that_were_held_up_and_come_at_once_are_counted(seconds: float) -> None:
    came = steady(3000)
    came[1000:] = np.maximum(came[1000:], came[1000] + seconds)
    found = follow(came)
    assert np.abs(off(found, np.arange(3000.0))[1000 + 2 * TICKS :]).max() < 1.0


@pytest.mark.parametrize("bpm", [60.0, 90.0, 121.0, 123.0, 150.0, 200.0])
def test_another_tempo_is_taken_on_within_a_beat(bpm: float) -> None:
    period = 60 / bpm / TICKS
    came = np.concatenate([steady(1000), steady(1000)[-1] + period * np.arange(1, 1001)])
    found = follow(came)
    assert np.abs(found.periods[1000 + TICKS :] / period - 1).max() < 0.001
    # It never shoots past the new tempo either.
    assert found.periods[1:].min() > min(period, PERIOD) * 0.995
    assert found.periods.max() < max(period, PERIOD) * 1.005


@pytest.mark.parametrize("seconds", [2.0, 8.0, 30.0])
@pytest.mark.parametrize("jitter", [0.0, 2.0])
def test_a_tempo_that_glides_from_120_to_123_is_followed_within_ten_milliseconds(seconds: float, jitter: float) -> None:
    # Ticks since the glide began are the integral of a tempo that is linear in time.
    slow, fast = 120 / 60 * TICKS, 123 / 60 * TICKS
    whole = np.arange(1, int((slow + fast) / 2 * seconds) + 1)
    bend = (fast - slow) / (2 * seconds)
    glide = (-slow + np.sqrt(slow * slow + 4 * bend * whole)) / (2 * bend)
    before = steady(500)
    true = np.concatenate([before, before[-1] + glide])
    true = np.concatenate([true, true[-1] + np.arange(1, 500) / fast])
    came = np.sort(true + noise(len(true), jitter))
    found = follow(came)
    assert np.abs(off(found, np.interp(came, true, np.arange(len(true))))[TWO_BARS:]).max() < 10.0


@settings(max_examples=50)
@given(st.lists(st.integers(0, 10_000_000), max_size=80))
def test_any_times_leave_finite_numbers(times: list[int]) -> None:
    ticks = np.sort(np.array(times, np.int64))
    found = Followed(np.zeros(len(ticks)), np.zeros(len(ticks)))
    _follow(np.zeros(1, CLOCK_STATE), ticks, *found, RATE)
    assert np.isfinite(found.places).all()
    assert np.isfinite(found.periods).all()
