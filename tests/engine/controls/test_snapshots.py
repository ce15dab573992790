"""Snapshots, morphs, and the actions that controls ask for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import Engine, action_event, midi_event, set_event
from instrument.engine.memory.layout import ACTIONS, EVENT_ACTION, FLAG_ASKED
from instrument.engine.parameters import index_of
from tests.engine.playing import RATE, dot, largest_step, listen_to, one_circle, started
from tests.reference.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON, PROGRAM_CHANGE

if TYPE_CHECKING:
    from instrument.engine.program import Program

X, Y = "output.offset.x", "output.offset.y"


def with_snapshots(program: Program, *snapshots: dict[str, float]) -> Program:
    for values in snapshots:
        program.add_snapshot(values)
    return program


def act(engine: Engine, action: str, value: float = 0.0) -> None:
    engine.push(action_event(0, action, value))
    engine.render(1)


def test_a_recall_moves_every_parameter_of_the_snapshot_and_no_other() -> None:
    engine = started(with_snapshots(one_circle(), {X: 0.25, Y: -0.5}, {X: 0.75}))
    act(engine, "snapshot", 1)
    assert (engine.value(X), engine.value(Y)) == (0.25, -0.5)
    act(engine, "snapshot", 2)
    assert (engine.value(X), engine.value(Y)) == (0.75, -0.5)


@pytest.mark.parametrize("number", [0.0, 3.0, -1.0, 1e308, math.nan, math.inf])
def test_a_snapshot_that_is_not_there_changes_nothing(number: float) -> None:
    engine = started(with_snapshots(one_circle(), {X: 0.25}, {X: 0.75}))
    act(engine, "snapshot", number)
    assert engine.value(X) == 0.0


def test_a_morph_takes_its_time_in_beats() -> None:
    program = with_snapshots(one_circle(), {X: 1.0})
    program.set("morph.time", 2.0)
    engine = started(program)
    engine.push(action_event(0, "morph", 1))
    engine.render(int(RATE) // 2)
    assert engine.value(X) == pytest.approx(0.5)
    engine.render(int(RATE) // 2)
    assert engine.value(X) == 1.0


def test_a_choice_changes_half_way_of_a_morph() -> None:
    program = with_snapshots(one_circle(), {"layer.1.pen.direction": 2.0})
    program.set("morph.time", 2.0)
    engine = started(program)
    engine.push(action_event(0, "morph", 1))
    engine.render(int(RATE) // 2 - 2)
    assert engine.value("layer.1.pen.direction") == 0.0
    engine.render(4)
    assert engine.value("layer.1.pen.direction") == 2.0


def test_an_angle_takes_the_short_way_round_and_arrives() -> None:
    program = with_snapshots(one_circle(), {"layer.1.place.turn.z": 0.9})
    program.set("layer.1.place.turn.z", 0.1)
    program.set("morph.time", 2.0)
    engine = started(program)
    engine.push(action_event(0, "morph", 1))
    engine.render(int(RATE) // 2)
    assert engine.value("layer.1.place.turn.z") % 1.0 == pytest.approx(0.0, abs=1e-4)
    engine.render(int(RATE) // 2)
    assert engine.value("layer.1.place.turn.z") == 0.9


def test_no_morph_clicks() -> None:
    program = dot(0.0)
    with_snapshots(program, {"layer.1.place.move.x": 0.8, "layer.1.place.move.y": -0.8})
    engine = started(program)
    engine.push(action_event(0, "morph", 1))
    assert largest_step(engine.render(2 * int(RATE) + 10)) < 0.8 / RATE


def test_a_control_morphs_between_two_snapshots() -> None:
    program = with_snapshots(
        one_circle(),
        {X: 0.0, "layer.1.place.turn.z": 0.9, "layer.1.pen.direction": 0.0},
        {X: 1.0, Y: 0.5, "layer.1.place.turn.z": 0.1, "layer.1.pen.direction": 2.0},
    )
    listen_to(program, "cc", "morph.position", 0.0, 1.0, number=1)
    engine = started(program)
    for value in (0, 32, 95, 127):
        engine.push(midi_event(0, CONTROL_CHANGE, 1, value))
        engine.render(1)
        t = value / 127
        assert engine.value(X) == pytest.approx(t)
        assert engine.value(Y) == pytest.approx(0.5 * t)  # only one names it: it starts from the patch's own
        assert engine.value("layer.1.pen.direction") == (2.0 if t >= 0.5 else 0.0)
        turn = engine.value("layer.1.place.turn.z") - (-0.1 + 0.2 * t)
        assert turn - round(turn) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("position", [math.nan, math.inf, -math.inf, 1e308, -7.0])
def test_no_position_does_harm(position: float) -> None:
    engine = started(with_snapshots(one_circle(), {X: 0.25}, {X: 0.75}))
    engine.push(set_event(0, "morph.position", position))
    engine.render(10)
    assert 0.25 <= engine.value(X) <= 0.75


def set_list(engine: Engine, *programs: Program) -> None:
    for place, program in enumerate(programs):
        engine.record["set_slots"][place] = engine.load(program)
    engine.record["set_count"] = len(programs)


class TestSetList:
    """Patches are changed without waiting for Python."""

    def played(self, engine: Engine) -> float:
        return float(engine.render(2)[-1, 0])

    def test_a_pad_leads_to_the_next_patch_and_back_round(self) -> None:
        levels = (0.125, 0.25, 0.5)
        programs = [dot(level) for level in levels]
        for program in programs:
            listen_to(program, "pad", X, 0.0, 1.0, number=40, action=ACTIONS.index("next"))
        engine = started(programs[0])
        set_list(engine, *programs)
        found = []
        for _ in range(4):
            engine.push(midi_event(0, NOTE_ON, 40, 100))
            engine.push(midi_event(0, NOTE_OFF, 40, 0))
            found.append(self.played(engine))
        assert found == [0.25, 0.5, 0.125, 0.25]

    def test_a_program_change_chooses_by_number_on_its_own_sample(self) -> None:
        programs = [dot(0.125), dot(0.25), dot(0.5)]
        listen_to(programs[0], "program", X, 0.0, 1.0, action=ACTIONS.index("patch"), argument=math.nan)
        engine = started(programs[0])
        set_list(engine, *programs)
        at = engine.time + 100
        engine.push(midi_event(at, PROGRAM_CHANGE, 2))
        out = engine.render(200)[:, 0]
        assert np.flatnonzero(out == 0.5)[0] <= 101
        assert out[98] == 0.125

    @pytest.mark.parametrize("number", [4.0, 0.0, -3.0, math.nan, 1e308])
    def test_a_patch_that_is_not_there_leaves_the_old_one(self, number: float) -> None:
        engine = started(dot(0.125))
        set_list(engine, dot(0.125), dot(0.25))
        engine.push(action_event(0, "patch", number))
        assert self.played(engine) == 0.125

    def test_what_a_control_asked_for_stands_in_the_log_behind_its_message(self) -> None:
        program = one_circle()
        listen_to(program, "cc", X, 0.0, 1.0, number=1, action=ACTIONS.index("record"), argument=0.0)
        engine = started(program)
        _, cursor, _ = engine.log_since(0)
        engine.push(midi_event(0, CONTROL_CHANGE, 1, 127))
        engine.render(1)
        events, _, _ = engine.log_since(cursor)
        assert [int(kind) for kind in events["kind"]][-1] == EVENT_ACTION
        assert int(events["index"][-1]) == ACTIONS.index("record")
        assert int(events["flags"][-1]) & FLAG_ASKED


def test_values_of_a_snapshot_are_kept_in_the_order_of_parameters() -> None:
    program = with_snapshots(one_circle(), {Y: 1.0, X: 2.0})
    row = program.record["snapshots"][0]
    params = program.record["snapshot_values"]["param"][int(row["first"]) :][: int(row["count"])]
    assert params.tolist() == sorted([index_of(X), index_of(Y)])
