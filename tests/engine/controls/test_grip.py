"""How knobs take hold of parameters, and what buttons and endless knobs do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.engine import Engine, midi_event, set_event
from instrument.engine.memory.layout import CURVES, GRIPS, MANNERS
from tests.engine.playing import RATE, listen_to, one_circle, started
from tests.reference.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON

PARAMETER = "output.offset.x"
KNOB = 7
CATCH = GRIPS.index("catch")
PROPORTIONAL = GRIPS.index("proportional")


def knob(low: float = 0.0, high: float = 127.0, start: float = 50.0, **more: float) -> Engine:
    program = one_circle()
    program.set(PARAMETER, start)
    listen_to(program, "cc", PARAMETER, low, high, number=KNOB, **more)
    return started(program)


def turned(engine: Engine, *values: int) -> list[float]:
    found = []
    for value in values:
        engine.push(midi_event(0, CONTROL_CHANGE, KNOB, value))
        engine.render(1)
        found.append(engine.value(PARAMETER))
    return found


def typed(engine: Engine, value: float) -> None:
    engine.push(set_event(0, PARAMETER, value))
    engine.render(1)


class TestPickup:
    """A knob that does not stand where its parameter is."""

    def test_it_waits_until_it_meets_the_value(self) -> None:
        assert turned(knob(grip=CATCH), 20, 40, 49, 55) == [50.0, 50.0, 49.0, 55.0]

    def test_it_takes_hold_in_passing(self) -> None:
        assert turned(knob(grip=CATCH), 20, 90, 30) == [50.0, 90.0, 30.0]

    def test_it_lets_go_when_something_else_moves_the_parameter(self) -> None:
        engine = knob(grip=CATCH)
        assert turned(engine, 50, 60) == [50.0, 60.0]
        typed(engine, 100.0)
        assert turned(engine, 61, 62) == [100.0, 100.0]
        assert turned(engine, 101) == [101.0]


class TestScaled:
    """What is left of the knob's way runs through what is left of the range."""

    def test_both_ends_meet(self) -> None:
        engine = knob(grip=PROPORTIONAL)
        turned(engine, 100)
        assert turned(engine, 127) == [127.0]

    def test_half_of_the_way_left_moves_half_of_the_range_left(self) -> None:
        engine = knob(grip=PROPORTIONAL, start=27.0)
        turned(engine, 27 + 50 - 27 + 50)
        found = turned(engine, 50)
        assert found[0] == pytest.approx(13.5, abs=1e-9)

    @given(st.lists(st.integers(0, 127), min_size=2, max_size=20))
    def test_it_moves_the_way_the_knob_moves(self, values: list[int]) -> None:
        engine = knob(grip=PROPORTIONAL)
        turned(engine, values[0])
        at = values[0]
        for value in values[1:]:
            before = engine.value(PARAMETER)
            (now,) = turned(engine, value)
            assert (now - before) * (value - at) >= -1e-9
            assert -1e-9 <= now <= 127.0 + 1e-9
            at = value


CODINGS = [
    ("relative_twos", 1, 127),
    ("relative_offset", 65, 63),
    ("relative_sign", 1, 65),
]


@pytest.mark.parametrize(("coding", "right", "left"), CODINGS)
def test_an_endless_knob_moves_by_clicks(coding: str, right: int, left: int) -> None:
    # The three codings in use: common practice, no source; the values follow from their names.
    engine = knob(manner=MANNERS.index(coding))
    np.testing.assert_allclose(turned(engine, right, right, left), [51.0, 52.0, 51.0], atol=1e-9)


@pytest.mark.parametrize(("coding", "right", "left"), CODINGS)
def test_an_endless_knob_stays_within_its_range(coding: str, right: int, left: int) -> None:
    engine = knob(manner=MANNERS.index(coding), low=40.0, high=52.0)
    turned(engine, *[right] * 200)
    assert engine.value(PARAMETER) == 52.0
    turned(engine, *[left] * 400)
    assert engine.value(PARAMETER) == pytest.approx(40.0, abs=1e-9)


def test_fast_clicks_go_further() -> None:
    slow, fast = (knob(manner=MANNERS.index("relative_twos"), acceleration=3.0) for _ in range(2))
    for engine, gap in ((slow, int(RATE)), (fast, int(0.005 * RATE))):
        for _ in range(4):
            turned(engine, 1)
            engine.render(gap)
    assert slow.value(PARAMETER) == pytest.approx(54.0, abs=1e-6)
    assert fast.value(PARAMETER) > 60.0


@pytest.mark.parametrize("curve", ["lin", "exp", "log"])
def test_clicks_follow_the_curve(curve: str) -> None:
    engine = knob(10.0, 1000.0, 10.0, manner=MANNERS.index("relative_twos"), curve=CURVES.index(curve))
    reference = knob(10.0, 1000.0, 10.0, curve=CURVES.index(curve))
    turned(engine, *[1] * 30)
    turned(reference, 30)
    assert engine.value(PARAMETER) == pytest.approx(reference.value(PARAMETER), rel=1e-9)


class TestButtons:
    """A controller switches at 64: MIDI 1.0 Detailed Specification, Control Change, controllers 64 to 69."""

    def test_a_toggle_changes_over_at_every_press(self) -> None:
        engine = knob(0.0, 1.0, 0.0, manner=MANNERS.index("toggle"))
        assert turned(engine, 127, 0, 127, 0) == [1.0, 1.0, 0.0, 0.0]

    def test_a_press_counts_once_however_often_it_is_said(self) -> None:
        engine = knob(0.0, 1.0, 0.0, manner=MANNERS.index("toggle"))
        assert turned(engine, 100, 110, 127) == [1.0, 1.0, 1.0]

    def test_radio_buttons_put_each_other_out(self) -> None:
        program = one_circle()
        addresses = ["output.offset.x", "output.offset.y", "layer.1.level"]
        for k, address in enumerate(addresses):
            program.set(address, 0.0)
            listen_to(program, "pad", address, 0.0, 1.0, number=36 + k, manner=MANNERS.index("radio"), group=3)
        engine = started(program)
        for key in (36, 38, 37):
            engine.push(midi_event(0, NOTE_ON, key, 90))
            engine.push(midi_event(0, NOTE_OFF, key, 0))
            engine.render(1)
            assert [engine.value(address) for address in addresses] == [float(key == 36 + k) for k in range(3)]
