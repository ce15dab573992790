"""A patch names drawings and texts; they are read apart, come back from the cache, and are refused by name."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.drawings.load import load
from instrument.drawings.worker.client import Worker
from instrument.drawings.worker.protocol import options_to_json
from instrument.engine.engine import Engine
from instrument.engine.parameters import index_of
from instrument.engine.signal.jump_table import HEAD, MOST_SHARE
from instrument.engine.signal.source_table import SOURCE_PATH
from instrument.patch import patch_drawings as routing
from instrument.patch.build import build_program
from instrument.patch.drawing_cache import DrawingCache
from instrument.patch.editing.save import save_patch
from instrument.patch.figures import MOST
from instrument.patch.patch_drawings import ReadingProgress, corner_counts, drawing_files, read_drawings
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import load_patch, patch_from_text
from instrument.patch.schema.sources import Lettering

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from instrument.patch.schema.patch_schema import Patch

SQUARE = "v 0 0 0\nv 4 0 0\nv 4 4 0\nv 0 4 0\nl 1 2 3 4 1\n"
TRIANGLE = "v 0 0 0\nv 4 0 0\nv 2 3 0\nl 1 2 3 1\n"
HOUSE = '<svg xmlns="http://www.w3.org/2000/svg"><path d="M0 0 L10 0 L10 8 L5 12 L0 8 Z M0 8 L10 8"/></svg>'


@pytest.fixture(scope="module", autouse=True)
def _ended_worker() -> Iterator[None]:
    yield
    routing.close_reader()


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache that nobody else has written to."""
    folder = tmp_path / "cache"
    monkeypatch.setattr(routing, "_cache", DrawingCache(folder))
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A patch's folder with drawings in it."""
    place = tmp_path / "patches"
    place.mkdir()
    (place / "buoy.obj").write_text(SQUARE)
    (place / "moth.obj").write_text(TRIANGLE)
    (place / "hut.svg").write_text(HOUSE)
    return place


def patch_in(folder: Path, source: str, name: str = "patch.toml") -> Patch:
    path = folder / name
    path.write_text(f"schema = 1\n[[layer]]\n[[layer]]\n[layer.source]\nkind = 'path'\n{source}\n")
    return load_patch(path)


def table(patch: Patch) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    program = build_program(patch)
    assert program.record["layers"]["source"][1] == SOURCE_PATH
    return program.paths[1]


def forbid_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    def load(*_: object, **__: object) -> None:
        raise AssertionError("the drawing was read again")

    monkeypatch.setattr(Worker, "load", load)


def test_a_drawing_is_what_the_drawing_room_makes_of_it(folder: Path) -> None:
    expected = load([folder / "hut.svg"]).points
    assert np.array_equal(table(patch_in(folder, "drawing = 'hut.svg'")), expected)


def test_settings_reach_reader_router_and_sampling(folder: Path) -> None:
    source = "drawing = 'hut.svg'\nsamples = 300\nfit = 'original'\ncorner_dwell = 0.25\nreverse = true"
    found = table(patch_in(folder, source))
    assert found.shape == (1, 300, 3)
    assert np.ptp(found[..., :2], axis=(0, 1)).tolist() == pytest.approx([10.0, 12.0], abs=0.2)
    plain = table(patch_in(folder, "drawing = 'hut.svg'\nsamples = 300\nfit = 'original'"))
    assert not np.array_equal(found, plain)
    # At rest, the pen draws the same point again.
    rests = [(np.linalg.norm(np.diff(path[0], axis=0), axis=1) == 0).mean() for path in (found, plain)]
    assert rests[1] == 0
    assert rests[0] == pytest.approx(0.25, abs=0.05)


