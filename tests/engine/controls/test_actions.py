"""Actions in the audio callback: tap, blackout, freeze and gestures, on their sample and the same whatever the block."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import Engine, action_event, midi_event, set_event, swap_event
from instrument.engine.memory.layout import ACTIONS, CHANGE_OVER, RING_WINDOW, SWITCH_OFF, SWITCH_ON
from instrument.engine.modulators.modulator_table import MODULATOR_ENVELOPE, MODULATOR_LFO
from instrument.patch.formula.parser import compile_formula
from tests.engine.playing import RATE, bare_program, circle, largest_step, listen_to, one_circle, started
from tests.reference.midi import CONTROL_CHANGE, NOTE_ON

if TYPE_CHECKING:
    from instrument.engine.program import Program

FADED = 240
"""Samples of a blackout's way at 48 kHz: 5 ms."""


def act(engine: Engine, action: str, value: float = 0.0) -> None:
    assert engine.push(action_event(0, action, value), RING_WINDOW)


def moving() -> Program:
    """Return a program in which everything moves that freeze holds: modulator, spin, beat, time in a link's circle."""
    program = bare_program()
    circle(program, 0, 0.5)
    program.set("layer.1.place.spin.z", 3.0)
    program.modulate(0, MODULATOR_LFO)
    program.modulate(1, MODULATOR_ENVELOPE)
    program.set("mod.1.rate", 7.0)
    program.set("mod.2.trigger", 1.0)
    program.set("mod.2.attack", 0.2)
    program.set("link.1.depth", 0.3)
    program.link(0, 0, "layer.1.place.size")
    program.link(1, 1, "layer.1.place.scale.x")
    program.link(2, 0, "mod.1.rate")
    program.schedule()
    return program


def test_a_blackout_fades_to_nothing_and_comes_back() -> None:
    engine, other = started(one_circle()), started(one_circle())
    act(engine, "blackout")
    going = engine.render(FADED + 1)
    straight = other.render(FADED + 1) * (1 - np.arange(1, FADED + 2) / FADED).clip(0)[:, np.newaxis]
    np.testing.assert_allclose(going, straight, atol=1e-7)
    assert int(engine.record["blackout"]) == 1
    assert not engine.render(1000).any()
    other.render(1000)
    act(engine, "blackout")
    engine.render(FADED)
    other.render(FADED)
    assert engine.render(500).tobytes() == other.render(500).tobytes()
    assert int(engine.record["blackout"]) == 0


def test_a_blackout_leaves_nothing_of_a_constant_offset_and_stays_over_a_change_of_patch() -> None:
    program = one_circle()
    program.set("output.offset.x", 0.4)
    engine = started(program)
    act(engine, "blackout", SWITCH_ON)
    engine.render(FADED)
    engine.push(swap_event(0, engine.load(program)))
    act(engine, "blackout", SWITCH_ON)
    assert not engine.render(500).any()
    act(engine, "blackout", SWITCH_OFF)
    engine.render(FADED)
    assert engine.render(1).any()


@pytest.mark.parametrize("action", ["blackout", "freeze"])
def test_on_off_and_change_over(action: str) -> None:
    state = {"blackout": "blackout", "freeze": "frozen"}[action]
    engine = started(one_circle())
    found = []
    for value in (SWITCH_OFF, SWITCH_ON, SWITCH_ON, CHANGE_OVER, CHANGE_OVER, SWITCH_OFF, np.nan, 1e308):
        act(engine, action, value)
        engine.render(1)
        found.append(int(engine.record[state]))
    assert found == [0, 1, 1, 0, 1, 0, 1, 0]


def test_a_blackout_makes_no_click() -> None:
    engine = started(one_circle(0.9))
    step = largest_step(engine.render(2000))
    for _ in range(6):
        act(engine, "blackout")
        assert largest_step(engine.render(100)) < step + 0.9 / FADED


def test_what_is_frozen_draws_the_same_round_again_and_again() -> None:
    program = moving()
    program.set("layer.1.pen.frequency", RATE / 512)
    engine = started(program)
    engine.push(midi_event(0, NOTE_ON, 60, 100))
    engine.render(2345)
    act(engine, "freeze")
    first = engine.render(512)
    assert engine.render(512 * 5)[-512:].tobytes() == first.tobytes()


