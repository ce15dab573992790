"""Saving changes what was played and nothing else, and the file builds the same program, bit for bit."""

import math
import os
import struct
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tomlkit.exceptions import TOMLKitError

from instrument.engine.parameters import ADDRESSES, INDEX
from instrument.engine.program import Program
from instrument.patch.build import build_program
from instrument.patch.editing.save import same_program, save_patch, text_with
from instrument.patch.editing.value_edits import toml_number
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import load_patch, patch_from_text

PATCH = """# The tide, as the buoy feels it.
schema = 1   # of the file format
title = "low tide"

[mix]
mode = "turns"  # one after the other

[[layer]]
name = "buoy"
[layer.source]
kind = "harmonic"
preset = "rose"  # opened by cc 1
petals = 3
[layer.pen]
frequency = "3*55"  # a fifth above
[layer.place]
scale = [1, 2.0,   "1/0"]
spin = { y = 0.5 }
move.x = 0.1

[[layer]]
level = 1
[layer.source]
kind = "harmonic"
x = [{ amplitude = 1, ratio = 1, phase = 0.25 }, {}]
[[layer.source.y]]
amplitude = 1 # plain
[[layer.source.z]]
ratio = 2

[[layer]]
source = { kind = "path", preset = "star" }
place = { size = 0.5 }

[[modulator]]
name = "tide"
rate = 0.1

[[link]]
modulator = "tide"
parameter = "layer.1.source.x.5.amplitude"
depth = 0.1

[[control]]
message = "cc"
number = 1
parameter = "layer.1.place.spin.y"
range = [0, 4]

[output]
ac = true
swap = 0
"""

OTHER_SPELLINGS = [
    "schema = 1\n",
    'schema = 1\nlayer = [{ source = { kind = "harmonic", preset = "circle" }, pen = { key = "A2" } }, {}]\n',
    "schema = 1\nmix.mode = 1\noutput.gain.x = 2\noutput.level = 0.5\n[[layer]]\npen.key = 3\nplace.scale.x = 2\n",
    'schema = 1\n[[layer]]\n[[modulator]]\n[[layer]]\nlevel = 2\n[values]\n"layer.1.level" = 3\nmod.5.rate = 2\n',
    "schema = 1\r\n[[layer]]\r\nlevel = 0.5 # half\r\n[layer.place.scale]\r\nx = 1\r\n",
    '[values]\n"layer.1.level" = 2\n[output.gain]\ny = 3\n[output]\nlevel = 1\n[[layer]]\n[mix]\nmode = "sum"\n[[link]]\n'
    'modulator = 1\nparameter = "layer.1.level"\n[[modulator]]\n'.replace("[values]", "schema = 1\n[values]", 1),
]

EXTREMES = [
    0.0,
    -0.0,
    5e-324,
    -2.2250738585072011e-308,
    1e308,
    -1e308,
    math.inf,
    -math.inf,
    math.nan,
    1.0,
    2.0,
    0.1,
]
NUMBERS = st.sampled_from([*EXTREMES, math.copysign(math.nan, -1.0)]) | st.floats()
USED = [
    address
    for address in ADDRESSES
    if address.startswith(("layer.1.", "layer.2.", "layer.3.place", "mod.1.", "link.1.", "mix", "output"))
]
CHANGES = st.dictionaries(st.sampled_from(USED) | st.sampled_from(ADDRESSES), NUMBERS, max_size=12)


def program_with(text: str, values: dict[str, float]) -> Program:
    program = build_program(patch_from_text(text))
    for address, value in values.items():
        program.record["base"][INDEX[address]] = value
    return program


@settings(max_examples=50, deadline=None)
@given(CHANGES)
def test_the_saved_text_builds_the_same_program_bit_for_bit(values: dict[str, float]) -> None:
    saved = build_program(patch_from_text(text_with(patch_from_text(PATCH), values)))
    wanted = program_with(PATCH, values)
    assert same_program(saved, wanted)
    for address, value in values.items():
        kept = float(saved.record["base"][INDEX[address]])
        assert struct.pack("<d", kept) == struct.pack("<d", value) or (math.isnan(kept) and math.isnan(value))
        assert math.copysign(1, kept) == math.copysign(1, value)


@pytest.mark.parametrize("text", OTHER_SPELLINGS)
@settings(max_examples=30, deadline=None)
@given(values=CHANGES)
def test_however_the_file_is_written(text: str, values: dict[str, float]) -> None:
    saved = patch_from_text(text_with(patch_from_text(text), values))
    assert same_program(build_program(saved), program_with(text, values))


