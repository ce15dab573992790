"""Which controls of a program a controller can show, and what."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import ACTIONS, CURVES, SWITCH_OFF, SWITCH_ON
from instrument.midi.controller_display import Indicator, indicated_controls, knob_position
from tests.engine.playing import listen_to, one_circle, started

X = "output.offset.x"


@pytest.mark.parametrize(
    ("action", "argument", "lights", "lit"),
    [
        ("patch", 2, (1, 0, 0), True),
        ("patch", 2, (0, 1, 1), False),
        ("blackout", 0, (0, 1, 0), True),
        ("blackout", SWITCH_ON, (0, 0, 1), False),
        ("blackout", SWITCH_OFF, (0, 0, 1), True),
        ("freeze", 0, (0, 0, 1), True),
        ("freeze", SWITCH_OFF, (0, 0, 1), False),
    ],
)
def test_a_button_of_an_action_is_lit_for_what_it_does(
    action: str, argument: float, lights: tuple[int, ...], lit: bool
) -> None:
    program = one_circle()
    listen_to(program, "pad", X, 0, 1, number=36, action=ACTIONS.index(action), argument=argument)
    shown = indicated_controls(program.record)[Indicator("pad", -1, 36)]
    assert shown.wanted(0.0, lights) == (127 if lit else 0)


@pytest.mark.parametrize("action", ["next", "panic", "tap", "gesture"])
def test_an_action_that_has_no_state_lights_nothing(action: str) -> None:
    program = one_circle()
    listen_to(program, "pad", X, 0, 1, number=36, action=ACTIONS.index(action), argument=1)
    assert indicated_controls(program.record) == {}


def test_a_choice_that_the_message_itself_makes_lights_nothing() -> None:
    program = one_circle()
    listen_to(program, "cc", X, 0, 1, number=36, action=ACTIONS.index("patch"), argument=float("nan"))
    assert indicated_controls(program.record) == {}


def test_of_several_controls_of_one_knob_the_first_is_shown() -> None:
    program = one_circle()
    listen_to(program, "cc", X, 0, 1, number=7)
    listen_to(program, "cc", "output.offset.y", 0, 1, number=7, channel=3)
    listen_to(program, "cc", "output.offset.y", 0, 1, number=8, channel=3)
    assert list(indicated_controls(program.record)) == [Indicator("cc", -1, 7), Indicator("cc", 3, 8)]


PARAMETER = "output.offset.x"
POINTS = [(0.0, 0.0), (0.25, 0.6), (0.5, 0.7), (1.0, 1.0)]


def engine_with(curve: str, low: float, high: float) -> Engine:
    program = one_circle()
    more = {"points": len(POINTS)} if curve == "points" else {}
    listen_to(program, "cc", PARAMETER, low, high, curve=CURVES.index(curve), number=7, **more)
    for k, point in enumerate(POINTS):
        program.record["curve_points"][k] = point
    return started(program)


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize(("low", "high"), [(20.0, 2000.0), (3.0, 0.25), (-8.0, -0.5)])
def test_every_place_of_a_controller_is_found_from_the_value_that_the_engine_gave_it(
    curve: str, low: float, high: float
) -> None:
    engine = engine_with(curve, low, high)
    for raw in range(128):
        engine.push(midi_event(0, 0xB0, 7, raw))
        engine.render(1)
        place = knob_position(engine.value(PARAMETER), low, high, CURVES.index(curve), POINTS)
        assert place is not None
        assert place * 127 == pytest.approx(raw, abs=1e-6)


@given(st.floats(allow_nan=False), st.sampled_from([0, 2, 3]), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_whatever_the_value_a_place_is_within_the_knobs_way(value: float, curve: int, low: float, high: float) -> None:
    place = knob_position(value, low, high, curve, POINTS)
    assert (place is None) == (low == high)
    assert place is None or 0.0 <= place <= 1.0


def test_beyond_the_range_the_nearest_end_is_shown() -> None:
    for curve in range(len(CURVES)):
        assert knob_position(-math.inf, 1.0, 2.0, curve, POINTS) == knob_position(0.5, 1.0, 2.0, curve, POINTS) == 0.0
        assert knob_position(math.inf, 1.0, 2.0, curve, POINTS) == knob_position(9.0, 1.0, 2.0, curve, POINTS) == 1.0
        assert knob_position(9.0, 2.0, 1.0, curve, POINTS) == 0.0


def test_what_is_no_number_is_shown_nowhere() -> None:
    assert knob_position(math.nan, 0.0, 1.0, 0) is None


def test_a_curve_that_turns_back_is_met_where_it_first_has_the_value_or_comes_nearest() -> None:
    turning = [(0.0, 0.0), (0.5, 0.8), (1.0, 0.4)]
    points = CURVES.index("points")
    assert knob_position(0.4, 0.0, 1.0, points, turning) == 0.25
    assert knob_position(1.0, 0.0, 1.0, points, turning) == 0.5
