"""What is moved becomes a control of the patch, or of every patch, and can be taken back."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import pytest

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import ACTIONS
from instrument.patch.controller_file import load_controller
from instrument.repertoire.controls_file import VARIABLE, controls_file, use_controls_file
from instrument.repertoire.loading import LoadedPatch, read_patch
from instrument.workbench.learning import Learning

if TYPE_CHECKING:
    from pathlib import Path

PATCH = """schema = 1
title = "Quay"
# the keys
[[control]]
message = "cc"
number = 1
parameter = "output.offset.x"
[[layer]]
"""


class Rehearsal:
    """An instrument that plays one patch, changed as the stage would change it, and a hand on a controller."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.engine = Engine(48_000)
        self.patch: LoadedPatch = read_patch(path)
        self.engine.play(self.patch.program)
        self.asked: list[dict[str, Any]] = []
        self.said: list[str] = []
        self.learning = Learning(self.engine, lambda: self.patch, self.asked.append, self.said.append)
        self.pass_time(0.01)

    def read_again(self) -> None:
        self.patch = read_patch(self.path)
        self.engine.play(self.patch.program, carry=True)

    def pass_time(self, seconds: float) -> None:
        self.engine.render(round(seconds * 48_000))
        self.learning.poll()

    def move(self, *messages: tuple[int, ...]) -> None:
        for message in messages:
            self.engine.push(midi_event(0, *message))
            self.engine.render(480)
        self.learning.poll()

    def learn(self, *messages: tuple[int, ...], **target: Any) -> None:
        self.learning.ask({"do": "learn", **target})
        self.move(*messages)
        self.pass_time(0.6)
        self.pass_time(1.0)
        self.read_again()


@pytest.fixture
def rehearsal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Rehearsal:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "desk" / "controls.toml"))
    path = tmp_path / "quay.toml"
    path.write_text(PATCH)
    return Rehearsal(path)


FADER = [(0xB2, 21, value) for value in range(10, 90, 5)]


def test_a_fader_that_is_moved_becomes_a_control_of_the_patch(rehearsal: Rehearsal) -> None:
    rehearsal.learn(*FADER, address="layer.1.place.spin.y")
    assert rehearsal.asked == [
        {
            "do": "add",
            "path": ["control"],
            "value": {
                "message": "cc",
                "channel": 3,
                "number": 21,
                "parameter": "layer.1.place.spin.y",
                "range": [-2.0, 2.0],
            },
        }
    ]
    assert rehearsal.said == [
        "move the control that is to do layer.1.place.spin.y.",
        "cc 21 of channel 3 now does layer.1.place.spin.y in this patch.",
    ]
    assert rehearsal.learning.state["learning"] is None


def test_the_same_control_for_the_same_use_replaces_what_was_there(rehearsal: Rehearsal) -> None:
    rehearsal.learn(*[(0xB0, 1, value) for value in range(10, 90, 5)], address="output.offset.x")
    assert rehearsal.asked[0]["do"] == "add"  # the patch's own listens to any channel
    text = PATCH.replace("number = 1", "number = 1\nchannel = 1")
    rehearsal.path.write_text(text)
    rehearsal.read_again()
    rehearsal.learn(*[(0xB0, 1, value) for value in range(90, 10, -5)], address="output.offset.x")
    assert (rehearsal.asked[1]["do"], rehearsal.asked[1]["path"]) == ("edit", ["control", 0])


def test_a_control_of_every_patch_is_written_and_acts_at_once(rehearsal: Rehearsal) -> None:
    rehearsal.learn(*FADER, address="output.level", all=True)
    path = rehearsal.path.parent / "desk" / "controls.toml"
    assert [control.number for control in load_controller(path).control] == [21]
    rehearsal.move((0xB2, 21, 0))
    rehearsal.pass_time(0.1)
    assert rehearsal.engine.value("output.level") == 0.0
    assert [control["all"] for control in rehearsal.patch.controls] == [False, True]


