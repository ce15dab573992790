"""A patch file is read, or refused with one sentence that names the file, the line, the field, the value and the mend."""

import os
import pickle
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.patch.build import build_program
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import load_patch, patch_from_text
from instrument.patch.schema.patch_schema import SCHEMA

GOOD = """schema = 1
title = "low tide"

[mix]
mode = "turns"

[[layer]]
name = "buoy"

[layer.source]
kind = "harmonic"
preset = "rose"
petals = 3

[layer.pen]
frequency = "A2"

[layer.place]
scale = [1, 2, "1/0"]

[[modulator]]
name = "tide"
rate = 0.1

[[link]]
modulator = "tide"
parameter = "layer.1.place.turn.z"
depth = 0.1

[[control]]
message = "cc"
number = 1
parameter = "layer.1.place.spin.y"
range = [0, 4]

[output]
ac = true

[values]
"layer.2.level" = 0.5
"""

NUMBER = 'it takes a number, or arithmetic in quotes such as "3*440"'
PATH = 'kind = "harmonic"\npreset = "rose"\npetals = 3'


def refused(text: str, file: str = "tide.toml") -> PatchError:
    with pytest.raises(PatchError) as caught:
        build_program(patch_from_text(text, file))
    return caught.value


def test_a_good_patch_is_read() -> None:
    patch = patch_from_text(GOOD)
    assert (patch.title, patch.layer[0].name, patch.layer[0].pen.frequency) == ("low tide", "buoy", 110.0)
    assert patch.layer[0].place.scale.z == float("inf")