@settings(max_examples=30, deadline=None)
@given(CHANGES, CHANGES)
def test_saving_again_is_as_exact_as_saving_once(first: dict[str, float], second: dict[str, float]) -> None:
    once = patch_from_text(text_with(patch_from_text(PATCH), first))
    twice = patch_from_text(text_with(once, second))
    assert same_program(build_program(twice), program_with(PATCH, {**first, **second}))


def test_the_comparison_sees_a_single_bit() -> None:
    assert not same_program(program_with(PATCH, {"layer.1.level": -0.0}), program_with(PATCH, {"layer.1.level": 0.0}))
    assert not same_program(
        program_with(PATCH, {}), program_with(PATCH.replace("range = [0, 4]", "range = [0, 5]"), {})
    )
    assert not same_program(program_with(PATCH, {}), program_with(PATCH.replace('"star"', '"cube"'), {}))


def test_values_that_are_there_already_change_no_letter() -> None:
    program = build_program(patch_from_text(PATCH))
    values = dict(zip(ADDRESSES, program.record["base"].tolist(), strict=True))
    assert text_with(patch_from_text(PATCH), values) == PATCH


@pytest.mark.parametrize(
    ("address", "value", "old", "new"),
    [
        ("layer.1.pen.frequency", 110.0, '"3*55"  # a fifth', "110.0  # a fifth"),
        ("layer.1.place.scale.x", 3.0, "[1, 2.0,   ", "[3, 2.0,   "),
        ("layer.1.place.scale.x", -0.0, "[1, 2.0,   ", "[-0.0, 2.0,   "),
        ("layer.1.place.scale.z", -math.inf, '"1/0"', "-inf"),
        ("layer.1.place.spin.y", 1e308, "{ y = 0.5 }", "{ y = 1e+308 }"),
        ("layer.1.place.move.x", 0.25, "move.x = 0.1", "move.x = 0.25"),
        ("layer.2.level", 2.0, "level = 1\n", "level = 2\n"),
        ("layer.2.level", 0.5, "level = 1\n", "level = 0.5\n"),
        ("layer.2.source.x.1.phase", 0.5, "phase = 0.25", "phase = 0.5"),
        ("layer.2.source.y.1.amplitude", 5e-324, "amplitude = 1 # plain", "amplitude = 5e-324 # plain"),
        ("layer.3.place.size", math.nan, "size = 0.5", "size = nan"),
        ("mix.mode", 0.0, '"turns"  #', '"sum"  #'),
        ("mix.mode", 0.5, '"turns"  #', "0.5  #"),
        ("output.ac", 0.0, "ac = true", "ac = false"),
        ("output.ac", 0.5, "ac = true", "ac = 0.5"),
        ("output.swap", 1.0, "swap = 0", "swap = 1"),
        ("mod.1.rate", 3.0, "rate = 0.1", "rate = 3.0"),
        ("link.1.depth", 0.0, "depth = 0.1", "depth = 0.0"),
        ("mod.1.shape", 2.0, "rate = 0.1\n", 'rate = 0.1\nshape = "saw"\n'),
        ("layer.1.pen.bend", 2.0, "a fifth above\n", "a fifth above\nbend = 2.0\n"),
        ("output.gain.x", 2.0, "swap = 0\n", "swap = 0\ngain = {x = 2.0}\n"),
    ],
)
def test_one_number_is_replaced_in_its_own_manner(address: str, value: float, old: str, new: str) -> None:
    assert PATCH.count(old) == 1
    assert text_with(patch_from_text(PATCH), {address: value}) == PATCH.replace(old, new)


def test_a_term_of_a_figure_is_written_out_beside_its_name() -> None:
    text = text_with(patch_from_text(PATCH), {"layer.1.source.y.1.phase": 0.125})
    assert 'preset = "rose"  # opened by cc 1\n' in text
    assert "y = [{amplitude = -0.5, ratio = 1.0, phase = 0.125}, {amplitude = 0.5, ratio = 2.0, phase = 0.0}]\n" in text


def test_what_has_no_field_in_the_file_goes_into_the_table_of_values() -> None:
    text = text_with(patch_from_text(PATCH), {"layer.5.level": 0.5, "layer.3.source.x.2.ratio": math.inf})
    assert text == PATCH + '\n[values]\n"layer.3.source.x.2.ratio" = inf\n"layer.5.level" = 0.5\n'


