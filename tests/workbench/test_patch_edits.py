"""Working on a patch while it plays: every change is heard, can be taken back, and is saved as it was written."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING
from unittest.mock import Mock

import pytest

from instrument.engine.engine import midi_event
from instrument.patch.description import differences
from instrument.repertoire import working_copy as working
from tests.workbench.editing import PATCH, Bench

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "heron.toml"
    path.write_text(PATCH)
    return path


@pytest.fixture
def bench(path: Path) -> Bench:
    return Bench(path)


class TestSet:
    def test_a_value_is_heard_and_is_unsaved_until_it_is_undone(self, bench: Bench) -> None:
        assert bench.heard() == (0.25, -0.25)
        bench.ask("set", address="layer.1.level", value=1)
        assert bench.heard() == (0.5, -0.5)
        assert bench.state["unsaved"]
        assert bench.state["changes"] == [{"address": "layer.1.level", "saved": 0.5, "now": 1.0}]
        bench.ask("undo")
        assert bench.heard() == (0.25, -0.25)
        assert not bench.state["unsaved"]
        bench.ask("redo")
        assert bench.heard() == (0.5, -0.5)

    @pytest.mark.parametrize(
        ("typed", "value"),
        [("3*440", 1320.0), ("1/0", math.inf), ("A2", 110.0), (-1e9, -1e9), ("nan", math.nan)],
    )
    def test_any_number_may_be_typed(self, bench: Bench, typed: object, value: float) -> None:
        bench.ask("set", address="layer.2.pen.frequency", value=typed)
        assert bench.engine.value("layer.2.pen.frequency") == pytest.approx(value, nan_ok=True)
        assert bench.troubles == []

    def test_a_value_typed_between_two_nudges_is_a_step_of_its_own(self, bench: Bench) -> None:
        bench.ask("set", address="layer.1.level", value=0.75)
        bench.ask("set", address="layer.1.level", value=0.5, alone=True)
        bench.ask("set", address="layer.1.level", value=0.25)
        bench.ask("undo")
        assert bench.heard()[0] == 0.25
        bench.ask("undo")
        assert bench.heard()[0] == 0.375
        assert bench.state["undo"] != ""

    def test_a_drag_is_one_step(self, bench: Bench) -> None:
        for k in range(20):
            bench.ask("set", address="layer.1.level", value=k / 20)
        bench.ask("release")
        bench.ask("set", address="layer.1.level", value=0.0)
        bench.ask("undo")
        assert bench.heard()[0] == pytest.approx(0.5 * 19 / 20)
        bench.ask("undo")
        assert bench.heard()[0] == 0.25
        assert bench.state["undo"] == ""

    def test_reset_goes_back_to_what_the_patch_says(self, bench: Bench) -> None:
        bench.engine.push(midi_event(0, 0xB0, 3, 127))
        bench.turn()
        assert bench.heard()[0] == 0.5
        bench.ask("reset", address="layer.1.level")
        assert bench.heard()[0] == 0.25

    def test_what_a_knob_moves_is_unsaved_and_what_a_key_moves_is_not(self, bench: Bench) -> None:
        bench.engine.push(midi_event(0, 0x90, 40, 100))
        bench.turn()
        assert bench.engine.value("layer.1.pen.key") == 40
        assert not bench.state["unsaved"]
        bench.engine.push(midi_event(0, 0xB0, 3, 127))
        bench.turn()
        assert bench.state["unsaved"]

    def test_what_a_performance_of_its_own_moves_is_no_change_of_anybodys(self, bench: Bench) -> None:
        bench.set_list.self_playing = True
        bench.engine.push(midi_event(0, 0xB0, 3, 127))
        bench.turn()
        assert not bench.state["unsaved"]
        bench.set_list.end_self_playing()
        assert not bench.state["unsaved"]
        assert bench.state["changes"] == []
        bench.engine.push(midi_event(0, 0xB0, 3, 100))
        bench.turn()
        assert bench.state["unsaved"]


class TestEdit:
    def test_a_formula_is_swapped_in_and_what_a_knob_moved_stays(self, bench: Bench) -> None:
        bench.engine.push(midi_event(0, 0xB0, 3, 127))
        bench.turn()
        bench.ask("edit", path=["layer", 0, "source", "x"], value="a/2")
        assert bench.heard() == (0.25, -0.5)
        assert bench.text == PATCH.replace('x = "a"', 'x = "a/2"')
        bench.ask("undo")
        assert bench.heard() == (0.5, -0.5)
        assert bench.text == PATCH

    def test_a_formula_that_is_wrong_leaves_the_old_one_and_says_where(self, bench: Bench) -> None:
        bench.ask("edit", path=["layer", 0, "source", "x"], value="a + sine(b)")
        assert bench.heard() == (0.25, -0.25)
        refused = bench.state["refused"]
        assert refused["value"] == "a + sine(b)"
        assert refused["field"] == "layer.1.source.x"
        assert refused["column"] == 5
        assert "sine" in bench.set_list.trouble
        bench.ask("edit", path=["layer", 0, "source", "x"], value="a + b")
        assert bench.state["refused"] is None

    def test_typing_is_one_step(self, bench: Bench) -> None:
        for text in ("a/2", "a/22", "a/2"):
            bench.ask("edit", path=["layer", 0, "source", "x"], value=text)
        bench.ask("undo")
        assert bench.text == PATCH

    def test_what_was_typed_moves_with_its_layer(self, bench: Bench) -> None:
        bench.ask("set", address="layer.2.level", value=0.125)
        bench.ask("remove", path=["layer", 0])
        assert bench.engine.value("layer.1.level") == 0.125
        assert bench.state["document"]["link"][0]["parameter"] == "layer.1.place.move.x"
        assert bench.state["document"].get("control") is None
        bench.ask("undo")
        assert bench.text == PATCH
        assert bench.engine.value("layer.2.level") == 0.125
        assert bench.heard()[1] != 0.0

    def test_a_layer_is_put_in_and_addresses_follow(self, bench: Bench) -> None:
        layer = {"name": "tail", "level": 0, "source": {"kind": "harmonic", "preset": "rose"}}
        bench.ask("add", path=["layer", 0], value=layer)
        assert bench.engine.value("layer.2.level") == 0.5
        assert [row["parameter"] for row in bench.state["document"]["control"]] == [
            "layer.2.level",
            "layer.2.pen.key",
        ]
        assert bench.heard() == (0.25, -0.25)

    def test_revert_goes_back_to_the_file_and_can_be_undone(self, bench: Bench) -> None:
        bench.ask("edit", path=["layer", 0, "source", "x"], value="0.1")
        bench.ask("set", address="layer.1.level", value=1)
        bench.ask("revert")
        assert bench.heard() == (0.25, -0.25)
        assert not bench.state["unsaved"]
        bench.ask("undo")
        assert bench.heard() == pytest.approx((0.1, -0.5))

    @pytest.mark.parametrize(
        "request_",
        [
            {"do": "edit"},
            {"do": "edit", "path": [], "value": 1},
            {"do": "edit", "path": ["layer", -1, "level"], "value": 1},
            {"do": "edit", "path": ["layer", 7, "level"], "value": 1},
            {"do": "edit", "path": [0], "value": 1},
            {"do": "edit", "path": ["title"], "value": None},
            {"do": "edit", "path": ["title", "of"], "value": 1},
            {"do": "remove", "path": ["control", 5]},
            {"do": "add", "path": ["layer", 0, "pen", 3], "value": 1},
            {"do": "set", "address": "layer.1.levle", "value": 1},
            {"do": "set", "address": "layer.1.level", "value": "one"},
            {"do": "set", "address": ["layer"], "value": 1},
            {"do": "set"},
            {"do": "recall", "index": 7},
            {"do": "recall", "index": "x"},
            {"do": "snapshot", "name": "none"},
            {"do": "save_as"},
            {"do": "change", "changes": 3},
            {"do": "drop", "path": 3},
            {"do": "drop", "path": "low_tide.wav"},
            {"do": "recover"},
            {"do": "dance"},
            {"do": {}},
        ],
        ids=str,
    )
    def test_what_cannot_be_met_is_told_and_changes_nothing(self, bench: Bench, request_: dict[str, object]) -> None:
        bench.ask(**request_)  # type: ignore[arg-type]
        assert len(bench.troubles) + len([line for line in bench.said if line]) == 1
        assert bench.heard() == (0.25, -0.25)
        assert not bench.state["unsaved"]


class TestSave:
    def test_a_note_that_sounds_is_not_saved_and_what_a_knob_has_moved_is(self, bench: Bench, path: Path) -> None:
        bench.engine.push(midi_event(0, 0x90, 40, 100))
        bench.engine.push(midi_event(0, 0xB0, 3, 127))
        bench.turn()
        assert bench.engine.value("layer.1.pen.key") == 40.0
        bench.ask("save")
        assert path.read_text() == PATCH.replace("level = 0.5  #", "level = 1.0  #")

    def test_only_what_was_changed_is_written(self, bench: Bench, path: Path) -> None:
        bench.ask("set", address="layer.1.level", value=0.75)
        bench.ask("edit", path=["layer", 0, "source", "y"], value="a")
        bench.ask("save")
        wanted = PATCH.replace("level = 0.5 ", "level = 0.75 ").replace('y = "-a"', 'y = "a"')
        assert path.read_text() == wanted
        assert not bench.state["unsaved"]
        bench.ask("undo")
        assert bench.heard() == (0.375, -0.375)
        assert bench.state["unsaved"]

    def test_a_file_that_somebody_else_has_changed_is_not_written_over(self, bench: Bench, path: Path) -> None:
        bench.ask("set", address="layer.1.level", value=0.75)
        other = PATCH.replace("Heron", "Crane")
        path.write_text(other)
        bench.bench.do({"do": "save"})
        bench.turn()
        assert path.read_text() == other

    def test_save_as_takes_another_name_and_never_one_that_is_taken(self, bench: Bench, path: Path) -> None:
        taken = path.with_name("taken.toml")
        taken.write_text("mine")
        bench.ask("save_as", name="taken")
        assert taken.read_text() == "mine"
        assert "already" in bench.troubles[-1]
        bench.ask("set", address="layer.1.level", value=0.75)
        bench.ask("save_as", name="night")
        assert "0.75" in path.with_name("night.toml").read_text()
        assert path.read_text() == PATCH
        assert bench.state["patch"] == "night.toml"
        assert not bench.state["unsaved"]

    def test_a_file_that_changes_beneath_unsaved_edits_plays_and_undo_brings_them_back(
        self, bench: Bench, path: Path
    ) -> None:
        bench.ask("edit", path=["layer", 0, "source", "x"], value="0.1")
        path.write_text(PATCH.replace("a = 0.5", "a = 0.25"))
        bench.ask("reload")
        assert bench.heard() == (0.125, -0.125)
        assert any("undo brings back" in line for line in bench.said)
        bench.ask("undo")
        assert bench.heard() == pytest.approx((0.05, -0.25))


class TestSetlist:
    def test_going_back_finds_what_was_worked_on(self, path: Path) -> None:
        other = path.with_name("other.toml")
        other.write_text(PATCH.replace("a = 0.5", "a = -0.5"))
        bench = Bench(path, other)
        bench.ask("edit", path=["layer", 0, "source", "y"], value="a")
        bench.ask("set", address="layer.1.level", value=0.75)
        bench.ask("recall", index=1)
        assert bench.heard() == (-0.25, 0.25)
        assert [row["unsaved"] for row in bench.state["setlist"]] == [True, False]
        bench.ask("previous")
        assert bench.heard() == (0.375, 0.375)
        bench.ask("undo")
        assert bench.heard() == (0.25, 0.25)

    def test_a_dropped_patch_comes_next_and_plays(self, bench: Bench, path: Path) -> None:
        other = path.with_name("other.toml")
        other.write_text(PATCH.replace("a = 0.5", "a = -0.5"))
        bench.ask("drop", path=str(other))
        assert bench.heard() == (-0.25, 0.25)
        assert bench.state["current"] == 1

    def test_a_dropped_drawing_becomes_the_source_of_a_layer(self, bench: Bench, path: Path) -> None:
        drawing = path.with_name("quay.csv")
        drawing.write_text("x,y\n0,0\n1,0\n1,1\n")
        bench.ask("drop", path=str(drawing), layer=1)
        assert bench.state["document"]["layer"][1]["source"] == {"kind": "path", "drawing": "quay.csv"}
        assert bench.troubles == []
        assert bench.state["refused"] is None

    def test_a_snapshot_holds_what_hands_have_moved(self, bench: Bench) -> None:
        bench.ask("set", address="layer.1.source.a", value=0.25)
        bench.ask("store", name="low")
        assert bench.state["snapshots"] == ["low"]
        bench.ask("set", address="layer.1.source.a", value=1)
        bench.ask("set", address="layer.1.level", value=1)
        bench.ask("snapshot", name="low")
        assert bench.heard() == (0.125, -0.125)


class TestEnd:
    def test_it_ends_at_once_where_nothing_is_lost(self, bench: Bench) -> None:
        bench.ask("quit")
        assert bench.over.is_set()

    def test_unsaved_changes_are_a_question_and_asking_twice_ends(self, bench: Bench) -> None:
        bench.ask("set", address="layer.1.level", value=0.75)
        bench.ask("quit")
        assert not bench.over.is_set()
        assert "Heron" in bench.state["question"]["text"]
        bench.ask("stay")
        assert bench.state["question"] is None
        bench.ask("quit")
        bench.ask("quit")
        assert bench.over.is_set()

    def test_it_can_save_and_end(self, bench: Bench, path: Path) -> None:
        bench.ask("set", address="layer.1.level", value=0.75)
        bench.ask("quit")
        bench.ask("quit", save=True)
        assert bench.over.is_set()
        assert "0.75" in path.read_text()


class TestNoRoom:
    def test_a_full_ring_is_told_once_and_everything_is_done_when_there_is_room(self, bench: Bench) -> None:
        bench.ask("set", address="layer.1.level", value=1)
        while bench.engine.set("layer.2.level", 0.0):
            pass
        bench.bench.do({"do": "undo"})
        bench.bench.do({"do": "undo"})
        bench.bench.do({"do": "edit", "path": ["layer", 0, "source", "y"], "value": "a"})
        bench.bench.do({"do": "set", "address": "layer.1.level", "value": 0.75})
        for _ in range(3):
            bench.bench.poll(0.0)
        said = [line for line in [*bench.said, *bench.troubles] if "takes no more changes" in line]
        assert len(said) == 2  # what waits, and what was asked for at once
        assert bench.state["undo"] == "layer.1.level"
        bench.engine.render(64)
        bench.bench.poll(0.0)
        bench.turn()
        assert bench.heard() == (0.25, 0.25)
        assert bench.state["redo"] == ""
        bench.ask("undo")
        assert bench.heard() == (0.25, -0.25)


def test_texts_are_compared_once_however_often_the_window_looks(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    compare = Mock(side_effect=differences)
    monkeypatch.setattr(working, "differences", compare)
    bench.ask("edit", path=["layer", 0, "source", "x"], value="a/2")
    seen = [bench.state["changes"] for _ in range(3)]
    assert seen[0] == [{"path": ["layer", 0, "source", "x"], "saved": "a", "now": "a/2"}]
    assert seen == seen[:1] * 3
    assert compare.call_count == 1
