"""Render a program to a file of sound, in the same blocks and with the same code as on stage."""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import soundfile

from instrument.takes.offline_rendering import render_frames
from instrument.takes.sound_file import FRAME_BYTES, flac_holds, set_tags, to_24_bits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    import numpy as np
    import numpy.typing as npt

    from instrument.engine.engine import Engine, Event

FORMATS = {".wav": ("WAV", "FLOAT"), ".flac": ("FLAC", "PCM_24")}
"""File ending to libsndfile's container and sample format."""

PICTURES = (".gif", ".png", ".webp")
"""File endings that are no sound (`instrument.export.still`, `instrument.export.loop`)."""

FILMS = (".mkv", ".mp4")
"""File endings of films, with sound as it was and with lossy sound (`instrument.export.film`)."""

_LARGEST_WAV = (1 << 32) - (1 << 16)
"""Bytes of samples that a file of the older format can say the length of."""


class ExportError(ValueError):
    """A file of sound cannot be written as asked; the message says why and what to do."""


def sound_format(path: Path) -> tuple[str, str]:
    """Return libsndfile's names of container and sample format for a file.

    Raises
    ------
    ExportError
        If the ending is not one of `FORMATS`.
    """
    try:
        return FORMATS[path.suffix.lower()]
    except KeyError:
        known = ", ".join(sorted([*FORMATS, *PICTURES, *FILMS]))
        raise ExportError(f"{path}: cannot write {path.suffix or 'a file without ending'}; use {known}") from None


def check_rate(path: Path, rate: float) -> int:
    """Return a whole sample rate that the file's format can hold.

    Raises
    ------
    ExportError
        If it cannot.
    """
    container, subtype = sound_format(path)
    whole = round(rate)
    if whole != rate or whole <= 0 or not soundfile.check_format(container, subtype):
        raise ExportError(f"{path}: {rate:g} Hz is not a sample rate; use a whole number such as 48000")
    if container == "FLAC" and not flac_holds(whole):
        raise ExportError(f"{path}: FLAC has no {whole} Hz; use .wav, or up to 655350 Hz in whole tens")
    return whole


@contextmanager
def atomic_output(
    path: Path,
    *errors: type[Exception],
    ending: str = "",
    take_name: Callable[[Path, Path], object] = Path.replace,
) -> Iterator[Path]:
    """Give the name of another file to write into, beside it; the file appears whole under its own name, or not at all.

    Parameters
    ----------
    path : Path
    *errors : type of Exception
        What the writing may raise besides OSError.
    ending : str
        Of the other name, where the writing goes by it.
    take_name : callable
        Gives what was written its own name; by default in the place of an older file.

    Raises
    ------
    ExportError
        If it cannot be written.
    """
    part = path.with_name(f".{path.name}.part{ending}")
    expected: tuple[type[Exception], ...] = (OSError, *errors)
    try:
        yield part
        take_name(part, path)
    except expected as error:
        raise ExportError(f"{path}: cannot be written ({error}); name a folder with room for it") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def publish_new(part: Path, path: Path) -> None:
    """Give a finished file its name, unless there is something of that name.

    Raises
    ------
    FileExistsError
        If there is.
    OSError
        If the folder does not take it.
    """
    if os.name == "nt":
        part.rename(path)
        return
    try:
        path.hardlink_to(part)
    except FileExistsError:
        raise
    except OSError:
        # A file system without links: what could come between these two lines is a player's own second film.
        refuse_existing(path)
        part.rename(path)


def refuse_existing(path: Path) -> None:
    """Refuse a name that is taken.

    Raises
    ------
    ExportError
        If there is something of that name.
    """
    if path.exists() or path.is_symlink():
        raise ExportError(f"{path}: there is something of this name already; give another name")


def export_sound(
    engine: Engine,
    path: Path,
    frames: int,
    block: int,
    events: list[Event],
    tags: Mapping[str, str] | None = None,
) -> int:
    """Render `frames` into a sound file; the file appears only when it is complete.

    Parameters
    ----------
    engine : Engine
        With its program already changed to.
    path : Path
        ``.wav`` for 32-bit float, ``.flac`` for 24-bit.
    frames, block : int
    events : list of Event
        Performance, in sample times of the engine.
    tags : mapping of str to str, optional
        Some of `sound_file.TAGS`.

    Returns
    -------
    int
        Samples that had to be clipped.

    Raises
    ------
    ExportError
        If the format is unknown or the file cannot be written; an older file of that name is kept.
    """
    return write_sound(path, check_rate(path, engine.rate), frames, render_frames(engine, frames, block, events), tags)


def write_sound(
    path: Path,
    rate: int,
    frames: int,
    pieces: Iterable[npt.NDArray[np.float32]],
    tags: Mapping[str, str] | None = None,
) -> int:
    """Write pieces of float32 [shape=(n, 2)], `frames` together, into a sound file.

    Returns
    -------
    int
        Samples that had to be clipped, which a file of float never does.

    Raises
    ------
    ExportError
        If the file cannot be written; an older file of that name is kept.
    """
    container, subtype = sound_format(path)
    if container == "WAV" and frames * FRAME_BYTES > _LARGEST_WAV:
        container = "RF64"
    clipped = 0
    with (
        atomic_output(path, soundfile.SoundFileError) as part,
        soundfile.SoundFile(part, "w", rate, 2, subtype, format=container) as file,
    ):
        set_tags(file, tags or {})
        for piece in pieces:
            if subtype == "PCM_24":
                whole, beyond = to_24_bits(piece)
                file.write(whole)
                clipped += beyond
            else:
                file.write(piece)
    return clipped
