"""Controls are written into a text and taken out of it, and everything else stays as it is, to the last blank."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.patch.editing.control_tables import with_control, with_controls, without_control

NEW = {"message": "cc", "channel": 1, "number": 3, "parameter": "output.level", "range": [0.0, 1.5]}
TEXT = """schema = 1  # one

[[layer]]
name = "a" # x

[[control]] # the wheel
message = "cc"
number = 1
parameter = "output.level"
points = [
  [0, 0], # begin
  [1, 1],
]

# values of the tide
[values]
"layer.1.level" = 0.5
"""
INLINE = 'schema = 1\ncontrol = [\n  { message = "cc", number = 1, action = "next" }, # on\n]\n'
TEXTS = [
    TEXT,
    INLINE,
    "schema = 1",
    "schema = 1\n[values]\n",
    TEXT + '\n[[control]]\nmessage = "bend"\naction = "next"\n',
]


@pytest.mark.parametrize("text", TEXTS)
def test_a_control_is_added_behind_the_others_and_nothing_else_changes(text: str) -> None:
    before, after = tomllib.loads(text), tomllib.loads(with_control(text, NEW))
    assert after.pop("control") == [*before.pop("control", []), NEW]
    assert after == before


@pytest.mark.parametrize("text", [TEXT, "schema = 1\n", "schema = 1\n[values]\n"])
def test_what_was_added_last_can_be_taken_out_again_without_a_trace(text: str) -> None:
    count = len(tomllib.loads(text).get("control", []))
    assert without_control(with_control(text, NEW), count) == text


def test_comments_of_others_stay_where_they_are() -> None:
    text = without_control(with_control(TEXT, NEW), 0)
    assert "# values of the tide\n[values]\n" in text
    assert "# the wheel" not in text
    assert [control["number"] for control in tomllib.loads(text)["control"]] == [3]


def test_a_control_that_gives_way_is_replaced() -> None:
    text = with_control(TEXT, NEW, lambda control: control["number"] == 1)
    assert tomllib.loads(text)["control"] == [NEW]


def test_one_that_is_not_there_cannot_be_taken_out() -> None:
    with pytest.raises(IndexError, match="no control 2"):
        without_control(TEXT, 1)


@given(st.lists(st.sampled_from(["add", 0, 1, 2]), max_size=8), st.sampled_from(TEXTS[:4]))
def test_any_order_of_teaching_and_taking_back_leaves_what_it_should(steps: list[object], text: str) -> None:
    wanted = tomllib.loads(text).get("control", [])
    for number, step in enumerate(steps):
        if step == "add":
            text = with_controls(text, [{**NEW, "number": number}])
            wanted = [*wanted, {**NEW, "number": number}]
        elif isinstance(step, int) and step < len(wanted):
            text = without_control(text, step)
            wanted = wanted[:step] + wanted[step + 1 :]
    assert tomllib.loads(text).get("control", []) == wanted
