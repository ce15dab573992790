"""A patch becomes the arrays that the engine plays."""

from typing import Any

import numpy as np
import pytest

from instrument.engine.memory.layout import CURVES, LINK_MULTIPLY, MESSAGES
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from instrument.engine.parameters import index_of
from instrument.engine.program import Program
from instrument.engine.signal.source_table import SOURCE_HARMONIC, SOURCE_NONE, SOURCE_PATH
from instrument.patch.build import build_program
from instrument.patch.patch_file import patch_from_text


def built(text: str) -> Program:
    return build_program(patch_from_text("schema = 1\n" + text))


def control(text: str) -> Any:
    program = built(f"[[layer]]\n[[control]]\nparameter = 'layer.1.level'\n{text}")
    assert program.record["n_controls"] == 1
    return program.record["controls"][0]


def test_times_and_layers_without_a_source() -> None:
    program = built("ramp = 0\nfade = '1/4'\n[[layer]]\n[[layer]]\nsource = {kind = 'path', preset = 'cube'}\n")
    assert [float(program.record[name]) for name in ("ramp_seconds", "fade_seconds")] == [0.0, 0.25]
    assert program.record["layers"]["source"].tolist()[:3] == [SOURCE_NONE, SOURCE_PATH, SOURCE_NONE]
    assert program.paths[1].shape == (1, 2048, 3)


def test_terms_of_ones_own_stand_in_for_those_of_the_figure_axis_by_axis() -> None:
    program = built(
        "[[layer]]\n[layer.source]\nkind = 'harmonic'\npreset = 'circle'\ny = [{amplitude = 0.5, ratio = 3}]\n"
    )
    base = program.record["base"]
    assert program.record["layers"][0]["source"] == SOURCE_HARMONIC
    assert base[index_of("layer.1.source.x.1.phase")] == 0.25
    assert [base[index_of(f"layer.1.source.y.1.{name}")] for name in ("amplitude", "ratio", "phase")] == [
        0.5,
        3.0,
        0.0,
    ]


def test_as_many_terms_as_the_engine_plays_are_taken() -> None:
    terms = ", ".join(f"{{amplitude = 1, ratio = {k}}}" for k in range(1024))
    program = built(f"[[layer]]\n[layer.source]\nkind = 'harmonic'\nz = [{terms}]\n")
    assert program.record["layers"][0]["terms"].tolist() == [0, 0, 1024]
    assert program.terms[0, 2][:, 1].tolist() == list(range(8, 1024))


def test_a_term_that_is_moved_is_there_and_silent() -> None:
    program = built(
        "[[layer]]\nsource = {kind = 'harmonic', preset = 'circle'}\n[[control]]\nmessage = 'cc'\nnumber = 1\n"
        "parameter = 'layer.1.source.y.4.amplitude'\n"
    )
    assert program.record["layers"][0]["terms"].tolist() == [1, 4, 0]
    assert program.record["base"][index_of("layer.1.source.y.4.amplitude")] == 0.0
    assert program.record["base"][index_of("layer.1.source.y.4.ratio")] == 4.0


def test_points_of_ones_own_are_corners_of_the_path() -> None:
    program = built("[[layer]]\nsource = {kind = 'path', points = [[0, 0], [1, 0, 0.5], ['1/2', 1]], samples = 300}\n")
    (path,) = program.paths[0]
    assert len(path) == 300
    for corner in ([0, 0, 0], [1, 0, 0.5], [0.5, 1, 0]):
        assert corner in path.tolist()


def test_frames_are_the_pages_of_a_flip_book_of_one_size() -> None:
    program = built(
        "[[layer]]\n[layer.source]\nkind = 'path'\nframe = 0.5\nblend = false\n"
        "frames = [[[0, 0], [1, 0]], [[0, 0], [1, 0], [1, 1]], [[0.5, 0.5]]]\n"
    )
    book = program.paths[0]
    assert book.shape == (3, 2049, 3)
    assert [1.0, 1.0, 0.0] in book[1].tolist()
    assert (book[2] == [0.5, 0.5, 0.0]).all()
    assert [program.record["base"][index_of(f"layer.1.source.{name}")] for name in ("frame", "blend")] == [
        0.5,
        0.0,
    ]