# Old text, new text, line, field, and the sentence after the line.
FAULTS = [
    (
        "petals = 3",
        "petal = 3",
        13,
        "layer.1.source.petal",
        (
            "layer.1.source.petal is not a field; this table takes kind, over, petals, preset, x, y and z. "
            "Did you mean petals?"
        ),
    ),
    (
        'name = "buoy"',
        "frequency = 110",
        8,
        "layer.1.frequency",
        (
            "layer.1.frequency is not a field; this table takes form, level, name, notes, pen, place and source. "
            "It belongs one table further down, as pen.frequency."
        ),
    ),
    ("title", "titel", 2, "titel", "titel is not a field; this table takes about, "),
    (
        "petals = 3",
        "petals = 3.5",
        13,
        "layer.1.source.petals",
        "layer.1.source.petals is 3.5; it takes a whole number from 1 to 10000.",
    ),
    (
        '"rose"',
        '"rise"',
        12,
        "layer.1.source.preset",
        (
            'layer.1.source.preset is "rise"; figures of kind harmonic are circle, lissajous, rose, epicycles, '
            "soft_polygon and torus_knot. Did you mean rose?"
        ),
    ),
    (
        '"rose"',
        '"star"',
        12,
        "layer.1.source.preset",
        (
            'layer.1.source.preset is "star"; figures of kind harmonic are circle, lissajous, rose, epicycles, '
            'soft_polygon and torus_knot. It is a figure of kind = "path".'
        ),
    ),
    (
        '"harmonic"',
        '"harmonics"',
        11,
        "layer.1.source.kind",
        (
            'layer.1.source.kind is "harmonics"; a source takes "harmonic", "path", "formula", "input", "superformula", "trochoid", '
            '"spiral", "phyllotaxis", "globe", "landscape" or "strings". '
            "Did you mean harmonic?"
        ),
    ),
    ('"A2"', "true", 16, "layer.1.pen.frequency", f"layer.1.pen.frequency is true; {NUMBER}."),
    ('"A2"', "[1]", 16, "layer.1.pen.frequency", f"layer.1.pen.frequency is [1]; {NUMBER}."),
    (
        '"A2"',
        '"A2^2"',
        16,
        "layer.1.pen.frequency",
        f'layer.1.pen.frequency is "A2^2"; {NUMBER} (a power is written **, not ^).',
    ),
    ('"1/0"', '"x"', 19, "layer.1.place.scale.3", f'layer.1.place.scale.3 is "x"; {NUMBER} (x is not known'),
    (
        '[1, 2, "1/0"]',
        "[1, 2]",
        19,
        "layer.1.place.scale",
        "layer.1.place.scale is [1, 2]; it takes 3 numbers, for x, y and z, not 2.",
    ),
    (
        '[1, 2, "1/0"]',
        "3",
        19,
        "layer.1.place.scale",
        "layer.1.place.scale is 3; it takes a number for each of x, y and z, as [0.5, 0.5, 0.5] or {z = 0.5}.",
    ),
    (
        '[1, 2, "1/0"]',
        "{x = 1, w = 2}",
        19,
        "layer.1.place.scale.w",
        "layer.1.place.scale.w is not a field; this table takes x, y and z.",
    ),
    (
        '"turns"',
        '"turn"',
        5,
        "mix.mode",
        'mix.mode is "turn"; it takes "sum" or "turns", or a number. Did you mean turns?',
    ),
    ("[mix]\nmode", "mix", 4, "mix", 'mix is "turns"; it takes a table'),
    (
        'modulator = "tide"',
        'modulator = "tied"',
        26,
        "link.1.modulator",
        'link.1.modulator is "tied"; the patch has 1 modulator, called tide. Did you mean tide?',
    ),
    (
        'modulator = "tide"',
        "modulator = 2",
        26,
        "link.1.modulator",
        "link.1.modulator is 2; the patch has 1 modulator",
    ),
    (
        "turn.z",
        "turm.z",
        27,
        "link.1.parameter",
        (
            'link.1.parameter is "layer.1.place.turm.z"; it takes the address of a parameter, such as '
            "layer.1.place.spin.y. Did you mean layer.1.place.turn.z?"
        ),
    ),
    (
        "layer.1.place.turn",
        "layer.2.place.turn",
        27,
        "link.1.parameter",
        'link.1.parameter is "layer.2.place.turn.z"; the patch has 1 layer. Add one with [[layer]].',
    ),
    (
        "depth = 0.1",
        'operation = "ad"',
        28,
        "link.1.operation",
        'link.1.operation is "ad"; it takes "add" or "multiply".',
    ),
    (
        "number = 1\n",
        "",
        30,
        "control.1.number",
        "control.1.number is missing; a cc control needs the number of the controller. Write, for example, number = 1.",
    ),
    ('"cc"', '"c"', 31, "control.1.message", 'control.1.message is "c"; it takes "cc", "note", "velocity", '),
    (
        '"cc"',
        '"bend"',
        32,
        "control.1.number",
        "control.1.number is 1; a bend message has no number. Take this line out.",
    ),
    (
        "number = 1\n",
        "number = 128\n",
        32,
        "control.1.number",
        "control.1.number is 128; it takes a number from 0 to 127",
    ),
    (
        "number = 1\n",
        "number = 1\nchannel = 0\n",
        33,
        "control.1.channel",
        "control.1.channel is 0; it takes a MIDI channel",
    ),
    ("[0, 4]", "[0]", 34, "control.1.range", "control.1.range is [0]; it takes two numbers"),
    (
        "[0, 4]",
        '[0, 4]\ncurve = "exp"',
        34,
        "control.1.range",
        (
            "control.1.range is [0, 4]; the curve exp needs both ends above 0, or both below. "
            "Start from a small number instead of 0, or use log."
        ),
    ),
    (
        "[0, 4]",
        '[0, 4]\ncurve = "points"',
        35,
        "control.1.curve",
        'control.1.curve is "points"; the curve points needs points',
    ),
    (
        "[0, 4]",
        "[0, 4]\npoints = [[0, 0], [2, 1]]",
        35,
        "control.1.points",
        "control.1.points is [[0, 0], [2, 1]]; the first",
    ),
    (
        "[0, 4]",
        "[0, 4]\npoints = [[0, 0], [1]]",
        35,
        "control.1.points.2",
        "control.1.points.2 is [1]; it takes at least two",
    ),
    ("ac = true", 'ac = "yes"', 37, "output.ac", f'output.ac is "yes"; {NUMBER} (yes is not known'),
    (
        '"layer.2.level"',
        '"layer.2.levle"',
        40,
        "values.layer.2.levle",
        "layer.2.levle is not a parameter; an address looks like layer.1.place.spin.y. Did you mean layer.2.level?",
    ),
    (
        '"layer.2.level" = 0.5',
        "layer.2.level = []",
        40,
        "values.layer.2.level",
        f"values.layer.2.level is []; {NUMBER}.",
    ),
    (
        'name = "tide"\n',
        'name = "tide"\n[[modulator]]\nname = "tide"\n',
        24,
        "modulator.2.name",
        'modulator.2.name is "tide", as',
    ),
    (
        PATH,
        'kind = "path"',
        10,
        "layer.1.source.points",
        "layer.1.source.points is missing; it must be written.",
    ),
    (
        PATH,
        'kind = "path"\npoints = [[0, 0],\n[1, nan]]',
        13,
        "layer.1.source.points.2",
        "layer.1.source.points.2 is [1, nan]; a drawing needs finite coordinates.",
    ),
    (
        PATH,
        'kind = "path"\npreset = "polygon"\ncorners = 6\nstep = 2',
        14,
        "layer.1.source.step",
        (
            "layer.1.source.step is 2; 6 corners taken 2 at a time are 2 separate figures; the two numbers must have no "
            "common divisor."
        ),
    ),
    (
        PATH,
        'kind = "harmonic"\nx = [{amplitude = 1}, {ration = 2}]',
        12,
        "layer.1.source.x.2.ration",
        "layer.1.source.x.2.ration is not",
    ),
    (
        'title = "low tide"',
        'title = "low tide"\nramp = -1',
        3,
        "ramp",
        "ramp is -1; it takes seconds from 0 to 60.",
    ),
    (
        "schema = 1",
        "schema = 2",
        1,
        "schema",
        "schema is 2; this Beamhand reads up to schema 1. Open it with a newer Beamhand.",
    ),
    (
        "schema = 1",
        'schema = "1"',
        1,
        "schema",
        'schema is "1"; it takes the version of the file format. Write schema = 1.',
    ),
    ("ac = true", "ac =", 37, "", "column 5 is not TOML: invalid value. The line reads: ac ="),
    ("[[layer]]", "[mix]", 7, "", "column 5 is not TOML: cannot declare"),
]


