"""Stills: what the screen shows at the end of a rendering, or of a sound file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pygame

from instrument.beam.look import look_of
from instrument.beam.photograph import Photograph
from instrument.export.foreign_sound import open_sound
from instrument.export.sound import ExportError, appearing
from instrument.takes.rendered_frames import render_frames

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.engine.engine import Engine, Event
    from instrument.export.foreign_sound import Sound

STILL = ".png"
"""File ending of a still."""

EXPOSURE = 1.0
"""Seconds at the end of the rendering that a still shows unless others are asked for."""

_APPROACH = 0.01
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
    _take(camera, pieces, frames, rate, exposure)
    _save(camera.develop(), path)


def export_still_of(
    sound: Sound, path: Path, frames: int, size: int, exposure: float = EXPOSURE, look: Look | None = None
) -> None:
    """Write a picture of the first `frames` of a sound file, at their end, as `export_still` does.

    Raises
    ------
    ExportError
        If one of the files cannot be read or written.
    """
    frames = min(frames, sound.frames)
    camera = Photograph(sound.rate, size, exposure, look)
    first = max(frames - round((exposure + camera.run_in + _APPROACH) * sound.rate), 0)
    _take(camera, sound.pieces(first, frames - first), frames - first, sound.rate, exposure)
    _save(camera.develop(), path)


def still_of_file(path: Path, output: Path, seconds: float | None, size: int, exposure: float, looks: list[str]) -> str:
    """Write a picture of a sound file as the command asks for it; return what to say about it.

    Parameters
    ----------
    path, output : Path
    seconds : float or None
        Where the picture is taken, the end of the file by default.
    size : int
    exposure : float
    looks : list of str
        As `instrument.beam.look.look_of` takes them.

    Raises
    ------
    ValueError
        If one of the files or a setting is refused.
    """
    if output.suffix.lower() != STILL:
        raise ExportError(f"{output}: a sound file becomes a picture or a film; name a {STILL}, .mkv or .mp4")
    look = look_of(looks)
    sound = open_sound(path)
    frames = sound.frames if seconds is None else min(round(seconds * sound.rate), sound.frames)
    export_still_of(sound, output, max(frames, 1), size, exposure, look)
    said = f"{output}: {frames / sound.rate:g} s at {sound.rate} Hz"
    return f"{said}; {sound.remark}" if sound.remark else said


def _take(
    camera: Photograph,
    pieces: Iterable[npt.NDArray[np.float32]],
    frames: int,
    rate: float,
    exposure: float,
) -> None:
    opens = max(frames - round(exposure * rate), 0)
    begins = opens - round((camera.run_in + _APPROACH) * rate)
    at = 0
    for piece in pieces:
        camera.wait(piece[max(begins - at, 0) : max(opens - at, 0)])
        if at + len(piece) > opens:
            camera.expose(piece[max(opens - at, 0) :])
        at += len(piece)


def _save(picture: npt.NDArray[np.uint8], path: Path) -> None:
    with appearing(path, pygame.error, ending=STILL) as part:
        pygame.image.save(pygame.surfarray.make_surface(picture.swapaxes(0, 1)), part)