def test_every_setting_is_heard() -> None:
    changed = (
        "points = 99\ntrace = 'edges'\nsensitivity = 0.25\nstipples = 99\nedges = 'feature'\ncrease = 12\nflatten = 0.01\nsimplify = 0.02\nlevels = [0.25, 0.5]\nblur = 2\n"
        "resolution = 64\nclip = 'wade'\nframe_rate = 12\nsmallest = 0.5\nfont = 'scripts'\nsize = 2\nspacing = 0.5\n"
        "line_height = 2\n"
        "align = 'right'\njump_cost = inf\nbridge_cost = 3\nneighbours = 2\nstraight = false\norder = 'drawn'\n"
        "start = [1, 2]\nreverse = true\ntime_limit = 5\njump_speed = 3\nbridge_speed = 4\ncorner_dwell = 0.5\n"
        "fit = 'original'\nlimits = {seconds = 9, memory = 99, file = 3, points = 4, pixels = 5, frames = 6}\n"
    )
    text = "schema = 1\n[[layer]]\n[layer.source]\nkind = 'path'\ntext = 'tide'\n"

    def words(more: str) -> dict[str, object]:
        source = patch_from_text(text + more).layer[0].source
        assert isinstance(source, Lettering)
        found = options_to_json(source.options(source.font, source.samples))
        return {
            f"{room}.{name}.{below}": value
            for room, fields in found.items()
            for name, field in (fields if isinstance(fields, dict) else {"": fields}).items()
            for below, value in (field if isinstance(field, dict) else {"": field}).items()
        }

    before, after = words(""), words(changed)
    assert before == words("samples = 8\n") | {"sampling.points.": None}
    assert before["sampling.fit."] == "box"
    same = {name for name, value in after.items() if before[name] == value}
    # Tolerances of welding and counting are the drawing room's own, and so is the time for shortening jumps; the room in the
    # engine is the patch's, and so is where a model is seen from. A text has no sides.
    own = ("read.tolerances.", "route.tour_time.", "sampling.points.", "sampling.most", "views.", "read.lines.")
    assert {name for name in same if not name.startswith(own)} == set()
    limits = {name.split(".")[2]: after[name] for name in after if name.startswith("read.limits.")}
    assert limits == {
        "seconds": 9, "memory": 99 << 20, "file_bytes": 3 << 20, "points": 4, "pixels": 5, "frames": 6,
    }  # fmt: skip


def jumps_of(settings: str) -> dict[int, np.ndarray]:
    text = f"schema = 1\n[[layer]]\n[layer.source]\nkind = 'path'\ntext = 'IT'\n{settings}"
    return build_program(patch_from_text(text)).jumps


def test_jumps_are_eased_by_their_length_or_as_they_are_told() -> None:
    count, total, most = jumps_of("")[0][0, :HEAD]
    assert 0.0 < total <= 4.0 * count
    assert most * total == pytest.approx(MOST_SHARE)
    count, total, most = jumps_of("jump_samples = 7\njump_share = 0.5\n")[0][0, :HEAD]
    assert total == 7.0 * count
    assert most * total == pytest.approx(0.5)


def test_a_speed_of_jumps_leaves_them_straight() -> None:
    assert jumps_of("jump_speed = 16\n") == {}


@pytest.mark.parametrize("setting", ["jump_samples = -1", "jump_samples = 65", "jump_share = 0.95", "jump_share = nan"])
def test_what_no_jump_can_take_is_refused(setting: str) -> None:
    with pytest.raises(PatchError, match="it takes"):
        jumps_of(setting)


def test_text_is_drawn(folder: Path) -> None:
    expected = load(text="low\ntide").points
    assert np.array_equal(table(patch_in(folder, "text = 'low\\ntide'".replace("'", '"'))), expected)


def test_several_files_are_a_flip_book_that_is_played(folder: Path) -> None:
    patch = patch_in(folder, "drawing = ['buoy.obj', 'moth.obj']\nframe = 0.5")
    assert table(patch).shape == (2, 4096, 3)
    assert float(build_program(patch).record["base"][index_of("layer.2.source.frame")]) == 0.5


def test_a_numbered_folder_is_a_flip_book_in_the_order_of_its_numbers(folder: Path) -> None:
    (folder / "flight").mkdir()
    for number, text in ((10, SQUARE), (2, TRIANGLE)):
        (folder / "flight" / f"moth_{number}.obj").write_text(text)
    patch = patch_in(folder, "drawing = 'flight'")
    in_order = [folder / "flight" / "moth_2.obj", folder / "flight" / "moth_10.obj"]
    assert np.array_equal(table(patch), load(in_order).points)
    assert drawing_files(patch) == (folder / "flight", *in_order)


def test_a_flip_book_takes_no_more_than_its_share_of_the_engine(folder: Path) -> None:
    patch = patch_in(folder, f"drawing = {json.dumps(['buoy.obj', 'moth.obj'] * 100)}")
    points = table(patch)
    assert points.shape == (200, 4096, 3)
    steps = np.linalg.norm(np.roll(points[0], -1, axis=0) - points[0], axis=1)
    assert steps[steps > steps.max() * 0.99].size > 1000  # of equal length, save at the corners
    Engine(48_000.0).play(build_program(patch))