@pytest.mark.parametrize(("old", "new", "line", "field", "sentence"), FAULTS, ids=[str(fault[3]) for fault in FAULTS])
def test_a_fault_is_named_with_its_place_and_its_mend(old: str, new: str, line: int, field: str, sentence: str) -> None:
    assert old in GOOD
    error = refused(GOOD.replace(old, new, 1))
    assert (error.file, error.line, error.field) == ("tide.toml", line, field)
    assert str(error).startswith(f"tide.toml, line {line}: {sentence}")


def test_all_faults_are_kept_and_the_first_of_the_file_is_said() -> None:
    error = refused(GOOD.replace("petals = 3", "petals = 0").replace('"A2"', "true").replace('"turns"', '"turn"'))
    assert [problem.line for problem in error.problems] == [5, 13, 16]
    assert str(error).startswith("tide.toml, line 5: mix.mode")
    assert str(error).endswith("There are 2 more after it.")


@pytest.mark.parametrize(("table", "most"), [("layer", 8), ("modulator", 32), ("link", 64), ("control", 256)])
def test_more_than_the_engine_plays_is_refused(table: str, most: int) -> None:
    error = refused(f"schema = 1\n{table} = [{'{}, ' * (most + 1)}]\n")
    assert f"; it has {most + 1} of them, and a patch holds at most {most}." in str(error)


def test_more_terms_than_the_engine_plays_are_refused() -> None:
    error = refused(GOOD.replace(PATH, f'kind = "harmonic"\nx = [{"{}, " * 1025}]'))
    assert "it holds 1025 terms, and at most 1024 are played" in str(error)


@pytest.mark.parametrize(
    ("source", "address", "sentence"),
    [
        (
            'kind = "path"\npreset = "cube"',
            "source.x.1.phase",
            "layer 1 draws no harmonic terms, so it would",
        ),
        (PATH, "source.frame", "layer 1 draws no path, so it would move nothing."),
    ],
)
def test_what_would_move_nothing_is_refused(source: str, address: str, sentence: str) -> None:
    error = refused(GOOD.replace(PATH, source).replace("place.turn.z", address))
    assert error.field == "link.1.parameter"
    assert sentence in str(error)


def test_a_missing_version_is_asked_for() -> None:
    sentence = "schema, the version of the file format, is missing. Write schema = 1 on the first line."
    assert str(refused(GOOD.replace("schema = 1", ""))) == f"tide.toml: {sentence}"