def test_a_thawed_picture_goes_on_where_it_stood() -> None:
    frozen, other = started(moving()), started(moving())
    for engine in (frozen, other):
        engine.push(midi_event(0, NOTE_ON, 60, 100))
        engine.render(2345)
    act(frozen, "freeze")
    frozen.render(4801)
    act(frozen, "freeze")
    frozen.render(100)
    other.render(100)
    here, there = (e.record["instances"][int(e.record["active"])] for e in (frozen, other))
    last = int(here["latest"]) - 1
    assert here["modulator_rows"][:2, last].tolist() == there["modulator_rows"][:2, last].tolist()
    assert here["spin"].tolist() == there["spin"].tolist()
    assert int(here["tempo"]["whole"]) == int(there["tempo"]["whole"])
    assert int(here["tempo"]["part"]) == int(there["tempo"]["part"])


def test_hands_still_move_what_is_frozen() -> None:
    engine = started(moving())
    act(engine, "freeze")
    engine.set("layer.1.level", 0.0)
    engine.render(1)
    assert not engine.render(100).any()


def test_formulas_read_the_tempo_of_what_is_frozen_on_its_sample_whatever_the_block() -> None:
    program = bare_program()
    program.draw_formula(0, (compile_formula("bpm / 1000"),))
    program.modulate(0, MODULATOR_LFO)
    program.set("link.1.depth", 20.0)
    program.link(0, 0, "tempo.bpm")
    program.schedule()
    frozen = action_event(100, "freeze")
    asked = [frozen, set_event(150, "tempo.bpm", 90.0)]
    heard = [started(program).render(600, block=block, events=asked).tobytes() for block in (1, 7, 64, 1024)]
    assert len(set(heard)) == 1


def test_taps_set_the_tempo_to_the_sample() -> None:
    engine = started(one_circle())
    for _ in range(3):
        act(engine, "tap")
        engine.render(18_000)
    assert engine.value("tempo.bpm") == 60 * RATE / 18_000


def gestures() -> Program:
    program = bare_program()
    for number in range(2):
        program.modulate_by_gesture(number)
        program.set(f"mod.{number + 1}.rate", RATE / 4800)
        program.set(f"mod.{number + 1}.hand", 0.25)
    circle(program, 0)
    program.schedule()
    return program


def cells(engine: Engine) -> list[set[float]]:
    rows = engine.record["instances"][int(engine.record["active"])]["gestures"]
    return [{float(value) for value in row} for row in rows[:2]]


def test_a_gesture_is_recorded_dubbed_and_cleared_by_its_number() -> None:
    engine = started(gestures())
    act(engine, "gesture", 2)
    engine.render(4900)
    assert engine.value("mod.2.record") == 1.0
    act(engine, "gesture", 2)
    engine.render(100)
    assert (engine.value("mod.2.record"), cells(engine)) == (0.0, [{0.0}, {0.25}])
    act(engine, "overdub", 2)
    engine.render(4700)
    act(engine, "overdub", 2)
    engine.render(1)
    assert 0.5 in cells(engine)[1]
    act(engine, "clear", 2)
    engine.render(1)
    assert cells(engine) == [{0.0}, {0.0}]
    act(engine, "gesture")
    engine.render(4900)
    assert cells(engine) == [{0.25}, {0.0}]
    act(engine, "clear", 3)
    act(engine, "gesture", np.nan)
    engine.render(1)
    assert cells(engine) == [{0.25}, {0.0}]


def with_buttons() -> Program:
    program = moving()
    program.modulate_by_gesture(2)
    program.set("mod.3.rate", 50.0)
    program.link(3, 0, "mod.3.hand")
    program.link(4, 2, "layer.1.place.turn.y")
    program.schedule()
    names = ("tap", "blackout", "freeze", "gesture", "overdub", "clear")
    for number, name in enumerate(names, start=20):
        listen_to(program, "cc", "layer.1.level", 0, 1, number=number, action=ACTIONS.index(name))
    return program


def test_buttons_do_the_same_whatever_the_block_and_when_the_log_is_played_again() -> None:
    rng = np.random.default_rng(3)
    times = np.sort(rng.integers(1, 6000, 60))
    events = []
    for time in times:
        number = int(rng.integers(20, 26))
        events += [midi_event(int(time), CONTROL_CHANGE, number, value) for value in (127, 0)]
        events.append(set_event(int(time), "layer.1.place.size", float(rng.uniform(0.5, 1))))
    heard = set()
    for block in (1, 7, 64, 1024):
        engine = Engine(RATE)
        engine.play(with_buttons())
        heard.add(engine.render(6500, block=block, events=events).tobytes())
    assert len(heard) == 1
