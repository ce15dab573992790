"""Mix: layers added together, or one whole round of each after the other."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.parameters import LAYERS
from tests.engine.playing import RATE, bare_program, circle, exact, started

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program

SUM, TURNS = 0.0, 1.0


def circles(mode: float, *layers: tuple[int, float, float]) -> Program:
    """Return a program of circles: layer (0-based), radius, and samples that a round lasts."""
    program = bare_program()
    program.set("mix.mode", mode)
    for layer, radius, samples in layers:
        circle(program, layer, radius)
        program.set(f"layer.{layer + 1}.pen.frequency", RATE / samples)
    program.schedule()
    return program


def radii(program: Program, frames: int) -> NDArray[np.float64]:
    return np.asarray(np.hypot(*exact(started(program), frames).T).round(9))


def holders(program: Program, frames: int) -> list[tuple[float, int]]:
    """Return which radius is drawn for how many samples, one after the other, without the last."""
    found = radii(program, frames)
    edges = np.flatnonzero(np.diff(found)) + 1
    bounds = [-1, *edges.tolist()]  # the program's sample 0 went by with its start
    return [(float(found[b - 1]), b - a) for a, b in itertools.pairwise(bounds)]


def test_sum_is_the_sum_of_what_the_layers_draw_alone() -> None:
    layers = [(0, 0.2, 100.0), (3, 0.15, 77.0), (7, 0.1, 301.5)]
    together = exact(started(circles(SUM, *layers)), 2000)
    alone = [exact(started(circles(SUM, layer)), 2000) for layer in layers]
    np.testing.assert_allclose(together, sum(alone), atol=1e-15)


def test_a_layers_level_scales_it_alone() -> None:
    program = circles(SUM, (0, 0.2, 100), (1, 0.4, 50))
    program.set("layer.2.level", 0.5)
    wanted = exact(started(circles(SUM, (0, 0.2, 100), (1, 0.2, 50))), 500)
    np.testing.assert_allclose(exact(started(program), 500), wanted, atol=1e-15)


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf])
def test_a_layer_gone_to_nan_does_not_take_the_others_with_it(number: float) -> None:
    program = circles(SUM, (0, 0.2, 100), (1, 0.4, 50))
    program.set("layer.2.place.turn.z", number)
    wanted = exact(started(circles(SUM, (0, 0.2, 100))), 500)
    np.testing.assert_array_equal(exact(started(program), 500), wanted)


def test_no_layer_is_silence() -> None:
    for mode in (SUM, TURNS):
        assert (exact(started(circles(mode)), 200) == 0.0).all()


def test_taking_turns_each_layer_draws_one_whole_round() -> None:
    found = holders(circles(TURNS, (0, 0.2, 128), (1, 0.4, 32), (2, 0.6, 256)), 1000)
    assert found[:6] == [(0.2, 128), (0.4, 32), (0.6, 256)] * 2


def test_taking_turns_follows_the_numbers_of_the_layers_whatever_lies_between() -> None:
    found = holders(circles(TURNS, (5, 0.6, 64), (LAYERS - 1, 0.8, 16), (2, 0.2, 32)), 400)
    assert found[:6] == [(0.2, 32), (0.6, 64), (0.8, 16)] * 2


def test_a_single_layer_taking_turns_is_the_same_as_alone() -> None:
    np.testing.assert_array_equal(
        exact(started(circles(TURNS, (4, 0.5, 77.7))), 3000),
        exact(started(circles(SUM, (4, 0.5, 77.7))), 3000),
    )


def test_each_round_goes_on_where_the_layers_last_one_ended() -> None:
    # A round of 40.25 samples: the drawing's own phase runs on, so that its pitch has no drift.
    points = exact(started(circles(TURNS, (0, 0.2, 40.25), (1, 0.4, 16))), 2000)
    mine = np.hypot(*points.T) < 0.3
    angle = np.arctan2(points[mine, 1], points[mine, 0]) / (2 * np.pi)
    wanted = np.arange(1, len(angle) + 1) / 40.25
    np.testing.assert_allclose((angle - wanted + 0.5) % 1.0 - 0.5, 0.0, atol=1e-9)


def test_a_layer_at_level_zero_keeps_its_turn_in_the_dark_centre() -> None:
    program = circles(TURNS, (0, 0.2, 128), (1, 0.4, 32))
    program.set("layer.2.level", 0.0)
    assert holders(program, 400)[:4] == [(0.2, 128), (0.0, 32)] * 2


@pytest.mark.parametrize("direction", [0.0, 1.0, 2.0])
def test_a_round_lasts_as_long_in_every_direction(direction: float) -> None:
    program = circles(TURNS, (0, 0.2, 128), (1, 0.4, 32))
    program.set("layer.1.pen.direction", direction)
    assert holders(program, 600)[:4] == [(0.2, 128), (0.4, 32)] * 2


def test_a_layer_that_runs_backwards_ends_its_round_too() -> None:
    found = holders(circles(TURNS, (0, 0.2, -128), (1, 0.4, 32)), 600)
    # Its first step already passes the start, so that its first turn, gone by before, was one sample.
    assert found[1:5] == [(0.2, 128), (0.4, 32)] * 2


def test_the_mode_can_be_changed_while_playing() -> None:
    engine = started(circles(SUM, (0, 0.2, 128), (1, 0.4, 32)))
    exact(engine, 127)
    engine.set("mix.mode", TURNS)
    found = np.hypot(*exact(engine, 128).T)
    np.testing.assert_allclose(found, 0.2, rtol=1e-9)
    engine.set("mix.mode", SUM)
    assert np.ptp(np.hypot(*exact(engine, 128).T)) > 0.3


@pytest.mark.parametrize("block", [1, 7, 64, 480])
@pytest.mark.parametrize("frequency", [0.0, np.inf, np.nan])
def test_a_layer_that_cannot_move_has_the_beam_for_one_sample(frequency: float, block: int) -> None:
    program = circles(TURNS, (0, 0.2, 128), (1, 0.4, 32))
    program.set("layer.1.pen.frequency", frequency)
    found = np.hypot(*started(program).render(330, block=block).astype(float).T).round(3)
    assert found.tolist() == ([0.4] * 32 + [0.2]) * 10
