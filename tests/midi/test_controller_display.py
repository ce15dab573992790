"""Which controls of a program a controller can show, and what."""

from __future__ import annotations

import pytest

from instrument.engine.memory.layout import ACTIONS, SWITCH_OFF, SWITCH_ON
from instrument.midi.controller_display import Face, shown_controls
from tests.engine.playing import listen_to, one_circle

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
    shown = shown_controls(program.record)[Face("pad", -1, 36)]
    assert shown.wanted(0.0, lights) == (127 if lit else 0)


@pytest.mark.parametrize("action", ["next", "panic", "tap", "gesture"])
def test_an_action_that_has_no_state_lights_nothing(action: str) -> None:
    program = one_circle()
    listen_to(program, "pad", X, 0, 1, number=36, action=ACTIONS.index(action), argument=1)
    assert shown_controls(program.record) == {}


def test_a_choice_that_the_message_itself_makes_lights_nothing() -> None:
    program = one_circle()
    listen_to(program, "cc", X, 0, 1, number=36, action=ACTIONS.index("patch"), argument=float("nan"))
    assert shown_controls(program.record) == {}


def test_of_several_controls_of_one_knob_the_first_is_shown() -> None:
    program = one_circle()
    listen_to(program, "cc", X, 0, 1, number=7)
    listen_to(program, "cc", "output.offset.y", 0, 1, number=7, channel=3)
    listen_to(program, "cc", "output.offset.y", 0, 1, number=8, channel=3)
    assert list(shown_controls(program.record)) == [Face("cc", -1, 7), Face("cc", 3, 8)]