def test_a_large_drawing_takes_no_more_than_its_share_of_the_engine(folder: Path) -> None:
    ring = np.linspace(0, 2 * np.pi, 40_000, endpoint=False)
    np.save(folder / "ring.npy", np.stack([np.cos(ring), np.sin(ring)], axis=1))
    assert table(patch_in(folder, "drawing = 'ring.npy'")).shape == (1, MOST, 3)


def test_the_second_time_nothing_is_read(folder: Path, monkeypatch: pytest.MonkeyPatch, cache: Path) -> None:
    patch = patch_in(folder, "drawing = 'hut.svg'")
    first = table(patch)
    forbid_reading(monkeypatch)
    monkeypatch.setattr(routing, "_cache", DrawingCache(cache))  # as after a new start
    assert table(patch).tobytes() == first.tobytes()


@pytest.mark.parametrize("change", ["content", "setting", "name"])
def test_another_content_or_setting_is_another_drawing(folder: Path, change: str) -> None:
    before = read_drawings(patch_in(folder, "drawing = 'buoy.obj'"))[1]
    source = "drawing = 'buoy.obj'"
    if change == "content":
        (folder / "buoy.obj").write_text(TRIANGLE)
    elif change == "setting":
        source += "\nreverse = true"
    else:
        source = "drawing = 'moth.obj'"
    after = read_drawings(patch_in(folder, source))[1]
    assert before.key != after.key
    assert not np.array_equal(before.points, after.points)


