"""The guide: pictures, values and undo by typed lines, heard at once."""

from __future__ import annotations

import io
import threading
import time
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import pytest

from instrument.audio.choice import Choice
from instrument.audio.correction import Corrector
from instrument.audio.correction_table import Correction
from instrument.audio.profile import SILENT, load_profile, profile_file, save_profile
from instrument.engine.engine import Engine
from instrument.engine.memory.layout import RING_COMMAND
from instrument.engine.parameters import index_of
from instrument.show.calibration_guide import FAST, STEPS, CalibrationGuide

if TYPE_CHECKING:
    from pathlib import Path

    from instrument.audio.driver import Driver
    from instrument.repertoire.set_list import SetList


class Pictures:
    """A set list that changes at once."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.shown = [0]

    def go_to(self, place: int) -> None:
        self.engine.record["set_at"] = place
        self.shown.append(place)


class Guided:
    """A guide that has been through all lines."""

    def __init__(self, folder: Path, *lines: str) -> None:
        self.said: list[str] = []
        self.over = threading.Event()
        self.guide = CalibrationGuide(
            io.StringIO("".join(f"{line}\n" for line in lines)), self.said.append, folder=folder
        )
        self.engine = Engine(48000.0)
        self.engine.record["set_at"] = 0
        self.pictures = Pictures(self.engine)
        choice = self.guide.corrected(Choice(None, 48000.0))
        self.driver = cast(
            "Driver",
            SimpleNamespace(corrector=Corrector(cast("Correction", choice.outputs.correction), 48000.0)),
        )
        self.guide.begin(self.engine, cast("SetList", self.pictures), self.driver, self.over)

    def to_the_end(self) -> Guided:
        until = time.monotonic() + 10
        while not self.over.is_set() and time.monotonic() < until:
            self.guide.poll(self.driver)
            time.sleep(0.001)
        assert self.over.is_set()
        self.guide.close()
        return self

    @property
    def heard(self) -> Correction:
        return cast("Corrector", self.driver.corrector).correction

    @property
    def text(self) -> str:
        return "\n".join(self.said)


def guided(folder: Path, *lines: str) -> Guided:
    return Guided(folder, *lines).to_the_end()


def changed(**values: Any) -> Correction:
    return Correction().with_values({name.replace("_", "."): value for name, value in values.items()})


def test_every_test_picture_has_a_step_and_every_step_says_what_to_look_at() -> None:
    guide = CalibrationGuide(io.StringIO(), lambda _: None)
    assert [path.stem for path in guide.patches] == [step.patch for step in STEPS]
    assert {path.stem for path in guide.patches} == {
        "circle",
        "dot",
        "hatch",
        "ident",
        "ladder",
        "square",
        "steps",
    }
    assert {name for step in STEPS for name in step.adjusts} == set(Correction().as_dict())
    assert all(step.advice.endswith(".") and step.advice.count(". ") == 0 for step in STEPS)


@pytest.mark.parametrize(("typed", "begins"), [("\n", True), ("quit\n", False), ("", False)])
def test_the_cautions_come_before_any_sound(typed: str, begins: bool) -> None:
    said: list[str] = []
    assert CalibrationGuide(io.StringIO(typed), said.append).ready() is begins
    for word in ("Ears", "disconnect the PA", "never rests", "High voltage", "licensed"):
        assert word in said[0]


def test_enter_walks_through_all_pictures_and_keeps_the_profile_at_the_end(tmp_path: Path) -> None:
    found = guided(tmp_path, "gain.x 0.9", *[""] * len(STEPS))
    assert found.pictures.shown == list(range(len(STEPS)))
    assert [line.split("]")[0] for line in found.said if line.startswith("[")] == [
        f"[{k + 1}/{len(STEPS)}" for k in range(len(STEPS))
    ]
    assert load_profile(SILENT, tmp_path) == changed(gain_x=0.9)


@pytest.mark.parametrize(
    ("lines", "correction"),
    [
        (["gain.x 0.95"], changed(gain_x=0.95)),
        (["gain x 19/20"], changed(gain_x=0.95)),
        (["gx = 0.95"], changed(gain_x=0.95)),
        (["gx ---", "oy ++"], changed(gain_x=0.97, offset_y=0.01)),
        (["dx -", "dx +"], changed(delay_x=0.5)),
        (["swap", "iy", "ix on", "iy"], changed(swap=True, invert_x=True)),
        (["gx 0.5", "gx 0.6", "undo"], changed(gain_x=0.5)),
        (["gx 0.5", "gx 0.6", "undo", "undo", "redo", "redo", "redo"], changed(gain_x=0.6)),
        (["gx 0.5", "undo", "gy 0.7", "redo"], changed(gain_y=0.7)),
        (["gx 0.5", "compare", "compare"], changed(gain_x=0.5)),
        (["gx 0.5", "gx 9", "gx", "gx much", "ox 2", "nonsense"], changed(gain_x=0.5)),
    ],
)
def test_typed_values_are_heard_and_kept(lines: list[str], correction: Correction, tmp_path: Path) -> None:
    found = guided(tmp_path, *lines, "save")
    assert found.heard == correction
    assert load_profile(SILENT, tmp_path) == correction


def test_compare_lets_one_hear_it_without(tmp_path: Path) -> None:
    found = guided(tmp_path, "gx 0.5", "compare", "quit", "quit")
    assert found.heard == Correction()
    assert found.guide.correction == changed(gain_x=0.5)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("gx 9", "gain.x is 9; it takes a number from 0 to 4."),
        ("gaim.x 1", "Did you mean gain.x?"),
        ("undo", "there is nothing to take back."),
        ("back", "this is the first picture."),
        ("ox 0.2", "x reaches up to 1.2 of full scale, and what is beyond 1 is cut off"),
    ],
)
def test_what_cannot_be_done_or_is_cut_off_is_told(line: str, sentence: str, tmp_path: Path) -> None:
    assert sentence in guided(tmp_path, line).text


def test_quitting_asks_once_and_keeps_nothing(tmp_path: Path) -> None:
    found = guided(tmp_path, "gx 0.5", "quit", "quit")
    assert "type save to keep it, or quit again" in found.text
    assert found.said[-1] == "ended without save, so this is not kept: gain.x 0.5"
    assert load_profile(SILENT, tmp_path) is None


def test_it_begins_with_the_profile_that_there_is_and_replaces_one_that_is_broken(tmp_path: Path) -> None:
    save_profile(SILENT, changed(gain_y=0.8), tmp_path)
    assert guided(tmp_path, "gx 0.9", "save").heard == changed(gain_x=0.9, gain_y=0.8)
    profile_file(SILENT, tmp_path).write_text("schema = 1\n[gain]\nx = 7\n")
    found = guided(tmp_path, "gy 0.9", "save")
    assert "The guide begins without it" in found.said[0]
    assert load_profile(SILENT, tmp_path) == changed(gain_y=0.9)


def test_it_follows_a_picture_that_was_chosen_in_the_window(tmp_path: Path) -> None:
    found = Guided(tmp_path)
    found.guide.poll(found.driver)
    found.engine.record["set_at"] = 2
    found.guide.poll(found.driver)
    assert found.guide.index == 2
    assert "[3/" in found.text


def test_delays_are_seen_on_a_circle_that_runs_fast(tmp_path: Path) -> None:
    found = guided(tmp_path, "", "", "", "quit")
    assert found.guide.index == 3
    ring = found.engine.record["rings"][RING_COMMAND]
    last = ring["events"][int(ring["tail"]) - 1]
    assert (int(last["index"]), float(last["value"])) == (index_of("layer.1.pen.frequency"), FAST)


def test_a_device_that_is_back_is_corrected_as_it_was(tmp_path: Path) -> None:
    found = Guided(tmp_path, "gx 0.5")
    back = cast("Driver", SimpleNamespace(corrector=Corrector(Correction(), 48000.0)))
    found.to_the_end()
    found.guide.poll(back)
    assert cast("Corrector", back.corrector).correction == changed(gain_x=0.5)