def test_modulators_and_links_in_the_order_they_depend_on_each_other() -> None:
    program = built(
        "[[layer]]\n[[modulator]]\nname = 'a'\n[[modulator]]\nname = 'b'\nshape = 'saw'\n"
        "[[link]]\nmodulator = 'a'\nparameter = 'layer.1.level'\noperation = 'multiply'\ndepth = 2\n"
        "[[link]]\nmodulator = 2\nparameter = 'mod.1.rate'\noffset = 3\n"
    )
    record = program.record
    assert record["modulators"]["kind"].tolist()[:3] == [MODULATOR_LFO, MODULATOR_LFO, 0]
    assert record["links"]["modulator"].tolist()[:2] == [0, 1]
    assert record["links"]["operation"][0] == LINK_MULTIPLY
    assert record["base"][index_of("mod.2.shape")] == 2.0
    assert record["base"][index_of("link.2.offset")] == 3.0
    steps = [tuple(step) for step in record["schedule"][: int(record["n_steps"])].tolist()]
    assert steps.index((2, 1)) < steps.index((2, 0))  # b runs before a, whose rate it moves


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("message = 'cc'\nnumber = 7", {"message": "cc", "channel": -1, "number": 7, "lo": 0.0, "hi": 1.0}),
        (
            "message = 'note'\nchannel = 16",
            {"message": "note", "channel": 15, "number": -1, "lo": 0.0, "hi": 127.0},
        ),
        ("message = 'pad'\nnumber = 'C#2'", {"message": "pad", "number": 37, "hi": 1.0}),
        (
            "message = 'gate'\nnumber = 'any'\nchannel = 'any'",
            {"message": "gate", "channel": -1, "number": -1},
        ),
        ("message = 'bend'", {"message": "bend", "number": -1, "lo": -2.0, "hi": 2.0}),
        ("message = 'pressure'\nrange = ['1/2', 1e308]", {"message": "pressure", "lo": 0.5, "hi": 1e308}),
    ],
)
def test_a_control_is_written_into_the_table(text: str, fields: dict[str, Any]) -> None:
    row = control(text)
    assert row["param"] == index_of("layer.1.level")
    assert MESSAGES[row["message"]] == fields.pop("message")
    for name, value in fields.items():
        assert row[name] == value


@pytest.mark.parametrize("curve", CURVES[:3])
def test_a_curve_has_its_number(curve: str) -> None:
    assert CURVES[control(f"message = 'bend'\nrange = [1, 2]\ncurve = '{curve}'")["curve"]] == curve


def test_points_of_all_controls_lie_one_behind_the_other() -> None:
    one = "[[control]]\nmessage = 'bend'\nparameter = 'output.level'\npoints = [[0, 0], [0.5, 0.1], [1, 1]]\n"
    record = built(one + one).record
    assert record["controls"]["first_point"].tolist()[:2] == [0, 3]
    assert record["controls"]["points"].tolist()[:2] == [3, 3]
    assert [CURVES[k] for k in record["controls"]["curve"][:2]] == ["points", "points"]
    assert record["curve_points"][3:6].tolist() == [[0, 0], [0.5, 0.1], [1, 1]]


def test_values_by_address_win_over_fields() -> None:
    program = built("[output]\nlevel = 1\n[values]\noutput.level = 0.5\n'layer.8.level' = 'inf'\n")
    assert program.record["base"][index_of("output.level")] == 0.5
    assert np.isinf(program.record["base"][index_of("layer.8.level")])


def test_the_same_text_builds_the_same_bytes() -> None:
    text = "[[layer]]\nsource = {kind = 'path', preset = 'star'}\n[[control]]\nmessage = 'bend'\nparameter = 'output.level'\n"
    assert built(text).record.tobytes() == built(text).record.tobytes()


@pytest.mark.parametrize(("more", "seconds"), [("", 0.0), ("frame_rate = 12\n", 0.25)])
def test_a_flip_book_has_a_time_of_its_own_only_if_a_rate_gives_it_one(more: str, seconds: float) -> None:
    frames = "[[0, 0], [1, 0]]"
    text = f"schema = 1\n[[layer]]\n[layer.source]\nkind = 'path'\n{more}frames = [{frames}, {frames}, {frames}]\n"
    row = build_program(patch_from_text(text)).record["layers"][0]
    assert (int(row["frames"]), float(row["seconds"])) == (3, seconds)


def test_what_plays_the_frames_is_set_by_words_and_switches() -> None:
    text = (
        "schema = 1\n[[layer]]\n[layer.source]\nkind = 'path'\nframes = [[[0, 0], [1, 0]], [[0, 0], [0, 1]]]\n"
        "play = 'beat'\nbeats = 8\nonce = true\nbegin = 'note'\nspeed = -1\n"
    )
    base = build_program(patch_from_text(text)).record["base"]
    values = {
        name: float(base[index_of(f"layer.1.source.{name}")]) for name in ("play", "beats", "once", "begin", "speed")
    }
    assert values == {"play": 1.0, "beats": 8.0, "once": 1.0, "begin": 1.0, "speed": -1.0}
