"""Parameter values over time: at once, or in a straight line from where they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import Engine, set_event
from tests.engine.playing import RATE, bare_program, dot, exact, started

if TYPE_CHECKING:
    from numpy.typing import NDArray

ADDRESS = "output.offset.x"


def ramping(samples: float) -> Engine:
    """Return an engine whose x channel is one parameter, ramped over a number of samples."""
    program = bare_program()
    program.record["ramp_seconds"] = samples / RATE
    program.schedule()
    return started(program)


def x_of(engine: Engine, frames: int) -> NDArray[np.float64]:
    return exact(engine, frames)[:, 0]


@pytest.mark.parametrize("samples", [1, 2, 7, 64, 100, 240])
def test_a_ramp_is_a_straight_line_whose_first_sample_moves_and_whose_last_is_the_target(
    samples: int,
) -> None:
    engine = ramping(samples)
    engine.set(ADDRESS, 0.7)
    out = x_of(engine, samples + 70)
    line = 0.7 * np.arange(1, samples + 1) / samples
    np.testing.assert_allclose(out[:samples], line, rtol=1e-14)
    assert out[samples - 1] == 0.7
    assert (out[samples:] == 0.7).all()


def test_a_ramp_of_no_length_is_a_step() -> None:
    engine = ramping(0)
    engine.set(ADDRESS, 0.7)
    assert (x_of(engine, 10) == 0.7).all()


def test_an_event_that_says_at_once_does_not_ramp() -> None:
    engine = ramping(240)
    engine.set(ADDRESS, 0.7, at_once=True)
    assert (x_of(engine, 10) == 0.7).all()


def test_a_target_changed_on_the_way_is_approached_from_where_the_value_is() -> None:
    engine = ramping(100)
    engine.set(ADDRESS, 0.5)
    first = x_of(engine, 40)
    engine.set(ADDRESS, -0.5)
    second = x_of(engine, 100)
    start = first[-1]
    np.testing.assert_allclose(start, 0.2, rtol=1e-13)
    np.testing.assert_allclose(second, start + (-0.5 - start) * np.arange(1, 101) / 100, atol=1e-14)
    assert second[-1] == -0.5


def test_jumping_in_the_middle_of_a_ramp_ends_it() -> None:
    engine = ramping(100)
    engine.set(ADDRESS, 0.5)
    x_of(engine, 40)
    engine.set(ADDRESS, -0.25, at_once=True)
    assert (x_of(engine, 200) == -0.25).all()


def test_many_parameters_ramp_side_by_side() -> None:
    engine = ramping(50)
    engine.set("output.offset.x", 0.5)
    engine.set("output.offset.y", -0.25)
    out = exact(engine, 60)
    np.testing.assert_allclose(out[:50, 0], 0.5 * np.arange(1, 51) / 50, rtol=1e-14)
    np.testing.assert_allclose(out[:50, 1], -0.25 * np.arange(1, 51) / 50, rtol=1e-14)


@pytest.mark.parametrize("number", [np.inf, -np.inf, np.nan, 1e308, -1e308])
def test_there_is_no_way_to_or_from_infinity_so_it_is_reached_and_left_at_once(number: float) -> None:
    engine = ramping(100)
    engine.set(ADDRESS, number)
    engine.render(1)
    np.testing.assert_equal(engine.value(ADDRESS), number)
    engine.set(ADDRESS, 0.25)
    assert (x_of(engine, 10) == 0.25).all()


def test_values_and_targets_can_be_read_during_a_ramp() -> None:
    engine = ramping(100)
    engine.set(ADDRESS, 0.5)
    engine.render(50)
    assert engine.value(ADDRESS) == pytest.approx(0.25)
    assert engine.values()[ADDRESS] == 0.5


def test_a_ramp_begins_on_the_events_own_sample() -> None:
    engine = ramping(4)
    out = engine.render(20, events=[set_event(engine.time + 10, ADDRESS, 0.5)])[:, 0]
    np.testing.assert_array_equal(out, [0.0] * 10 + [0.125, 0.25, 0.375] + [0.5] * 7)


def test_a_parameter_that_selects_is_never_ramped() -> None:
    program = dot(0.5)
    program.record["ramp_seconds"] = 0.01
    engine = started(program)
    engine.set("mix.mode", 1.0)
    engine.render(1)
    assert engine.value("mix.mode") == 1.0
