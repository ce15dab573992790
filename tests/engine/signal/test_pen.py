"""The pen: how fast, how far and which way a drawing is run through."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.engine.playing import RATE, bare_program, exact, exact_points, one_circle, started
from tests.reference.pitch import A4_HZ, A4_KEY, EQUAL_TEMPERAMENT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

MARKS = 1000


def ruler(**pen: float) -> Program:
    """Return a program whose x says where on the drawing the pen is, from 0 to 0.999 turns."""
    program = bare_program()
    program.draw_path(0, np.stack([np.arange(MARKS) / MARKS, np.zeros(MARKS), np.zeros(MARKS)], axis=1))
    for name, value in pen.items():
        program.set(f"layer.1.pen.{name}", value)
    program.schedule()
    return program


def positions(frames: int, **pen: float) -> NDArray[np.float64]:
    return exact_points(started(ruler(**pen)), frames)[:, 0]


def cycle(frames: int, frequency: float) -> NDArray[np.float64]:
    """Return the place in the pen's cycle at sample 1, 2, 3 ..., from 0 to 1."""
    return np.asarray(np.arange(1, frames + 1) * frequency / RATE % 1.0)


def rounds_per_second(engine: Engine, seconds: int = 2) -> float:
    y = exact(engine, int(RATE) * seconds)[:, 1]
    return int(np.count_nonzero((y[:-1] < 0.0) & (y[1:] >= 0.0))) / seconds


@pytest.mark.parametrize("frequency", [1.0, 50.0, 441.0, 5000.5])
def test_its_frequency_is_the_rounds_in_a_second(frequency: float) -> None:
    program = one_circle()
    program.set("layer.1.pen.frequency", frequency)
    assert abs(rounds_per_second(started(program)) - frequency) <= 0.5


@pytest.mark.parametrize(("key", "hertz"), EQUAL_TEMPERAMENT.items())
def test_keys_sound_as_the_published_table_of_equal_temperament_says(key: int, hertz: float) -> None:
    program = ruler(frequency=A4_HZ, key=key)
    engine = started(program)
    engine.render(1)
    step = float(engine.record["instances"][int(engine.record["active"])]["pen"][0]) / 2.0**64
    assert step / 2 * RATE == pytest.approx(hertz, abs=0.00501)


def test_key_69_sounds_the_frequency_itself() -> None:
    np.testing.assert_array_equal(positions(500, frequency=A4_HZ, key=A4_KEY), positions(500, frequency=A4_HZ))


def test_an_octave_of_bend_doubles_the_frequency_exactly() -> None:
    np.testing.assert_array_equal(positions(500, frequency=50, bend=12), positions(500, frequency=100))


def test_bend_counts_semitones() -> None:
    np.testing.assert_array_equal(
        positions(500, frequency=50, bend=2.5), positions(500, frequency=50, key=A4_KEY + 2.5)
    )


def test_forward_runs_from_the_start_to_the_end() -> None:
    inside = cycle(3000, 40) < 0.998
    np.testing.assert_allclose(positions(3000, frequency=40)[inside], cycle(3000, 40)[inside], atol=1e-12)


def test_backward_runs_from_the_end_to_the_start() -> None:
    inside = cycle(3000, 40) > 0.002
    np.testing.assert_allclose(
        positions(3000, frequency=40, direction=1)[inside], 1.0 - cycle(3000, 40)[inside], atol=1e-12
    )


def test_swing_runs_there_and_back_without_a_jump() -> None:
    turns = cycle(3000, 40)
    there_and_back = np.where(turns < 0.5, 2.0 * turns, 2.0 - 2.0 * turns)
    inside = there_and_back < 0.998
    found = positions(3000, frequency=40, direction=2)
    np.testing.assert_allclose(found[inside], there_and_back[inside], atol=1e-12)
    assert np.abs(np.diff(found[inside])).max() < 4.1 * 40 / RATE


@pytest.mark.parametrize("direction", [0, 1, 2])
def test_only_the_chosen_part_is_drawn(direction: int) -> None:
    found = positions(6000, frequency=40, start=0.25, length=0.5, direction=direction)
    assert found.min() == pytest.approx(0.25, abs=1e-3)
    assert found.max() == pytest.approx(0.75, abs=1e-3)
    assert found.min() >= 0.25
    assert found.max() <= 0.75


def test_a_part_may_reach_over_the_end_of_the_drawing() -> None:
    wanted = (0.9 + 0.2 * cycle(3000, 40)) % 1.0
    inside = wanted < 0.998
    found = positions(3000, frequency=40, start=0.9, length=0.2)
    np.testing.assert_allclose(found[inside], wanted[inside], atol=1e-12)


def test_a_length_of_zero_rests_at_the_start() -> None:
    np.testing.assert_allclose(positions(200, start=0.4, length=0.0), 0.4, rtol=1e-12)


def test_a_negative_frequency_runs_the_other_way() -> None:
    turns = -np.arange(1, 3001) * 40 / RATE % 1.0
    inside = turns < 0.998
    np.testing.assert_allclose(positions(3000, frequency=-40)[inside], turns[inside], atol=1e-12)


def test_the_start_can_be_moved_while_playing() -> None:
    engine = started(ruler(frequency=0.0))
    engine.set("layer.1.pen.start", 0.3)
    np.testing.assert_allclose(exact_points(engine, 10)[:, 0], 0.3, rtol=1e-12)


@pytest.mark.parametrize("frequency", [110.0, 440.0 * 2.0 ** (1 / 12), 1.0 / 3.0])
def test_after_an_hour_its_place_is_still_the_closed_form(frequency: float) -> None:
    rate, second = 8000, np.zeros((8000, 2), np.float32)
    engine = started(ruler(frequency=frequency), rate)
    for _ in range(3600):
        engine.render_into(second)
    found = float(engine.record["instances"][int(engine.record["active"])]["pen"][0]) / 2.0**64
    samples = 3600 * rate + 1
    off = (found - samples * frequency / rate + 0.5) % 1.0 - 0.5
    assert abs(off) < 1e-8


@pytest.mark.parametrize("number", [np.inf, -np.inf, np.nan, 1e308])
def test_a_frequency_that_is_no_number_stands_still_and_moves_again_afterwards(number: float) -> None:
    engine = started(ruler(frequency=40))
    before = exact_points(engine, 100)[-1, 0]
    engine.set("layer.1.pen.frequency", number)
    still = exact_points(engine, 100)[:, 0]
    np.testing.assert_allclose(still, before + 40 / RATE, rtol=1e-9)
    engine.set("layer.1.pen.frequency", 40.0)
    np.testing.assert_allclose(np.diff(exact_points(engine, 100)[:, 0]), 40 / RATE, rtol=1e-9)
