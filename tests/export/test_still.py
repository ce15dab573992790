"""Rendering to stills."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pygame
import pytest

from instrument.engine.engine import Engine, set_event
from instrument.engine.program import new_program
from instrument.export.sound import ExportError
from instrument.export.still import export_still

RATE = 48000


def engine_with_a_circle() -> Engine:
    program = new_program()
    program.draw_harmonic(0, (np.array([[0.5, 1.0, 0.25]]), np.array([[0.5, 1.0, 0.0]]), np.zeros((0, 3))))
    program.schedule()
    engine = Engine(RATE)
    engine.play(program)
    return engine


def brightness(path: Path) -> npt.NDArray[np.float64]:
    pixels = pygame.surfarray.array3d(pygame.image.load(path)).swapaxes(0, 1)
    light: npt.NDArray[np.float64] = np.asarray(pixels, np.float64).sum(axis=2)
    return light


def test_a_circle_is_bright_on_its_line_and_dark_inside(tmp_path: Path) -> None:
    path = tmp_path / "circle.png"
    export_still(engine_with_a_circle(), path, 2 * RATE, 1024, [], 400)
    light = brightness(path)
    assert light.shape == (400, 400)
    rows, columns = np.indices(light.shape)
    radius = np.hypot(rows - 199.5, columns - 199.5)
    ring = radius[light > 0.5 * light.max()]
    assert ring.std() < 4
    assert light[radius < 0.4 * ring.mean()].max() < 0.05 * light.max()


def test_the_still_shows_the_end_of_the_rendering(tmp_path: Path) -> None:
    path = tmp_path / "gone.png"
    moved = [set_event(RATE // 2, "layer.1.place.move.x", 0.4)]
    export_still(engine_with_a_circle(), path, 2 * RATE, 1024, moved, 128)
    light = brightness(path)
    assert light[:, 64:].sum() > 3 * light[:, :64].sum()


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="cannot be written"):
        export_still(engine_with_a_circle(), tmp_path / "gone" / "x.png", 100, 64, [], 32)