def test_numbers_that_gltf_keeps_in_a_file_beside_it_count_as_its_content(folder: Path) -> None:
    corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], "<f4")
    scene = {
        "asset": {"version": "2.0"},
        "buffers": [{"byteLength": 36, "uri": "low%20tide.bin"}],
        "bufferViews": [{"buffer": 0, "byteLength": 36}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
        "nodes": [{"mesh": 0}],
        "scenes": [{"nodes": [0]}],
        "scene": 0,
    }
    (folder / "tide.gltf").write_text(json.dumps(scene))
    (folder / "low tide.bin").write_bytes(corners.tobytes())
    patch = patch_in(folder, "drawing = 'tide.gltf'")
    before = read_drawings(patch)[1]
    (folder / "low tide.bin").write_bytes((corners * [[1, 2, 1]]).astype("<f4").tobytes())
    assert read_drawings(patch)[1].key != before.key


def test_limits_are_no_part_of_what_is_drawn(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read_drawings(patch_in(folder, "drawing = 'buoy.obj'"))
    forbid_reading(monkeypatch)
    read_drawings(patch_in(folder, "drawing = 'buoy.obj'\nlimits.seconds = 5"))


def test_a_file_that_is_saved_while_it_is_read_is_not_kept_under_its_old_contents(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    patch = patch_in(folder, "drawing = 'buoy.obj'")
    real = Worker.load

    def saved_meanwhile(*arguments: object) -> object:
        (folder / "buoy.obj").write_text(TRIANGLE)
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Worker, "load", saved_meanwhile)
    read_drawings(patch)
    monkeypatch.undo()
    (folder / "buoy.obj").write_text(SQUARE)
    assert np.array_equal(table(patch), load([folder / "buoy.obj"]).points)


@pytest.mark.parametrize(
    ("source", "content", "sentence"),
    [
        ("drawing = 'gone.svg'", None, "gone.svg: there is no such file."),
        ("drawing = 'bad.obj'", b"v 0 0 0\nv 1 zwei 0\nl 1 2\n", "bad.obj:2: "),
        (
            "drawing = 'bad.svg'",
            b"<svg xmlns='http://www.w3.org/2000/svg'></svg>",
            "nothing in it can be drawn.",
        ),
        ("drawing = 'bad.tide'", b"x", "a file with '.tide' is not read"),
        ("drawing = 'walk.bvh'", b"x", "no shape to draw; export its frames as numbered OBJ files"),
        ("drawing = 'quay.blend'", b"x", "export it as OBJ or glTF"),
        ("drawing = ['bad.obj', 'buoy.obj']", b"", "bad.obj: "),
        ("text = '   '", None, "the text has no letter that this font can draw."),
        ("text = 'tide'\nfont = 'no_such'", None, "there is no single-stroke font 'no_such'"),
        ("drawing = 'buoy.obj'\nlimits.points = 3", None, "at most 3 are allowed"),
    ],
)
def test_a_refused_drawing_names_patch_line_field_and_the_readers_sentence(
    folder: Path, source: str, content: bytes | None, sentence: str
) -> None:
    for ending in ("obj", "svg", "tide"):
        if content is not None:
            (folder / f"bad.{ending}").write_bytes(content)
    patch = patch_in(folder, source)
    with pytest.raises(PatchError) as caught:
        build_program(patch)
    name = source.partition(" ")[0]
    assert (caught.value.file, caught.value.line) == (str(folder / "patch.toml"), 6)
    assert caught.value.field == f"layer.2.source.{name}"
    assert str(caught.value).startswith(f"{folder / 'patch.toml'}, line 6: layer.2.source.{name} is ")
    assert sentence in str(caught.value)


def test_a_pipe_is_refused_and_not_waited_for(folder: Path) -> None:
    os.mkfifo(folder / "pipe.svg")
    with pytest.raises(PatchError, match="this is not a file"):
        build_program(patch_in(folder, "drawing = 'pipe.svg'"))


def test_every_refused_drawing_of_a_patch_is_told(folder: Path) -> None:
    layer = "[[layer]]\nsource = {{kind = 'path', drawing = '{}'}}\n"
    (folder / "two.toml").write_text("schema = 1\n" + layer.format("one.svg") + layer.format("two.svg"))
    with pytest.raises(PatchError) as caught:
        build_program(load_patch(folder / "two.toml"))
    assert [problem.line for problem in caught.value.problems] == [3, 5]


def test_saving_values_keeps_the_reference_and_reads_no_drawing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    patch = patch_in(folder, "drawing = 'hut.svg'  # the net hut\njump_cost = inf\nframe = 0")
    (folder / "hut.svg").write_text("broken since")
    forbid_reading(monkeypatch)
    save_patch(patch, {"layer.2.source.frame": 1.5, "layer.2.level": 0.25}, folder / "patch.toml")
    text = (folder / "patch.toml").read_text()
    assert "drawing = 'hut.svg'  # the net hut\njump_cost = inf\nframe = 1.5" in text
    assert load_patch(folder / "patch.toml").layer[1].level == 0.25


def test_saved_into_another_folder_the_patch_still_names_the_same_drawings(folder: Path) -> None:
    (folder / "patches").symlink_to(folder)  # a folder that leads back must not mislead
    source = "drawing = ['buoy.obj', 'moth.obj'] # both"
    patch = patch_in(folder / "patches", source)
    before = table(patch)
    (folder / "night").mkdir()
    save_patch(patch, {"layer.2.level": 0.25}, folder / "night" / "patch.toml")
    found = load_patch(folder / "night" / "patch.toml")
    assert np.array_equal(table(found), before)
    assert "# both" in found.text
    assert found.text.count("../") == 2


@pytest.mark.parametrize(
    ("source", "corners"),
    [
        ('preset = "star"\ncorners = 7', 14),
        ('preset = "polygon"\ncorners = 5\nstep = 2', 5),
        ('preset = "rectangle"', 4),
        # Halfway along an edge there is no corner.
        ("points = [[0, 0], [0.5, 0], [1, 0], [0, 1]]", 3),
        ("frames = [[[0, 0], [1, 0], [0, 1]], [[0, 0], [1, 0], [1, 1], [0, 1]]]", 4),
    ],
)
def test_a_path_in_the_patch_itself_has_the_corners_that_its_pen_turns(source: str, corners: int) -> None:
    text = f'schema = 1\n[[layer]]\n[layer.source]\nkind = "harmonic"\n[[layer]]\n[layer.source]\nkind = "path"\n{source}\n'
    assert corner_counts(patch_from_text(text), {}) == ((2, corners),)


def test_a_drawing_that_takes_long_says_how_far_it_has_come() -> None:
    said: list[str] = []
    now = [0.0]
    tell = ReadingProgress(said.append, lambda: now[0])
    for now[0] in (0.5, 2.9, 3.1, 4.0, 6.2):
        tell(f"film, {now[0]:.0f} of 60 s")
    assert said == ["reading a drawing: film, 3 of 60 s\n", "reading a drawing: film, 6 of 60 s\n"]
