"""A controller file serves every patch, behind what the patch has of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from instrument.engine.memory.layout import CONTROLS
from instrument.patch.controller_file import (
    EMPTY,
    ControllerFile,
    controller_from_text,
    load_controller,
    serving_controls,
)
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import patch_from_text

FILE = Path("desk.toml")


def controller(*controls: str) -> ControllerFile:
    tables = "".join(f"[[control]]\n{control}\n" for control in controls)
    return controller_from_text(f"schema = 1\n{tables}", FILE)


def served(patch: str, *controls: str) -> tuple[int, ...]:
    return serving_controls(patch_from_text(f"schema = 1\n{patch}"), controller(*controls))


def control(message: str, **more: object) -> str:
    lines = [f'message = "{message}"', *[f"{key} = {value!r}" for key, value in more.items()]]
    return "\n".join(lines) + '\nparameter = "output.level"'


@pytest.mark.parametrize(
    ("own", "other", "serves"),
    [
        (control("cc", number=7), control("cc", number=8), True),
        (control("cc", number=7), control("cc", number=7), False),
        (control("cc", number=7, channel=1), control("cc", number=7, channel=2), True),
        (control("cc", number=7, channel=1), control("cc", number=7), False),
        (control("cc", number=39), control("cc14", number=7), False),
        (control("cc14", number=7), control("cc", number=7), False),
        (control("cc14", number=7), control("cc", number=8), True),
        (control("note"), control("pad", number=36), True),
        (control("pad"), control("pad", number=36), False),
        (control("bend"), control("bend"), False),
    ],
)
def test_what_a_patchs_own_control_listens_to_is_left_to_the_patch(own: str, other: str, serves: bool) -> None:
    assert served(f"[[control]]\n{own}\n", other) == ((0,) if serves else ())


def test_controls_of_what_a_patch_has_not_are_left_out() -> None:
    of_layer = 'message = "cc"\nnumber = 1\nparameter = "layer.2.level"'
    assert served("[[layer]]\n", of_layer, control("cc", number=2)) == (1,)
    assert served("[[layer]]\n[[layer]]\n", of_layer, control("cc", number=2)) == (0, 1)


def test_what_finds_no_room_is_left_out() -> None:
    own = "".join(f"[[control]]\n{control('nrpn', number=k)}\n" for k in range(CONTROLS - 1))
    assert served(own, control("cc", number=1), control("cc", number=2)) == (0,)


def test_a_file_that_is_not_there_is_empty(tmp_path: Path) -> None:
    assert load_controller(tmp_path / "none.toml").text == EMPTY


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("schema = 1\ncontrl = []\n", 'line 2: contrl is not a field; .* Did you mean control'),
        ("schema = 1\nmidi = 'faders'\n", "line 2: midi is \"faders\"; it takes a list of names"),
        ("schema = 1\nmidi = ['']\n", "line 2: midi.1 is \"\"; it takes the name of a MIDI input"),
        ("schema = 1\n[[control]]\nmessage = 'cc'\nnumber = 1\nparameter = 'layer.1.levle'\n", "line 5: control.1.parameter"),
        ("[[control]]\n", "schema, the version of the file format, is missing"),
        ("schema = \n", "line 1: column 10 is not TOML"),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_its_line(text: str, said: str) -> None:
    with pytest.raises(PatchError, match=f"desk.toml.*{said}"):
        controller_from_text(text, FILE)
