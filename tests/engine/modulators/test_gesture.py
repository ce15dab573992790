"""Gestures: recorded round the cycle, played again on the beat, dubbed over and cleared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import set_event
from instrument.engine.memory.layout import CELLS, GESTURES
from instrument.engine.modulators.modulator_table import MODULATOR_GESTURE, MODULATOR_LFO
from tests.engine.modulating import BEAT, begin_at_beat, given, heard, instance
from tests.engine.playing import RATE, bare_program, started

if TYPE_CHECKING:
    from instrument.engine.program import Program

PLAY, REPLACE, OVERDUB = 0.0, 1.0, 2.0

CYCLE = 4800


def gesture(values: np.ndarray | None = None, **parameters: float) -> Program:
    program = bare_program()
    program.modulate_by_gesture(0, values)
    program.set("mod.1.rate", RATE / CYCLE)
    given(program, **parameters).schedule()
    return program


def wave(frames: int, first: int = 1) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * np.arange(first, first + frames) / CYCLE)


def moved_by_hand(record: float) -> Program:
    """Return a gesture whose hand moves in a sine of the same length."""
    program = gesture(record=record)
    program.modulate(1, MODULATOR_LFO)
    program.set("mod.2.rate", RATE / CYCLE)
    program.set("link.1.depth", 0.5)
    program.link(0, 1, "mod.1.hand")
    program.schedule()
    return program


def test_it_starts_with_what_the_patch_holds() -> None:
    values = np.sin(2 * np.pi * np.arange(100) / 100)
    found = heard(started(gesture(values)), CYCLE)
    place = np.arange(1, CYCLE + 1) / CYCLE
    np.testing.assert_allclose(found, np.interp(place, np.arange(100) / 100, values, period=1.0), atol=2e-3)


def test_what_was_recorded_is_played_again_and_again() -> None:
    engine = started(moved_by_hand(record=REPLACE))
    np.testing.assert_allclose(heard(engine, 2 * CYCLE), wave(2 * CYCLE), atol=1e-9)
    engine.set("mod.1.record", PLAY)
    engine.set("link.1.depth", 0.0)
    found = heard(engine, 3 * CYCLE)
    # A cell keeps the hand at the moment it was left, two samples and a half later than it was entered.
    np.testing.assert_allclose(found, wave(3 * CYCLE), atol=3.5 * 2 * np.pi / CYCLE * 0.5)


def test_dubbing_over_adds_to_what_is_there_once_a_cycle() -> None:
    engine = started(gesture(np.full(4, 0.25), record=OVERDUB, hand=0.5))
    first = heard(engine, CYCLE - 5)
    assert (first == 0.75).all()
    heard(engine, CYCLE)
    engine.set("mod.1.record", PLAY)
    found = heard(engine, CYCLE)
    assert set(np.round(found, 6)) >= {1.25}
    assert found.max() <= 1.25


def test_clear_empties_it() -> None:
    engine = started(gesture(np.full(4, 0.25)))
    found = heard(engine, 200, events=[set_event(100, "mod.1.clear", 1.0)])
    assert (found[:99] == 0.25).all()
    assert (found[99:] == 0.0).all()


@pytest.mark.parametrize("rate", [1.0, 50.0, -50.0, 1400.0])
def test_no_cell_that_is_passed_is_left_out(rate: float) -> None:
    engine = started(gesture(np.full(4, 0.25), rate=rate, record=REPLACE, hand=0.5))
    heard(engine, int(1.2 * RATE / abs(rate)) + 2)
    cells = instance(engine)["gestures"][0]
    assert (cells == 0.5).all()


def test_a_cycle_faster_than_it_can_be_recorded_costs_no_more() -> None:
    engine = started(gesture(rate=10_000.3, record=REPLACE, hand=0.5))
    assert (heard(engine, 1000) == 0.5).all()
    assert set(np.unique(instance(engine)["gestures"][0])) == {0.0, 0.5}


def test_after_an_hour_it_is_played_on_its_beat() -> None:
    values = np.zeros(CELLS)
    values[CELLS // 4 :] = 1.0
    engine = started(gesture(values, rate=0.25, sync=BEAT))
    begin_at_beat(engine, 7200)
    found = heard(engine, 30_000)
    begins = np.flatnonzero(found == 1.0)[0]
    assert abs(begins - 24_000) <= 1


def test_it_is_carried_on_when_the_drawing_is_saved_again() -> None:
    engine = started(gesture(record=REPLACE, hand=0.5))
    heard(engine, CYCLE + 16)
    engine.play(gesture(record=PLAY), carry=True)
    engine.render(1)
    assert (heard(engine, CYCLE // 2) == 0.5).all()


def test_a_patch_called_again_begins_with_what_it_holds() -> None:
    engine = started(gesture(np.full(4, 0.25), record=REPLACE, hand=0.5))
    heard(engine, CYCLE + 16)
    engine.play(gesture(np.full(4, 0.25)))
    engine.render(1)
    assert (heard(engine, CYCLE) == 0.25).all()


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 1e308, 5e-324])
@pytest.mark.parametrize("name", ["hand", "rate", "record", "phase", "clear"])
def test_any_number_is_passed_over_and_never_recorded(name: str, number: float) -> None:
    engine = started(gesture(record=OVERDUB, hand=0.0))
    usual = engine.value(f"mod.1.{name}")
    engine.set(f"mod.1.{name}", number)
    assert np.isfinite(heard(engine, 300)).all()
    engine.set(f"mod.1.{name}", usual)
    assert np.abs(heard(engine, CYCLE)).max() < 1e-300


def test_one_gesture_too_many_is_refused_and_places_are_given_back() -> None:
    program = bare_program()
    for number in range(GESTURES):
        program.modulate_by_gesture(number)
    with pytest.raises(ValueError, match=f"at most {GESTURES}"):
        program.modulate_by_gesture(GESTURES)
    program.modulate(2, MODULATOR_LFO)
    program.modulate_by_gesture(GESTURES)
    gestures = program.record["modulators"]
    places = gestures["gesture"][gestures["kind"] == MODULATOR_GESTURE]
    assert sorted(places.tolist()) == list(range(GESTURES))


def test_a_gesture_that_is_not_finite_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        bare_program().modulate_by_gesture(0, np.array([0.0, np.inf]))
