"""A drawing that is saved while it plays: the new shape comes without a gap, and a broken one changes nothing."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Any

import numpy as np
import psutil
import pytest

from instrument.engine.engine import Engine
from instrument.engine.memory.layout import EVENT_SWAP
from instrument.engine.program import new_program
from instrument.repertoire.set_list import MORPH_SECONDS, morph_to
from tests.show.listening import wait_until
from tests.show.playing import Playing

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SILENT: dict[str, Any] = {"audio": "off", "block": 64}
RATE = 48_000

PATCH = """schema = 1
title = "Quay"
[[layer]]
[layer.source]
kind = "path"
drawing = {drawing}
fit = "original"
[layer.pen]
frequency = 400
[[control]]
message = "cc"
number = 1
parameter = "layer.1.level"
"""


def box(path: Path, width: float, height: float) -> None:
    """A rectangle about the middle, drawn as a wireframe."""
    x, y = width / 2, height / 2
    path.write_text(f"v {-x} {-y} 0\nv {x} {-y} 0\nv {x} {y} 0\nv {-x} {y} 0\nl 1 2 3 4 1\n")


@pytest.fixture
def boat(tmp_path: Path) -> Path:
    path = tmp_path / "boat.obj"
    box(path, 0.5, 0.25)
    return path


@pytest.fixture
def patch(tmp_path: Path, boat: Path) -> Path:
    path = tmp_path / "quay.toml"
    path.write_text(PATCH.format(drawing=json.dumps(boat.name)))
    return path


def extent(engine: Engine, frames: int = 240) -> tuple[float, float]:
    """Largest x and y of the latest frames."""
    record = engine.record
    rows = (int(record["ring_at"]) - 1 - np.arange(frames)) % int(record["ring_frames"])
    largest = np.abs(record["ring"][rows]).max(axis=0)
    return float(largest[0]), float(largest[1])


def draws(engine: Engine, x: float, y: float) -> Callable[[], bool]:
    return lambda: extent(engine) == pytest.approx((x, y), abs=1e-3)


def swaps(engine: Engine) -> int:
    # What a recall changes to is logged as a change too.
    log, _, _ = engine.log_since(0)
    return int((log["kind"] == EVENT_SWAP).sum())


class TestMorph:
    def test_parameters_stay_where_they_were_dialled_to_and_the_program_is_left_as_it_was(self) -> None:
        engine, programs = Engine(RATE), [new_program(), new_program()]
        for size, program in zip((0.25, 0.5), programs, strict=True):
            program.draw_path(0, size * np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]))
        engine.play(programs[0])
        engine.set("layer.1.level", 0.5)
        engine.set("output.offset.x", float("nan"))
        engine.render(RATE)
        morph_to(engine, programs[1])
        engine.render(RATE)
        assert engine.value("layer.1.level") == 0.5
        assert np.isnan(engine.values()["output.offset.x"])
        assert programs[1].record["base"].tolist() == programs[0].record["base"].tolist()

    def test_the_old_shape_bends_into_the_new_one(self) -> None:
        engine, programs = Engine(RATE), [new_program(), new_program()]
        for size, program in zip((0.25, 0.5), programs, strict=True):
            turn = np.linspace(0, 2 * np.pi, 1024, endpoint=False)
            program.draw_path(0, size * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1))
        engine.play(programs[0])
        engine.render(RATE)
        morph_to(engine, programs[1])
        heard = engine.render(RATE)
        radius = np.linalg.norm(heard, axis=1)
        frames = round(MORPH_SECONDS * RATE)
        # Both circles are run through in step, so every radius in between is passed in order.
        assert np.all(np.diff(radius[:frames]) >= -1e-6)
        assert radius[frames // 2] == pytest.approx(0.375, abs=0.005)
        assert radius[frames + 1 :] == pytest.approx(0.5, abs=1e-4)


class TestSavedDrawings:
    def test_the_new_shape_comes_and_what_was_dialled_in_stays(self, patch: Path, boat: Path, tmp_path: Path) -> None:
        window = tmp_path / "window.py"
        window.write_text(
            "import json, sys\n"
            "print(json.dumps({'do': 'set', 'address': 'layer.1.level', 'value': 0.5}), flush=True)\n"
            "sys.stdin.read()\n"
        )
        with Playing([patch], [str(window)], **SILENT) as show:
            engine = show.engine()
            wait_until(draws(engine, 0.125, 0.0625), "the first shape at half its level")
            box(boat, 1.0, 0.75)
            wait_until(draws(engine, 0.25, 0.1875), "the second shape at half its level")
            assert engine.value("layer.1.level") == 0.5
            show.wait_for("loaded")
            assert swaps(engine) == 2
            assert engine.record["counters"]["underflows"] == 0
            assert show.end() == 0

    def test_a_broken_drawing_keeps_the_old_shape_and_says_why_once(self, patch: Path, boat: Path) -> None:
        with Playing([patch], **SILENT) as show:
            engine = show.engine()
            wait_until(draws(engine, 0.25, 0.125), "the first shape")
            for _ in range(3):
                boat.write_text("v 0 0 0\nv 1 zwei 0\nl 1 2\n")
                show.wait_for("boat.obj:2:")
                time.sleep(0.4)
            assert draws(engine, 0.25, 0.125)()
            (said,) = [line for line in show.said if "boat.obj:2:" in line]
            assert said.startswith(f"{patch}, line 6: layer.1.source.drawing is ")
            assert swaps(engine) == 1
            box(boat, 1.0, 0.75)
            wait_until(draws(engine, 0.5, 0.375), "the mended shape")
            assert show.end() == 0

    def test_a_drawing_that_a_broken_patch_waits_for_is_watched_too(self, patch: Path, tmp_path: Path) -> None:
        with Playing([patch], **SILENT) as show:
            engine = show.engine()
            patch.write_text(PATCH.format(drawing='"crane.obj"'))
            show.wait_for("crane.obj: there is no such file")
            box(tmp_path / "crane.obj", 0.125, 1.0)
            wait_until(draws(engine, 0.0625, 0.5), "the drawing that was missing")
            assert show.end() == 0

    def test_every_page_of_a_flip_book_is_watched_and_new_pages_are_found(self, patch: Path, tmp_path: Path) -> None:
        pages = tmp_path / "moth"
        pages.mkdir()
        for number in (1, 2):
            box(pages / f"moth_{number}.obj", 0.25, 0.25 * number)
        patch.write_text(PATCH.format(drawing='"moth"\nframe = 1'))
        with Playing([patch], **SILENT) as show:
            engine = show.engine()
            wait_until(draws(engine, 0.125, 0.25), "the second page")
            box(pages / "moth_2.obj", 0.25, 1.0)
            wait_until(draws(engine, 0.125, 0.5), "the second page saved again")
            box(pages / "moth_0.obj", 0.25, 0.125)
            wait_until(draws(engine, 0.125, 0.125), "what was the first page to be the second")
            assert show.end() == 0

    def test_saving_the_same_again_changes_nothing(self, patch: Path, boat: Path) -> None:
        with Playing([patch], **SILENT) as show:
            engine = show.engine()
            box(boat, 0.5, 0.25)
            time.sleep(1.5)
            assert swaps(engine) == 1
            assert show.end() == 0

    def test_many_saves_of_a_large_drawing_find_room(self, patch: Path, boat: Path) -> None:
        with Playing([patch], **SILENT) as show:
            engine = show.engine()
            for k in range(14):
                turn = np.linspace(0, 2 * np.pi, 20_000, endpoint=False)
                points = 0.25 * np.stack([np.cos(turn) * (1 + k / 20), np.sin(turn)], axis=1)
                lines = [f"v {x:.6f} {y:.6f} 0" for x, y in points.tolist()]
                boat.write_text("\n".join([*lines, "l " + " ".join(map(str, range(1, 20_001))) + " 1\n"]))
                wait_until(draws(engine, 0.25 * (1 + k / 20), 0.25), f"shape {k}", 60.0)
            assert show.end() == 0

    def test_the_window_is_told_at_which_pitch_the_drawing_stays_legible(self, patch: Path, tmp_path: Path) -> None:
        window, heard = tmp_path / "window.py", tmp_path / "heard"
        window.write_text(f"import sys\nopen({str(heard)!r}, 'w').write(sys.stdin.readline())\nsys.stdin.read()\n")
        with Playing([patch], [str(window)], **SILENT) as show:
            wait_until(lambda: heard.exists() and heard.read_text().endswith("\n"), "the first message")
            assert json.loads(heard.read_text())["legible"] == [{"layer": 1, "corners": 4, "hertz": RATE / 4}]
            assert show.end() == 0

    def test_no_process_is_left_when_the_show_ends(self, patch: Path) -> None:
        with Playing([patch], **SILENT) as show:
            show.engine()
            stage = psutil.Process(show.process.pid)

            def reader() -> list[psutil.Process]:
                words = "instrument.drawings.worker.worker_process"
                return [child for child in stage.children(recursive=True) if words in child.cmdline()]

            wait_until(lambda: bool(reader()), "the warm process that reads drawings", 30.0)
            below = stage.children(recursive=True)
            assert show.end() == 0
            _, alive = psutil.wait_procs(below, timeout=5)
            assert [process for process in alive if not is_over(process)] == []


def is_over(process: psutil.Process) -> bool:
    """Whether nothing of a process runs; in a container nobody may ask for the status of one that has lost its parent."""
    try:
        return bool(process.status() == psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return True
