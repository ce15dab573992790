"""Modulators that fill their cycle with values: breakpoints, steps, and chance."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from numba import njit

from instrument.engine.modulators import sequences
from instrument.engine.modulators.modulator_table import MODULATOR_CURVE, MODULATOR_NONE, MODULATOR_RANDOM
from tests.engine.modulating import BEAT, begin_at_beat, given, heard, with_modulator
from tests.engine.playing import RATE, bare_program, started

if TYPE_CHECKING:
    from instrument.engine.program import Program


CURVE = np.array([[0.1, 0.5, 0.0], [0.3, 1.0, 4.0], [0.6, -1.0, -3.0], [0.6, 0.25, 0.0], [0.9, 0.0, 0.0]])


def curve(points: np.ndarray, **values: float) -> Program:
    program = bare_program()
    program.modulate_by_curve(0, points)
    given(program, **values).schedule()
    return program


def steps(rows: list[tuple[float, float, float, float]], **values: float) -> Program:
    program = bare_program()
    program.modulate_by_steps(0, np.array(rows))
    given(program, **values).schedule()
    return program


def turns_of(rate: float, frames: int, first: int = 1) -> np.ndarray:
    return (rate * np.arange(first, first + frames) / RATE) % 1.0


def shape(turns: np.ndarray) -> np.ndarray:
    """Return CURVE by the closed form of its segments."""
    value = np.full(len(turns), 0.5)
    for (t0, v0, b), (t1, v1, _) in itertools.pairwise(CURVE):
        inside = (turns >= t0) & (turns < t1)
        u = (turns[inside] - t0) / (t1 - t0) if t1 > t0 else turns[inside]
        value[inside] = v0 + (v1 - v0) * (np.expm1(b * u) / np.expm1(b) if b else u)
    value[turns >= CURVE[-1, 0]] = CURVE[-1, 1]
    return value


def test_a_curve_runs_through_its_points_bent_as_each_says() -> None:
    found = heard(started(curve(CURVE, rate=31.7)), 4000)
    np.testing.assert_allclose(found, shape(turns_of(31.7, 4000)), atol=1e-9)


def test_a_curve_of_one_point_rests_there() -> None:
    assert (heard(started(curve(np.array([[0.5, 0.3, 0.0]]))), 100) == 0.3).all()


def test_a_curve_once_holds_its_last_point() -> None:
    program = curve(np.array([[0.0, 0.0, 0.0], [1.0, 0.8, 0.0]]), rate=100.0, once=1.0, gate=1.0)
    found = heard(started(program), 1000)
    np.testing.assert_allclose(found[:479], 0.8 * np.arange(1, 480) / 480, atol=1e-9)
    assert (found[480:] == 0.8).all()


def test_a_curve_of_many_points_finds_each_of_them_in_any_order() -> None:
    rng = np.random.default_rng(3)
    points = np.stack([np.sort(rng.uniform(0, 1, 500)), rng.uniform(-1, 1, 500), np.zeros(500)], axis=1)
    found = heard(started(curve(points, rate=17_123.4)), 3000)
    turns = turns_of(17_123.4, 3000)
    np.testing.assert_allclose(found, np.interp(turns, points[:, 0], points[:, 1]), atol=1e-7)


def test_steps_divide_the_cycle_and_glide_as_far_as_they_say() -> None:
    rows = [(0.5, 0.0, 1.0, 1.0), (-0.5, 0.5, 1.0, 1.0), (1.0, 1.0, 1.0, 1.0)]
    found = heard(started(steps(rows, rate=10.0)), 4800)
    k = np.arange(1, 4801) % 4800
    wanted = np.full(4800, 0.5)
    second = (k >= 1600) & (k < 3200)
    wanted[second] = 0.5 - np.minimum((k[second] - 1600) / 800, 1.0)
    third = k >= 3200
    wanted[third] = -0.5 + 1.5 * (k[third] - 3200) / 1600
    np.testing.assert_allclose(found[:-1], wanted[:-1], atol=1e-3)


def test_the_first_step_is_there_at_once_for_it_has_nothing_to_glide_from() -> None:
    # Otherwise what it moves would begin somewhere else: a flip-book on another frame.
    found = heard(started(steps([(3.0, 0.5, 1.0, 1.0), (1.0, 0.5, 1.0, 1.0)], rate=10.0)), 9600)
    assert (found[:2399] == 3.0).all()
    # In the second round it glides, as written, from the step before.
    assert found[4800] == pytest.approx(1.0, abs=0.01)
    assert found[5400] == pytest.approx(2.0, abs=0.01)


def test_a_first_step_that_is_not_played_leaves_the_next_one_to_begin() -> None:
    found = heard(started(steps([(3.0, 0.5, 0.0, 1.0), (1.0, 0.5, 1.0, 1.0)], rate=10.0)), 4800)
    assert (found[:2399] == 0.0).all()
    assert (found[2401:4799] == 1.0).all()


def test_a_step_falls_to_nothing_behind_its_gate() -> None:
    found = heard(started(steps([(0.5, 0.0, 1.0, 0.25)], rate=10.0)), 4800)
    assert (found[:1199] == 0.5).all()
    assert (found[1201:4799] == 0.0).all()


def test_a_step_that_is_not_played_leaves_the_value_where_it_is() -> None:
    found = heard(started(steps([(0.5, 0.0, 1.0, 1.0), (0.9, 0.0, 0.0, 1.0)], rate=10.0)), 4800)
    assert (found == 0.5).all()


def test_its_probability_is_the_share_of_times_that_a_step_is_played_and_repeats_itself() -> None:
    program = steps([(0.0, 0.0, 1.0, 1.0), (1.0, 0.0, 0.3, 1.0)], rate=RATE / 16, seed=3.0)
    found = heard(started(program), 16 * 2000)
    assert abs(found[14::16].mean() - 0.3) < 0.04
    np.testing.assert_array_equal(heard(started(program), 16 * 2000), found)


@pytest.mark.parametrize(("rate", "count"), [(0.25, 16), (1 / 3, 7)])
def test_after_an_hour_every_step_still_begins_on_its_sample(rate: float, count: int) -> None:
    rows = [(float(k), 0.0, 1.0, 1.0) for k in range(count)]
    engine = started(steps(rows, rate=rate, sync=BEAT))
    begin_at_beat(engine, 7200)
    found = heard(engine, 30_000)
    beats = 7200 + np.arange(30_000) / 24_000
    wanted = np.floor((rate * beats) % 1.0 * count + 1e-7)
    changes = np.flatnonzero(np.diff(wanted)) + 1
    assert len(changes) >= 2
    late = np.flatnonzero(np.diff(found[1:])) + 2
    assert late.tolist() == changes.tolist() or np.abs(late - changes).max() <= 1


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (np.zeros((0, 3)), "rows of time, value and bend"),
        (np.zeros((2, 2)), "rows of time, value and bend"),
        (np.array([[0.5, 0, 0], [0.2, 0, 0]]), "times of a curve fall"),
        (np.array([[0.5, np.nan, 0]]), "not finite"),
    ],
)
def test_a_curve_that_is_none_is_refused(points: np.ndarray, said: str) -> None:
    program = bare_program()
    with pytest.raises(ValueError, match=said):
        program.modulate_by_curve(0, points)
    assert program.record["modulators"]["kind"][0] == MODULATOR_NONE


def test_a_kind_without_its_table_is_silent() -> None:
    program = bare_program()
    program.modulate(0, MODULATOR_CURVE)
    program.schedule()
    assert (heard(started(program), 100) == 0.0).all()


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
