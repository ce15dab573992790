"""Directions: the path of the nearest one is drawn, chosen when a round begins, the same however blocks are cut."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from instrument.engine.engine import Engine, set_event
from instrument.engine.memory.layout import CHUNK
from instrument.engine.program import Program, new_program
from tests.engine.playing import RATE, bare_program, exact_points, started
from tests.engine.voicing import key, play, with_notes

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCKS = (1, 7, 64, 480, 1024)


def spread(count: int, seed: int = 0) -> NDArray[np.float64]:
    found = np.random.default_rng(seed).normal(size=(count, 3))
    return np.asarray(found / np.linalg.norm(found, axis=1, keepdims=True))


def around(count: int) -> NDArray[np.float64]:
    """Directions about the y axis, evenly."""
    turn = np.arange(count) * math.tau / count
    return np.stack([np.sin(turn), 0 * turn, np.cos(turn)], axis=1)


def numbered(directions: NDArray[np.float64], program: Program | None = None) -> Program:
    """Directions whose paths are points on the y axis, which turning about it leaves where they are: 0.01 for each."""
    program = program or bare_program()
    heights = np.arange(len(directions)) * 0.01
    program.draw_directions(
        0, np.stack([0 * heights, heights, 0 * heights], axis=1)[:, None] * np.ones((1, 2, 1)), directions
    )
    program.schedule()
    return program


def chosen(engine: Engine) -> int:
    return int(engine.record["instances"][int(engine.record["active"])]["side"][0]) - 1


angle = st.floats(-2.0, 2.0)


@settings(max_examples=60)
@given(
    turn=st.tuples(angle, angle, angle),
    move=st.tuples(*[st.floats(-1.0, 1.0)] * 3),
    scale=st.tuples(*[st.floats(0.2, 2.0) | st.floats(-2.0, -0.2)] * 3),
    size=st.floats(0.1, 3.0),
    camera=st.just(math.inf) | st.floats(2.0, 20.0),
)
def test_the_direction_nearest_to_that_of_the_eye_is_chosen(
    turn: tuple[float, ...], move: tuple[float, ...], scale: tuple[float, ...], size: float, camera: float
) -> None:
    directions = spread(40)
    program = numbered(directions)
    for axis, name in enumerate("xyz"):
        program.set(f"layer.1.place.turn.{name}", turn[axis])
        program.set(f"layer.1.place.move.{name}", move[axis])
        program.set(f"layer.1.place.scale.{name}", scale[axis])
    program.set("layer.1.place.size", size)
    program.set("layer.1.place.camera", camera)
    engine = started(program)
    engine.render(1)
    # The eye at (0, 0, camera), carried back through moving, turning (x, then y, then z) and scaling.
    eye = np.array([0.0, 0.0, 1.0]) if math.isinf(camera) else np.array([0.0, 0.0, camera]) - move
    seen = Rotation.from_euler("xyz", np.array(turn) * math.tau).inv().apply(eye) / (np.array(scale) * size)
    likeness = directions @ (seen / np.linalg.norm(seen))
    assert likeness[chosen(engine)] == pytest.approx(likeness.max(), abs=1e-9)


def test_a_direction_is_changed_only_where_a_round_of_the_pen_begins() -> None:
    program = numbered(around(90))
    program.set("layer.1.pen.frequency", 100.0)
    program.set("layer.1.place.spin.y", 3.0)
    heights = exact_points(started(program), 4800)[:, 1]
    changes = np.flatnonzero(np.diff(heights)) + 1
    period = int(RATE / 100)
    assert len(changes) == 9
    assert (changes - changes[0] == np.arange(9) * period).all()
    # It turns by 3 / 100 of 90 directions in each round, to the nearest whole one, against the spin.
    steps = np.mod(np.diff(np.round(heights[changes] * 100)), 90)
    assert set(steps) <= {90 - 2, 90 - 3}


def test_rolling_about_the_view_needs_no_other_direction() -> None:
    program = numbered(spread(50))
    program.set("layer.1.place.spin.z", 5.0)
    engine = started(program)
    found = set()
    for _ in range(40):
        engine.render(100)
        found.add(chosen(engine))
    assert len(found) == 1


@pytest.mark.parametrize("voices", [False, True])
def test_the_same_bits_come_out_however_blocks_are_cut(voices: bool) -> None:
    outputs = []
    for block in BLOCKS:
        program = with_notes(bare_program(), 2.0) if voices else bare_program()
        paths = np.random.default_rng(1).normal(size=(300, 32, 3)) * 0.2
        program.draw_directions(0, paths, spread(300))
        program.set("layer.1.pen.frequency", 333.3)
        for name, spin in (("x", 1.7), ("y", 11.3), ("z", -0.9)):
            program.set(f"layer.1.place.spin.{name}", spin)
        program.set("layer.1.place.camera", 3.0)
        program.schedule()
        engine = Engine(RATE)
        engine.play(program)
        if voices:
            play(engine, key(60), key(67), key(71))
        engine.push(set_event(3001, "layer.1.place.turn.x", 0.4))
        outputs.append(engine.render(8000, block=block).tobytes())
    assert len(set(outputs)) == 1


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e308, 0.0])
@pytest.mark.parametrize("name", ["turn.x", "turn.y", "spin.y", "move.x", "scale.y", "size", "camera"])
def test_whatever_is_dialled_in_a_direction_is_chosen_and_it_comes_back(name: str, value: float) -> None:
    program = numbered(around(8))
    program.set("layer.1.pen.frequency", 1000.0)
    program.set("layer.1.place.turn.y", -0.25)
    engine = started(program)
    engine.render(100)
    before = chosen(engine)
    usual = engine.values()[f"layer.1.place.{name}"]
    engine.push(set_event(0, f"layer.1.place.{name}", value, at_once=True))
    assert np.isfinite(engine.render(200)).all()
    assert 0 <= chosen(engine) < 8
    engine.push(set_event(0, f"layer.1.place.{name}", usual, at_once=True))
    engine.render(200)
    assert before == 2
    assert chosen(engine) == 2 or name == "spin.y"


def test_a_program_with_other_directions_carries_on_with_one_of_its_own() -> None:
    engine = started(numbered(around(500)))
    engine.set("layer.1.place.turn.y", 0.01)
    engine.render(1000)
    program = numbered(around(4))
    program.set("layer.1.place.turn.y", -0.5)
    engine.play(program, carry=True)
    engine.render(200)
    assert chosen(engine) == 2


def test_short_rounds_look_for_a_direction_no_more_often_than_the_search_is_long() -> None:
    program = numbered(around(1600))
    program.set("layer.1.pen.frequency", 12_000.0)
    program.set("layer.1.place.spin.y", 40.0)
    heights = exact_points(started(program), 100 * CHUNK)[:, 1]
    assert np.diff(np.flatnonzero(np.diff(heights))).min() >= 1600 // 16


@pytest.mark.parametrize("directions", [np.zeros((2, 3)), np.ones((3, 3)), np.full((2, 3), np.nan), np.ones((2, 2))])
def test_directions_that_do_not_go_with_the_paths_are_refused(directions: NDArray[np.float64]) -> None:
    with pytest.raises(ValueError, match="direction"):
        new_program().draw_directions(0, np.zeros((2, 4, 3)), directions)


def test_a_plain_path_takes_the_place_of_one_with_directions() -> None:
    program = numbered(around(4))
    program.draw_path(0, np.array([[0.25, 0.25, 0.0]]))
    assert exact_points(started(program), 4)[-1].tolist() == [0.25, 0.25, 0.0]
