"""One door for rendering: a patch or a take, into whatever the name of the file asks for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from instrument.beam.look import look_of
from instrument.engine.engine import Engine
from instrument.export.film import FilmOptions, check_film, is_film, read_pace, write_film
from instrument.export.loop import export_loop
from instrument.export.sound import PICTURES, check_rate, export_sound
from instrument.export.still import EXPOSURE, STILL, export_still
from instrument.export.take_export import export_take
from instrument.midi.files.performance import read_performance
from instrument.patch.editing.typed_changes import load_program
from instrument.takes.rendered_frames import render_frames
from instrument.takes.take_errors import TakeError
from instrument.takes.take_folder import is_take

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from instrument.engine.engine import Event

DEFAULT_RATE = 48_000.0

DEFAULT_SECONDS = 10.0
"""Length of a rendering that no performance gives a length to."""

TAIL_SECONDS = 1.0
"""What is rendered behind the last event of a performance."""


@dataclass(frozen=True)
class Rendering:
    """What to render, and how.

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
        Frames a second of a film, as `instrument.export.film.read_pace` takes them.
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
        """How a film is to be.

        Raises
        ------
        ValueError
            If a look or the number of frames is refused.
        """
        return FilmOptions(self.size, read_pace(self.fps), look_of(list(self.looks)))


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
    program, title = load_program(wanted.source, wanted.settings)
    engine = Engine(wanted.rate or DEFAULT_RATE)
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
