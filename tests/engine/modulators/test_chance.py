"""Chance: well mixed, from -1 to 1, and the same every time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numba import njit

from instrument.engine.modulators import sequences
from instrument.engine.modulators.modulator_table import MODULATOR_RANDOM
from tests.engine.modulating import BEAT, begin_at_beat, heard, with_modulator
from tests.engine.playing import RATE, started

GOLDEN = 0x9E3779B97F4A7C15


@njit(error_model="numpy")  # type: ignore[untyped-decorator]
def _mixed(counter: Any) -> Any:
    return sequences.mixed(counter)


def test_it_mixes_as_splitmix64_does() -> None:
    # First outputs for the seed 1234567: the test values of the SplitMix64 task on Rosetta Code, from memory.
    state = 1234567
    found = []
    for _ in range(3):
        state = (state + GOLDEN) % 2**64
        found.append(int(_mixed(np.uint64(state))))
    assert found == [6457827717110365317, 3203168211198807973, 9817491932198370423]


def values(seed: float, cycles: int = 4000) -> np.ndarray:
    """Return one value for each cycle of four samples."""
    engine = started(with_modulator(MODULATOR_RANDOM, rate=RATE / 4, seed=seed))
    return heard(engine, 4 * cycles)[3::4]


def test_its_values_are_spread_evenly_and_do_not_hang_together() -> None:
    found = values(1.0)
    assert np.abs(found).max() <= 1.0
    share, _ = np.histogram(found, 8, (-1.0, 1.0))
    chi_square = ((share - 500.0) ** 2 / 500.0).sum()
    assert chi_square < 24.3  # the 0.1 percent point for 7 degrees of freedom, from memory
    assert abs(np.corrcoef(found[1:], found[:-1])[0, 1]) < 0.06


def test_the_same_seed_repeats_itself_and_another_does_not() -> None:
    np.testing.assert_array_equal(values(5.0, 300), values(5.0, 300))
    assert (values(5.0, 300) != values(6.0, 300)).mean() > 0.99


def test_stepped_it_holds_and_smooth_it_joins_the_same_values() -> None:
    stepped = heard(started(with_modulator(MODULATOR_RANDOM, rate=100.0)), 4800)
    smooth = heard(started(with_modulator(MODULATOR_RANDOM, rate=100.0, smooth=1.0)), 4800)
    assert len(np.unique(stepped)) == 10
    np.testing.assert_allclose(smooth[480::480], stepped[480::480], atol=1e-4)
    assert np.abs(np.diff(smooth)).max() < 2.0 * 1.5 / 480
    half = heard(started(with_modulator(MODULATOR_RANDOM, rate=100.0, smooth=0.5)), 4800)
    np.testing.assert_array_equal(half[480:719], stepped[480:719])
    u = np.arange(0, 240) / 240
    wanted = stepped[480] + (stepped[960] - stepped[480]) * u * u * (3 - 2 * u)
    np.testing.assert_allclose(half[719:959], wanted, atol=1e-9)


def test_in_beats_the_same_bar_brings_the_same_value() -> None:
    program = with_modulator(MODULATOR_RANDOM, rate=4.0, sync=BEAT)
    found = []
    for _ in range(2):
        engine = started(program)
        begin_at_beat(engine, 7200, 0.6)
        found.append(heard(engine, 100))
    np.testing.assert_array_equal(found[0], found[1])


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 1e308, -5e-324])
@pytest.mark.parametrize("name", ["rate", "phase", "smooth", "seed"])
def test_any_number_passes_and_leaves_nothing(name: str, number: float) -> None:
    engine, twin = (started(with_modulator(MODULATOR_RANDOM, rate=0.0, smooth=0.3)) for _ in range(2))
    usual = engine.value(f"mod.1.{name}")
    engine.set(f"mod.1.{name}", number)
    assert np.abs(heard(engine, 100)).max() <= 1.0
    engine.set(f"mod.1.{name}", usual)
    heard(twin, 100)
    np.testing.assert_array_equal(heard(engine, 100), heard(twin, 100))


@pytest.mark.parametrize("number", [1e14, 1e18, -1e14, 4e10])
def test_a_rate_beyond_reach_leaves_every_cycle_its_own_value(number: float) -> None:
    engine = started(with_modulator(MODULATOR_RANDOM, rate=RATE / 4))
    engine.set("mod.1.rate", number)
    heard(engine, 5000)
    engine.set("mod.1.rate", RATE / 4)
    found = heard(engine, 400)
    assert len(np.unique(found)) >= 100
