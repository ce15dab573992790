"""A sound file from elsewhere rendered into a still or a film; knows nothing of the engine, which needs not be compiled."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.beam.look import look_of
from instrument.export.film import FilmOptions, is_film, read_pace, write_film
from instrument.export.foreign_sound import open_sound
from instrument.export.still import still_of_file

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path


def render_sound(
    source: Path,
    output: Path,
    seconds: float | None,
    size: int,
    exposure: float,
    looks: Sequence[str],
    fps: str,
    tags: Mapping[str, str],
    progress: Callable[[float], None] | None = None,
) -> list[str]:
    """Render a sound file as the command asks for it; return what to say about it.

    Parameters
    ----------
    source, output : Path
    seconds : float or None
        Length of a film, or where a still is taken; the end of the file by default.
    size : int
    exposure : float
    looks : sequence of str
        As `instrument.beam.look.look_of` takes them.
    fps : str
        As `instrument.export.film.read_pace` takes it.
    tags : mapping of str to str
    progress : callable, optional
        Takes the share that is done.

    Raises
    ------
    ValueError
        If one of the files or a setting is refused.
    """
    if not is_film(output):
        return [still_of_file(source, output, seconds, size, exposure, list(looks))]
    options = FilmOptions(size, read_pace(fps), look_of(list(looks)))
    sound = open_sound(source)
    frames = sound.frames if seconds is None else min(round(seconds * sound.rate), sound.frames)
    said = write_film(output, sound.rate, sound.pieces(0, frames), frames, options, tags, progress)
    said += [f"{source}: {sound.remark}"] if sound.remark else []
    return [*said, f"{output}: {frames / sound.rate:g} s at {sound.rate} Hz"]
