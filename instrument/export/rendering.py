"""One door for rendering: a patch or a take, into whatever the name of the file asks for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import soundfile

from instrument.beam.look import look_of
from instrument.engine.engine import Engine
from instrument.export.film import FilmOptions, check_film, is_film, parse_frame_rate, write_film
from instrument.export.loop import export_loop
from instrument.export.sound import (
    PICTURES,
    atomic_output,
    check_rate,
    export_sound,
    publish_new,
    refuse_existing,
    sound_format,
    write_sound,
)
from instrument.export.still import EXPOSURE, STILL, export_still, save_still
from instrument.midi.files.performance import read_performance
from instrument.patch.build import load_program
from instrument.takes.offline_rendering import render_frames
from instrument.takes.replay import Comparison, length_at, open_take, render_take
from instrument.takes.sound_file import FloatFile
from instrument.takes.take_folder import TakeError, is_take

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.engine.engine import Event


DEFAULT_RATE = 48_000.0

DEFAULT_SECONDS = 10.0
"""Length of a rendering that no performance gives a length to."""

TAIL_SECONDS = 1.0
"""Seconds rendered after the last event of a performance."""


@dataclass(frozen=True)
class Rendering:
    """Request to render: source, output and options.

    Attributes
    ----------
    source : Path
        Patch file, or folder of a take.
    output : Path
    rate : float or None
        Sample rate in hertz; None for the take's own, or `DEFAULT_RATE`.
    block : int
        Frames a call; changes no bit.
    seconds : float or None
        Length; None for that of the performance, or `DEFAULT_SECONDS`.
    perform : Path or None
        Standard MIDI File to play into the patch.
    settings : tuple of str
        Changes such as ``layer.1.level=0.5``.
    size : int
        Height of a picture in pixels; width for a square glass.
    tags : mapping of str to str
        What a file of sound or film says of itself.
    exposure : float
        Seconds at its end that a still shows.
    looks : tuple of str
        How a picture looks, as `instrument.beam.look.look_of` takes it.
    fps : str
        Frames a second of a film, as `instrument.export.film.parse_frame_rate` takes them.
    """

    source: Path
    output: Path
    rate: float | None = None
    block: int = 1024
    seconds: float | None = None
    perform: Path | None = None
    settings: tuple[str, ...] = ()
    size: int = 1080
    tags: Mapping[str, str] = field(default_factory=dict)
    exposure: float = EXPOSURE
    looks: tuple[str, ...] = ()
    fps: str = "60"

    @property
    def film(self) -> FilmOptions:
        """Options of a film.

        Raises
        ------
        ValueError
            If a look or the number of frames is refused.
        """
        return FilmOptions(self.size, parse_frame_rate(self.fps), look_of(list(self.looks)))


def render(wanted: Rendering, progress: Callable[[float], None] | None = None) -> list[str]:
    """Render, and return what is to be said.

    Parameters
    ----------
    wanted : Rendering
    progress : callable, optional
        Takes the share that is done, where it is known.

    Raises
    ------
    ValueError
        If what is asked for is refused.
    """
    if is_take(wanted.source):
        if wanted.perform is not None or wanted.settings or wanted.seconds is not None:
            raise TakeError(
                f"{wanted.source}: a take is rendered as it was played; --perform, --set and --seconds are for patches."
            )
        return export_take(
            wanted.source,
            wanted.output,
            wanted.rate,
            wanted.block,
            wanted.size,
            wanted.tags,
            progress,
            wanted.exposure,
            look_of(list(wanted.looks)),
            wanted.film if is_film(wanted.output) else None,
        )
    return _render_patch(wanted, progress)


def _render_patch(wanted: Rendering, progress: Callable[[float], None] | None) -> list[str]:
    output, kind = wanted.output, wanted.output.suffix.lower()
    if is_film(output):
        check_film(output, wanted.rate or DEFAULT_RATE, wanted.film)
    elif kind not in PICTURES:
        check_rate(output, wanted.rate or DEFAULT_RATE)
    look = look_of(list(wanted.looks))
    engine = Engine(wanted.rate or DEFAULT_RATE)
    program, title = load_program(wanted.source, wanted.settings, engine.rate)
    engine.play(program)
    said: list[str] = []
    events: list[Event] = []
    length = DEFAULT_SECONDS
    if wanted.perform is not None:
        events = read_performance(wanted.perform, engine.rate, said.append)
        length = max((event.time for event in events), default=0) / engine.rate + TAIL_SECONDS
    length = length if wanted.seconds is None else wanted.seconds
    frames = round(length * engine.rate)
    if kind == STILL:
        export_still(engine, output, frames, wanted.block, events, wanted.size, wanted.exposure, look)
    elif kind in PICTURES:
        length = export_loop(engine, output, events, wanted.size, wanted.seconds, look)
    elif is_film(output):
        pieces = render_frames(engine, frames, wanted.block, events)
        tags = {"title": title, **wanted.tags}
        said += write_film(output, engine.rate, pieces, frames, wanted.film, tags, progress)
    else:
        tags = {"title": title, **wanted.tags}
        clipped = export_sound(engine, output, frames, wanted.block, events, tags)
        if clipped:
            said.append(f"{output}: {clipped} samples were clipped by less than a step of 24 bits.")
    return [*said, f"{output}: {length:g} s at {engine.rate:g} Hz"]


def export_take(
    source: Path,
    output: Path,
    rate: float | None = None,
    block: int = 1024,
    size: int = 1080,
    tags: Mapping[str, str] | None = None,
    progress: Callable[[float], None] | None = None,
    exposure: float = EXPOSURE,
    look: Look | None = None,
    film: FilmOptions | None = None,
) -> list[str]:
    """Render a take into a file that is not there yet.

    Parameters
    ----------
    source : Path
        Folder of the take, or its `take.toml`.
    output : Path
        ``.wav`` for 32-bit float, which at the take's own rate is the very file that was recorded; ``.flac`` for 24
        bits; ``.png`` for a still of the end; ``.mkv`` or ``.mp4`` for a film.
    rate : float, optional
        Sample rate in hertz; the take's own by default.
    block : int
    size : int
        Height of a still in pixels.
    tags : mapping of str to str, optional
        In place of the take's own.
    progress : callable, optional
        Takes the share that is done.
    exposure : float
        Seconds at its end that a still shows.
    look : Look, optional
        How a still looks.
    film : FilmOptions, optional
        Options of a film.

    Returns
    -------
    list of str
        Sentences: what was changed since, whether it is the same as the recording, what had to be clipped.

    Raises
    ------
    ValueError
        If the take is damaged, or the file is there already or cannot be written.
    """
    kind = output.suffix.lower()
    if kind in PICTURES and kind != STILL:
        raise TakeError(f"{output}: a loop shows one round of a patch, not a take; render the patch, or a {STILL}.")
    if kind != STILL and not is_film(output):
        sound_format(output)
    take = open_take(source)
    wanted = check_rate(output.with_suffix(".wav"), rate or take.metadata.rate)
    refuse_existing(output)
    if is_film(output):
        check_film(output, wanted, film or FilmOptions())
    compares = wanted == take.metadata.rate
    comparison = Comparison(take)
    # A film tells itself how far it has come: the sound is the least of it.
    pieces = render_take(take, wanted, block, None if is_film(output) else progress)
    if compares:
        pieces = comparison.through(pieces)
    named = {**take.metadata.tags, **(tags or {})}
    said = list(take.warnings)
    clipped = 0
    if kind == STILL:
        save_still(output, pieces, length_at(take, wanted), wanted, size, exposure, look)
    elif is_film(output):
        said += write_film(output, wanted, pieces, length_at(take, wanted), film, named, progress)
    elif kind == ".wav":
        _write_float(output, pieces, wanted, named)
    else:
        clipped = write_sound(output, check_rate(output, wanted), length_at(take, wanted), pieces, named)
    if clipped:
        said.append(f"{output}: {clipped} samples were clipped by less than a step of 24 bits.")
    seconds = length_at(take, wanted) / wanted
    result = comparison.sentence() if compares else f"rendered anew at {wanted} Hz"
    return [*said, f"{output}: {seconds:g} s, {result}"]


def _write_float(path: Path, pieces: Iterator[npt.NDArray[np.float32]], rate: int, tags: Mapping[str, str]) -> None:
    with atomic_output(path, soundfile.SoundFileError, take_name=publish_new) as part:
        part.unlink(missing_ok=True)
        with FloatFile(part, rate, tags) as file:
            for piece in pieces:
                file.write(piece)