def test_a_newer_file_is_not_blamed_for_what_is_new_in_it() -> None:
    error = refused(f'schema = {SCHEMA + 1}\nnovelty = "?"\n')
    assert len(error.problems) == 1
    assert "Open it with a newer Beamhand" in str(error)


@pytest.mark.parametrize("cut", range(len(GOOD.rstrip()) - 1, 11, -17))
def test_a_truncated_file_is_read_as_far_as_it_makes_sense_or_refused(cut: int) -> None:
    text = GOOD[:cut]
    line: int | None = 0
    try:
        build_program(patch_from_text(text, "tide.toml"))
    except PatchError as error:
        line = error.line
    assert line is not None
    assert line <= text.count("\n") + 1


def test_a_file_that_ends_within_a_value_ends_too_early() -> None:
    error = refused(GOOD[: GOOD.index("[1, 2") + 4])
    assert str(error).startswith("tide.toml, line 19: the file ends too early: ")


def test_brackets_without_end_are_refused() -> None:
    assert "this is not TOML that can be read" in str(refused("a = " + "[" * 100_000))


@given(st.binary(max_size=200))
def test_any_bytes_are_a_patch_or_one_clear_error(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(data)
    with pytest.raises(PatchError) as caught:
        load_patch(path)
    assert str(caught.value).startswith(str(path))


class TestFiles:
    def test_what_is_read_remembers_its_file_and_text(self, tmp_path: Path) -> None:
        path = tmp_path / "tide.toml"
        path.write_text(GOOD)
        patch = load_patch(path)
        assert (patch.path, patch.text) == (path, GOOD)
        assert patch.document["layer"][0]["name"] == "buoy"

    def test_a_byte_order_mark_is_no_fault(self, tmp_path: Path) -> None:
        path = tmp_path / "tide.toml"
        path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
        assert load_patch(path).title == "low tide"

    def test_a_folder_is_named_as_one_with_a_file_in_it(self, tmp_path: Path) -> None:
        (tmp_path / "heron.toml").touch()
        with pytest.raises(PatchError, match=r"this is a folder; name a patch file.* It holds heron\.toml\."):
            load_patch(tmp_path)

    def test_a_file_that_is_not_there_is_offered_the_nearest(self, tmp_path: Path) -> None:
        (tmp_path / "heron.toml").touch()
        with pytest.raises(PatchError, match=r"there is no such file\. Did you mean heron\.toml\?"):
            load_patch(tmp_path / "herron.toml")
        with pytest.raises(PatchError, match="Its folder is not there either"):
            load_patch(tmp_path / "nowhere" / "heron.toml")

    @pytest.mark.parametrize(
        ("data", "sentence"),
        [
            (b"", "the file is empty. Make a new one with: beamhand patch new FILE"),
            (b" \n\n", "the file is empty."),
            (b"RIFF\x00\x01", "this is not a text file (byte 4 is zero)"),
            (
                b'schema = 1\ntitle = "\xe9t\xe9"',
                "byte 0xe9 is not UTF-8; save the file as UTF-8, or name a text file.",
            ),
            (b"just words", "column 6 is not TOML"),
        ],
    )
    def test_what_is_no_text_of_ours_is_named(self, tmp_path: Path, data: bytes, sentence: str) -> None:
        path = tmp_path / "x.toml"
        path.write_bytes(data)
        with pytest.raises(PatchError) as caught:
            load_patch(path)
        assert sentence in str(caught.value)

    def test_a_pipe_is_refused_instead_of_waited_for(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "pipe.toml")
        with pytest.raises(PatchError, match="this is a device or a pipe"):
            load_patch(tmp_path / "pipe.toml")

    def test_a_name_that_no_file_can_have_is_refused(self) -> None:
        with pytest.raises(PatchError, match="the file cannot be read"):
            load_patch("a\0b")
        with pytest.raises(PatchError, match="the file cannot be read"):
            load_patch("a" * 5000)


def test_an_error_crosses_processes_whole() -> None:
    error = refused(GOOD.replace("petals = 3", "petals = 0"))
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
    assert (str(again), again.line, again.field) == (str(error), error.line, error.field)
