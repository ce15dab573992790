"""Render a program to a still: what the screen shows at the end of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pygame

from instrument.beam.light import still
from instrument.takes.export import ExportError, render_frames

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import numpy.typing as npt

    from instrument.engine.engine import Engine, Event

EXPOSURE = 1.0
"""Seconds at the end of the rendering that the still shows."""


def export_still(engine: Engine, path: Path, frames: int, block: int, events: list[Event], size: int) -> None:
    """Render `frames` and write a picture of the last second; the file appears only when it is complete.

    Parameters
    ----------
    engine : Engine
        With its program already changed to.
    path : Path
        ``.png``.
    frames, block : int
    events : list of Event
        Performance, in sample times of the engine.
    size : int
        Width and height in pixels.

    Raises
    ------
    ExportError
        If the file cannot be written; an older file of that name is kept.
    """
    save_still(path, render_frames(engine, frames, block, events), engine.rate, size)


def save_still(path: Path, pieces: Iterable[npt.NDArray[np.float32]], rate: float, size: int) -> None:
    """Write a picture of the last second of float32 pieces [shape=(n, 2)].

    Raises
    ------
    ExportError
        If the file cannot be written; an older file of that name is kept.
    """
    exposed = round(EXPOSURE * rate)
    kept = [np.zeros((0, 2), np.float32)]
    for piece in pieces:
        kept.append(piece)
        while sum(map(len, kept)) - len(kept[0]) >= exposed:
            kept.pop(0)
    picture = still(np.concatenate(kept)[-exposed:], size)
    part = path.with_name(f".{path.stem}.part.png")
    try:
        pygame.image.save(pygame.surfarray.make_surface(picture.swapaxes(0, 1)), part)
        part.replace(path)
    except (OSError, pygame.error) as error:
        part.unlink(missing_ok=True)
        raise ExportError(f"{path}: cannot be written ({error}); name a folder with room for it") from error
