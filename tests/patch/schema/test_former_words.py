"""Words of earlier patch files are refused with what they are called now, and taken where a take is read."""

from pathlib import Path

import pytest

from instrument.engine.parameters import FORMER_ADDRESSES, INDEX, ROWS, index_of
from instrument.patch.build import build_program, load_program
from instrument.patch.controller_file import load_controller
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import load_patch, patch_from_text

PATCH = """schema = 1
[[layer]]
[layer.source]
kind = "path"
preset = "star"
[layer.notes]
mode = "poly"
size_by_velocity = 0.5
size_by_pressure = 1
[[layer.form]]
kind = "gaps"
gates = 9
[[layer.form]]
kind = "billow"
[[modulator]]
[[link]]
modulator = 1
parameter = "layer.1.form.gaps.phase"
[[control]]
message = "cc"
number = 1
parameter = "layer.1.form.billow.waves"
grip = "catch"
[[control]]
message = "cc"
number = 2
parameter = "layer.1.level"
grip = "proportional"
[[snapshot]]
values = { "layer.1.notes.size_by_velocity" = 1 }
[values]
"layer.1.form.gaps.amount" = 0.25
layer.1.notes.size_by_pressure = 0.125
"""

# Present text, earlier text, line, and the sentence after the line.
EARLIER = [
    (
        "size_by_velocity = 0.5",
        "touch = 0.5",
        8,
        "layer.1.notes.touch is called size_by_velocity now. Write size_by_velocity = 0.5.",
    ),
    (
        "size_by_pressure = 1",
        'press = "1/2"',
        9,
        'layer.1.notes.press is called size_by_pressure now. Write size_by_pressure = "1/2".',
    ),
    ('"gaps"', '"chop"', 11, 'layer.1.form.1.kind is "chop", which is called "gaps" now.'),
    ('"billow"', '"ripple"', 14, 'layer.1.form.2.kind is "ripple", which is called "billow" now.'),
    ('grip = "catch"', 'takeover = "pickup"', 23, 'control.1.takeover is called grip now. Write grip = "catch".'),
    ('"catch"', '"pickup"', 23, 'control.1.grip is "pickup", which is called "catch" now.'),
    ('"proportional"', '"scaled"', 28, 'control.2.grip is "scaled", which is called "proportional" now.'),
    (
        '"layer.1.form.gaps.phase"',
        '"layer.1.form.chop.phase"',
        18,
        'link.1.parameter is "layer.1.form.chop.phase", which is called "layer.1.form.gaps.phase" now.',
    ),
    (
        '"layer.1.form.billow.waves"',
        '"layer.1.form.ripple.waves"',
        22,
        'control.1.parameter is "layer.1.form.ripple.waves", which is called "layer.1.form.billow.waves" now.',
    ),
    (
        '"layer.1.notes.size_by_velocity"',
        '"layer.1.notes.touch"',
        30,
        "snapshot.1.values.layer.1.notes.touch is called layer.1.notes.size_by_velocity now.",
    ),
    (
        '"layer.1.form.gaps.amount"',
        '"layer.1.form.chop.amount"',
        32,
        "layer.1.form.chop.amount is called layer.1.form.gaps.amount now.",
    ),
    (
        "layer.1.notes.size_by_pressure = 0.125",
        "layer.1.notes.press = 0.125",
        33,
        "layer.1.notes.press is called layer.1.notes.size_by_pressure now.",
    ),
]


@pytest.mark.parametrize(("present", "earlier", "line", "sentence"), EARLIER, ids=[row[1] for row in EARLIER])
def test_an_earlier_word_is_refused_with_the_present_one(
    present: str, earlier: str, line: int, sentence: str, tmp_path: Path
) -> None:
    file = tmp_path / "tide.toml"
    file.write_text(PATCH.replace(present, earlier, 1))
    with pytest.raises(PatchError) as caught:
        load_patch(file)
    assert str(caught.value) == f"{file}, line {line}: {sentence}"


@pytest.mark.parametrize(("present", "earlier"), [row[:2] for row in EARLIER], ids=[row[1] for row in EARLIER])
def test_a_take_means_by_an_earlier_word_what_the_present_one_means(present: str, earlier: str) -> None:
    # The value that the case writes beside its word is the same in both texts.
    text = PATCH.replace(present, "size_by_pressure = 0.5" if earlier.startswith("press =") else present, 1)
    found = patch_from_text(PATCH.replace(present, earlier, 1), as_it_was=True)
    assert build_program(found).record.tobytes() == build_program(patch_from_text(text)).record.tobytes()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (PATCH.replace('grip = "catch"', 'grip = "catch"\ntakeover = "scaled"'), "control.1.takeover is not a field"),
        (PATCH.replace('"billow"', '"chop"'), "a layer passes each kind of form once, and gaps stands here again"),
        (PATCH.replace('"gaps"', '"chops"'), "a form takes"),
    ],
)
def test_a_take_that_says_a_thing_twice_or_wrongly_is_refused_like_any_patch(text: str, said: str) -> None:
    with pytest.raises(PatchError, match=said):
        patch_from_text(text, as_it_was=True)


def test_a_controller_file_is_told_the_same(tmp_path: Path) -> None:
    file = tmp_path / "controls.toml"
    file.write_text(
        'schema = 1\n[[control]]\nmessage = "cc"\nnumber = 7\nparameter = "output.level"\ntakeover = "scaled"\n'
    )
    with pytest.raises(PatchError) as caught:
        load_controller(file)
    assert str(caught.value) == f'{file}, line 6: control.1.takeover is called grip now. Write grip = "proportional".'


def test_an_earlier_address_typed_beside_a_patch_is_told_the_present_one(tmp_path: Path) -> None:
    file = tmp_path / "tide.toml"
    file.write_text(PATCH)
    with pytest.raises(ValueError, match=r"layer\.1\.notes\.press is called layer\.1\.notes\.size_by_pressure now"):
        load_program(file, ["layer.1.notes.press=1"])


def test_no_earlier_address_is_a_present_one_and_each_leads_to_its_parameter() -> None:
    assert not FORMER_ADDRESSES.keys() & INDEX.keys()
    assert FORMER_ADDRESSES["layer.8.form.chop.rest"] == "layer.8.form.gaps.rest"
    for former, present in FORMER_ADDRESSES.items():
        assert any(former.endswith(word) for word in ROWS[index_of(present)].formerly)