class TestWithoutTheEditor:
    """The way by lines, for a file that tomlkit does not take."""

    @pytest.fixture(autouse=True)
    def _no_editor(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(*_: object) -> str:
            raise TOMLKitError("no")

        monkeypatch.setattr("instrument.patch.editing.save.with_values", refuse)

    def test_the_values_go_to_the_end(self) -> None:
        text = text_with(patch_from_text(PATCH), {"layer.2.level": 0.5})
        assert text == PATCH + '\n[values]\n"layer.2.level" = 0.5\n'

    def test_a_table_that_is_there_is_kept_up(self) -> None:
        before = PATCH.replace("[mix]", '[values]\n# mine\n"layer.2.level" = 0.5\n\n[mix]')
        text = text_with(patch_from_text(before), {"layer.2.level": -0.0, "layer.1.pen.bend": math.inf})
        new = '[values]\n"layer.1.pen.bend" = inf\n# mine\n"layer.2.level" = -0.0\n\n[mix]'
        assert text == PATCH.replace("[mix]", new)

    @given(CHANGES)
    @settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_the_text_builds_the_same_program_bit_for_bit(self, values: dict[str, float]) -> None:
        saved = patch_from_text(text_with(patch_from_text(PATCH), values))
        assert same_program(build_program(saved), program_with(PATCH, values))

    def test_if_that_fails_too_nothing_is_lost_and_it_is_said(self) -> None:
        patch = patch_from_text(PATCH.replace("[mix]", 'values = { "layer.2.level" = 0.5 }\n[mix]'))
        with pytest.raises(PatchError, match="the values cannot be written into this text"):
            text_with(patch, {"layer.2.level": 1.0})


def test_an_unknown_address_is_refused() -> None:
    with pytest.raises(KeyError, match="no parameter"):
        text_with(patch_from_text(PATCH), {"layer.9.level": 1.0})


@given(NUMBERS)
def test_a_number_in_toml_has_the_same_bits(value: float) -> None:
    patch = patch_from_text(f"schema = 1\noutput.level = {toml_number(value)}\n")
    assert math.isnan(value) or struct.pack("<d", patch.output.level) == struct.pack("<d", value)
    assert math.copysign(1, patch.output.level) == math.copysign(1, value)


class TestFile:
    @pytest.fixture
    def path(self, tmp_path: Path) -> Path:
        path = tmp_path / "tide.toml"
        path.write_bytes(PATCH.encode())
        return path

    def test_a_patch_is_saved_where_it_came_from_time_after_time(self, path: Path) -> None:
        patch = load_patch(path)
        for level in (0.5, 0.25):
            save_patch(patch, {"layer.2.level": level}, path)
            assert load_patch(path).layer[1].level == level

    def test_saving_elsewhere_leaves_the_old_file_alone(self, path: Path) -> None:
        patch = load_patch(path)
        other = path.with_name("ebb.toml")
        save_patch(patch, {"layer.2.level": 0.5}, other)
        assert path.read_text() == PATCH
        assert (load_patch(other).layer[1].level, patch.path) == (0.5, other)

    def test_an_edit_made_meanwhile_is_not_undone(self, path: Path) -> None:
        patch = load_patch(path)
        edited = PATCH.replace("low tide", "high tide")
        path.write_text(edited)
        with pytest.raises(PatchError, match=r"the file was changed since it was loaded.*Save under another name\."):
            save_patch(patch, {"layer.2.level": 0.5}, path)
        assert path.read_text() == edited
        save_patch(patch, {"layer.2.level": 0.5}, path.with_name("other.toml"))

    def test_a_folder_that_is_not_there_is_named(self, path: Path) -> None:
        with pytest.raises(PatchError, match=r"the file cannot be written \(No such file or directory\)"):
            save_patch(load_patch(path), {}, path.parent / "nowhere" / "x.toml")

    def test_a_failure_while_writing_leaves_the_old_file_and_no_other(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def full(_: int) -> None:
            raise OSError(28, "No space left on device")

        patch = load_patch(path)
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(PatchError, match=r"No space left on device.*The old file is unchanged"):
            save_patch(patch, {"layer.2.level": 0.5}, path)
        assert path.read_text() == PATCH
        assert list(path.parent.iterdir()) == [path]
        assert patch.text == PATCH