def test_several_targets_of_one_control_and_several_controls_of_one_target_are_kept(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.learn(*FADER, address="output.level", all=True)
    rehearsal.learn(*FADER, address="layer.1.level", all=True)
    rehearsal.learn((0xB0, 9, 10), (0xB0, 9, 90), (0xB0, 9, 20), address="layer.1.level", all=True)
    controls = tomllib.loads((rehearsal.path.parent / "desk" / "controls.toml").read_text())["control"]
    assert [(control["number"], control["parameter"]) for control in controls] == [
        (21, "output.level"),
        (21, "layer.1.level"),
        (9, "layer.1.level"),
    ]


def test_what_was_taught_last_is_taken_back_first(rehearsal: Rehearsal) -> None:
    rehearsal.learn(*FADER, address="output.level", all=True)
    rehearsal.learn(*FADER, address="layer.1.level", all=True)
    rehearsal.learning.ask({"do": "unlearn"})
    path = rehearsal.path.parent / "desk" / "controls.toml"
    assert [control.parameter for control in load_controller(path).control] == ["output.level"]
    rehearsal.learning.ask({"do": "unlearn"})
    assert load_controller(path).control == []
    rehearsal.learning.ask({"do": "unlearn"})
    assert rehearsal.said[-1] == "nothing was taught that could be taken back."


def test_a_control_is_taken_out_by_its_place_in_the_list_that_is_shown(rehearsal: Rehearsal) -> None:
    rehearsal.learn(*FADER, address="output.level", all=True)
    rehearsal.learning.ask({"do": "unlearn", "control": 0})
    assert rehearsal.asked == [{"do": "remove", "path": ["control", 0]}]
    rehearsal.learning.ask({"do": "unlearn", "control": 1})
    assert load_controller(rehearsal.path.parent / "desk" / "controls.toml").control == []
    rehearsal.learning.ask({"do": "unlearn", "control": 7})
    assert rehearsal.said[-1] == "there is no control 7 to take out; this patch has 2."


@pytest.mark.parametrize("action", ACTIONS[1:])
def test_every_action_can_be_taught_to_a_pad(rehearsal: Rehearsal, action: str) -> None:
    rehearsal.learn((0x99, 36, 100), (0x89, 36, 0), action=action, choose=2)
    wanted = {"message": "pad", "channel": 10, "number": 36, "action": action}
    value = rehearsal.asked[0]["value"]
    assert {key: value[key] for key in wanted} == wanted


@pytest.mark.parametrize(
    ("address", "messages", "wanted"),
    [
        ("output.ac", [(0xB0, 20, 127), (0xB0, 20, 0)], {"manner": "toggle", "range": [0.0, 1.0]}),
        ("output.ac", [(0xB0, 20, 127)], {"range": [0.0, 1.0]}),
        ("layer.1.pen.key", [(0x90, 60, 90)], {"message": "note"}),
        ("layer.1.pen.frequency", FADER, {"range": [27.5, 1760.0], "curve": "exp"}),
        ("layer.1.pen.bend", [(0xE0, 0, 64 + k) for k in range(20)], {"message": "bend"}),
        ("layer.1.place.turn.x", [(0xB0, 5, 1)] * 4 + [(0xB0, 5, 127)] * 4, {"manner": "relative_twos", "acceleration": 4.0, "range": [0.0, 1.0]}),
        ("layer.1.pen.direction", [(0xB0, 5, 65)] * 4 + [(0xB0, 5, 63)] * 4, {"manner": "relative_offset", "step": 0.5, "range": [0.0, 2.0]}),
        ("mix.mode", [(0xB0, 5, 1)] * 4 + [(0xB0, 5, 65)] * 4, {"manner": "relative_sign", "step": 1.0, "range": [0.0, 1.0]}),
    ],
)  # fmt: skip
def test_the_range_curve_and_manner_suit_the_parameter_and_the_kind_of_control(
    rehearsal: Rehearsal, address: str, messages: list[tuple[int, ...]], wanted: dict[str, Any]
) -> None:
    rehearsal.learn(*messages, address=address)
    value = rehearsal.asked[0]["value"]
    assert {key: value.get(key) for key in wanted} == wanted
    assert {"manner", "curve", "range", "acceleration", "step"} & value.keys() == wanted.keys() - {"message"}


def test_a_range_is_wide_enough_for_the_value_that_is_there(rehearsal: Rehearsal) -> None:
    rehearsal.engine.set("layer.1.place.spin.y", 9.0, at_once=True)
    rehearsal.learn(*FADER, address="layer.1.place.spin.y")
    assert rehearsal.asked[0]["value"]["range"] == [-2.0, 9.0]


def test_messages_that_no_control_uses_are_shown_and_others_are_not(rehearsal: Rehearsal) -> None:
    rehearsal.move((0xB0, 1, 5), (0xB0, 33, 6), (0xB4, 2, 7), (0x90, 60, 100), (0x80, 60, 0))
    assert rehearsal.learning.state["heard"] == [
        {"message": "cc", "channel": 1, "number": 33, "value": 6},
        {"message": "cc", "channel": 5, "number": 2, "value": 7},
        {"message": "pad", "channel": 1, "number": 60, "value": 100},
    ]


def test_learning_can_be_given_up(rehearsal: Rehearsal) -> None:
    rehearsal.learning.ask({"do": "learn", "address": "output.level"})
    assert rehearsal.learning.state["learning"] == {"address": "output.level", "all": False, "hint": ""}
    rehearsal.learning.ask({"do": "forget"})
    rehearsal.move(*FADER)
    rehearsal.pass_time(2.0)
    assert (rehearsal.asked, rehearsal.learning.state["learning"]) == ([], None)


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        ({"address": "layer.1.levle"}, "no parameter 'layer.1.levle'; did you mean layer.1.level."),
        ({"action": "fly"}, "there is no action 'fly'; there are next,"),
    ],
)
def test_what_cannot_be_taught_is_one_sentence(rehearsal: Rehearsal, request_: dict[str, str], said: str) -> None:
    rehearsal.learning.ask({"do": "learn", **request_})
    assert rehearsal.said[0].startswith(said)


def test_a_controller_file_with_a_fault_is_refused_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, "")
    path = tmp_path / "desk.toml"
    path.write_text('schema = 1\n[[control]]\nmessage = "cc"\nnumber = 200\nparameter = "output.level"\n')
    with pytest.raises(
        ValueError, match=r"desk.toml, line 4: control.1.number is 200; it takes a number from 0 to 127"
    ):
        use_controls_file(path)


def test_a_broken_controller_file_is_left_alone_and_what_was_taught_can_still_be_taken_back(
    rehearsal: Rehearsal,
) -> None:
    rehearsal.learn(*FADER, address="layer.1.level", all=True)
    whole = controls_file().read_text()
    for broken in (b"[[control]\n", b"\xff"):
        controls_file().write_bytes(broken)
        rehearsal.learning.ask({"do": "unlearn"})
        assert controls_file().read_bytes() == broken
        assert controls_file().name in rehearsal.said[-1]
    controls_file().write_text(whole)
    rehearsal.learning.ask({"do": "unlearn"})
    assert load_controller(controls_file()).control == []
