"""Loops for sharing: one round of the movement, whose end leads into its beginning."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageSequence

from instrument.engine.engine import Engine
from instrument.engine.program import Program, new_program
from instrument.export.loop import export_loop
from instrument.export.sound import ExportError

RATE = 48_000


def ellipse() -> Program:
    program = new_program()
    program.draw_harmonic(0, (np.array([[0.8, 1.0, 0.25]]), np.array([[0.2, 1.0, 0.0]]), np.zeros((0, 3))))
    program.set("layer.1.pen.frequency", 100.0)
    return program


def playing(program: Program) -> Engine:
    program.schedule()
    engine = Engine(RATE)
    engine.play(program)
    engine.render(1)
    return engine


def frames_of(path: Path) -> tuple[list[np.ndarray[tuple[int, ...], np.dtype[np.float64]]], float]:
    with Image.open(path) as image:
        frames = [np.asarray(frame.convert("RGB"), np.float64) for frame in ImageSequence.Iterator(image)]
        return frames, float(image.info["duration"]) / 1000  # of the frame that was read last


@pytest.mark.parametrize("kind", ["gif", "webp"])
def test_the_end_leads_into_the_beginning(kind: str, tmp_path: Path) -> None:
    program = ellipse()
    program.set("layer.1.place.spin.z", 0.5)
    path = tmp_path / f"turning.{kind}"
    assert export_loop(playing(program), path, [], 96) == pytest.approx(2.0)
    frames, duration = frames_of(path)
    assert len(frames) == 50
    assert duration == pytest.approx(0.04)
    steps = [np.abs(a - b).mean() for a, b in zip(frames, [*frames[1:], frames[0]], strict=True)]
    assert min(steps) > 0
    assert steps[-1] < 1.5 * max(steps[:-1])
    # A quarter of the way round it lies across, which is neither its beginning nor a still.
    assert np.abs(frames[0] - frames[12]).mean() > 4 * steps[-1]


def test_a_movement_that_never_comes_round_is_closed_by_a_cross_fade(tmp_path: Path) -> None:
    program = ellipse()
    program.set("layer.1.place.spin.z", 0.37)
    path = tmp_path / "drift.webp"
    assert export_loop(playing(program), path, [], 64, seconds=1.5) == 1.5
    frames, _ = frames_of(path)
    steps = [np.abs(a - b).mean() for a, b in zip(frames, [*frames[1:], frames[0]], strict=True)]
    assert steps[-1] < 2 * max(steps[:-1])


def test_it_runs_for_ever(tmp_path: Path) -> None:
    path = tmp_path / "x.gif"
    export_loop(playing(ellipse()), path, [], 32)
    with Image.open(path) as image:
        assert image.info["loop"] == 0  # 0 repeats without end (NETSCAPE2.0 application extension)


def test_a_loop_that_would_be_too_large_says_what_fits(tmp_path: Path) -> None:
    program = ellipse()
    program.set("layer.1.place.spin.z", 0.05)
    with pytest.raises(ExportError, match="use --size 732 or less"):
        export_loop(playing(program), tmp_path / "x.gif", [], 1080)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="cannot be written"):
        export_loop(playing(ellipse()), tmp_path / "gone" / "x.gif", [], 32)
