"""Loops for sharing: one round of the movement, whose end leads into its beginning."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageSequence

from instrument.engine.engine import Engine
from instrument.engine.modulators.modulator_table import (
    MODULATOR_CURVE,
    MODULATOR_ENVELOPE,
    MODULATOR_LFO,
    MODULATOR_NOTE,
    MODULATOR_RANDOM,
)
from instrument.engine.program import Program, new_program
from instrument.export.loop import DRIFT_SECONDS, LONGEST_SECONDS, export_loop, period_of
from instrument.export.sound import ExportError
from instrument.patch.formula.parser import compile_formula

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


def figure() -> Program:
    program = new_program()
    program.draw_harmonic(0, (np.array([[0.8, 1.0, 0.25]]), np.array([[0.2, 1.0, 0.0]]), np.zeros((0, 3))))
    return program


@pytest.mark.parametrize(
    ("spins", "modulator", "wanted"),
    [
        ((0.5,), None, (2.0, True)),
        ((0.5, 0.75), None, (4.0, True)),  # one half and three quarters of a turn meet after four seconds
        ((-0.25,), 0.1, (20.0, True)),
        ((0.0,), None, (1.0, True)),
        ((7.0,), None, (1.0, True)),  # seven rounds, so that none is cut
        ((0.5,), 0.0501, (LONGEST_SECONDS, False)),
        ((float("inf"), 0.5), None, (2.0, True)),
    ],
)
def test_a_round_is_the_time_after_which_all_rates_meet(
    spins: tuple[float, ...], modulator: float | None, wanted: tuple[float, bool]
) -> None:
    program = figure()
    for axis, spin in zip("xy", spins, strict=False):
        program.set(f"layer.1.place.spin.{axis}", spin)
    if modulator is not None:
        program.modulate(2, MODULATOR_LFO)
        program.set("mod.3.rate", modulator)
    period, closes = period_of(playing(program))
    assert period == pytest.approx(wanted[0])
    assert closes is wanted[1]


def by_the_beat(program: Program) -> None:
    program.modulate(0, MODULATOR_LFO)
    program.set("mod.1.sync", 1)
    program.set("mod.1.rate", 0.25)  # a cycle in four beats


def beaten(program: Program) -> None:
    program.modulate(0, MODULATOR_ENVELOPE)
    program.set("mod.1.trigger", 2)
    program.set("mod.1.every", 3)


def played(program: Program) -> None:
    program.modulate(0, MODULATOR_NOTE)


def once(program: Program) -> None:
    program.modulate_by_curve(0, np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 0.0]]))
    program.set("mod.1.rate", 0.3)
    program.set("mod.1.once", 1)


def by_chance(program: Program) -> None:
    program.modulate(0, MODULATOR_RANDOM)


def noisy(program: Program) -> None:
    program.form(0, ["noise"])


def by_formula(text: str) -> Callable[[Program], None]:
    return lambda program: program.modulate_by_formula(0, compile_formula(text))


@pytest.mark.parametrize(
    ("move", "wanted"),
    [
        (by_the_beat, (2.0, True)),  # four beats at 120 a minute
        (beaten, (1.5, True)),
        (played, (1.0, True)),
        (once, (1.0, True)),
        (by_chance, (DRIFT_SECONDS, False)),
        (noisy, (DRIFT_SECONDS, False)),
        (by_formula("sin(t)"), (1.0, False)),
        (by_formula("sin(tau * p)"), (1.0, True)),
        (by_formula("beat"), (1.0, False)),
    ],
)
def test_what_moves_in_other_ways_counts_too(move: Callable[[Program], None], wanted: tuple[float, bool]) -> None:
    program = figure()
    move(program)
    period, closes = period_of(playing(program))
    assert period == pytest.approx(wanted[0])
    assert closes == wanted[1]


def test_kinds_that_turn_are_those_with_a_cycle() -> None:
    program = figure()
    program.modulate_by_curve(0, np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 0.0]]))
    assert int(program.record["modulators"]["kind"][0]) == MODULATOR_CURVE
    program.set("mod.1.rate", 0.2)
    period, closes = period_of(playing(program))
    assert period == pytest.approx(5.0)
    assert closes
