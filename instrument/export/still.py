"""Stills: what the screen shows at the end of a rendering, or of a sound file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pygame

from instrument.beam.pictures import Photograph
from instrument.export.sound import atomic_output
from instrument.takes.offline_rendering import render_frames

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.engine.engine import Engine, Event

STILL = ".png"
"""File ending of a still."""

EXPOSURE = 1.0
"""Seconds at the end of the rendering that a still shows unless others are asked for."""

APPROACH = 0.01
"""Seconds before the exposure that the beam is followed in any case, so that it comes from where it was."""


def export_still(
    engine: Engine,
    path: Path,
    frames: int,
    block: int,
    events: list[Event],
    size: int,
    exposure: float = EXPOSURE,
    look: Look | None = None,
) -> None:
    """Render `frames` and write a picture of their end; the file appears only when it is complete.

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
        Height in pixels; width for a square glass.
    exposure : float
        Seconds that the shutter is open.
    look : Look, optional

    Raises
    ------
    ExportError
        If the file cannot be written; an older file of that name is kept.
    """
    pieces = render_frames(engine, frames, block, events)
    save_still(path, pieces, frames, engine.rate, size, exposure, look)


def save_still(
    path: Path,
    pieces: Iterable[npt.NDArray[np.float32]],
    frames: int,
    rate: float,
    size: int,
    exposure: float = EXPOSURE,
    look: Look | None = None,
) -> None:
    """Write a picture of the end of float32 pieces [shape=(n, 2)], `frames` together, as `export_still` does.

    Raises
    ------
    ExportError
        If the file cannot be written; an older file of that name is kept.
    """
    camera = Photograph(rate, size, exposure, look)
    expose_end(camera, pieces, frames, rate, exposure)
    save_picture(camera.develop(), path)


def expose_end(
    camera: Photograph,
    pieces: Iterable[npt.NDArray[np.float32]],
    frames: int,
    rate: float,
    exposure: float,
) -> None:
    """Let a camera follow pieces of sound, `frames` together, with its shutter open for the last `exposure` seconds."""
    opens = max(frames - round(exposure * rate), 0)
    begins = opens - round((camera.run_in + APPROACH) * rate)
    at = 0
    for piece in pieces:
        camera.wait(piece[max(begins - at, 0) : max(opens - at, 0)])
        if at + len(piece) > opens:
            camera.expose(piece[max(opens - at, 0) :])
        at += len(piece)


def save_picture(picture: npt.NDArray[np.uint8], path: Path) -> None:
    """Write a picture [shape=(height, width, 3)] as PNG; the file appears only when it is complete."""
    with atomic_output(path, pygame.error, ending=STILL) as part:
        pygame.image.save(pygame.surfarray.make_surface(picture.swapaxes(0, 1)), part)
