"""`beamhand render`: sound, films, stills and loops of a patch, a take or a sound file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from instrument.cli.command_options import (
    Block,
    Exposure,
    Fps,
    Looks,
    Perform,
    PhosphorType,
    Played,
    Rate,
    Settings,
    Size,
    Tags,
)
from instrument.cli.messages import say


def render(
    patch: Played,
    output: Annotated[
        Path,
        typer.Option("-o", "--output", help="File to write.", metavar="OUT.(wav|flac|mkv|mp4|png|gif|webp)"),
    ],
    rate: Rate = None,
    block: Block = 1024,
    seconds: Annotated[float | None, typer.Option("--seconds", help="Length.", metavar="S", min=0)] = None,
    perform: Perform = None,
    settings: Settings = None,
    size: Size = 1080,
    fps: Fps = "60",
    tags: Tags = None,
    exposure: Exposure = 1.0,
    phosphor: PhosphorType = "",
    look: Looks = None,
) -> None:
    """Render a patch, a take again, or a sound's picture.

    .wav (float), .flac (24 bits), .mkv or .mp4 (a film), .png (a still), .gif or .webp (one round).
    """
    from instrument.common.progress import working
    from instrument.export.imported_sound import is_sound
    from instrument.patch.factory import by_name
    from instrument.takes.sound_file import tags_from

    patch = by_name(patch)
    looks, named = (*(look or ()), phosphor), tags_from(tags or ())
    if is_sound(patch):
        from instrument.export.imported_sound import render_sound

        if rate is not None or perform is not None or settings:
            raise ValueError(f"{patch}: a sound file has its own rate, and takes no --perform and no --set")
        with working("rendering") as progress:
            said = render_sound(patch, output, seconds, size, exposure, looks, fps, named, progress)
        for sentence in said:
            say(sentence)
        return
    from instrument.engine.compiling.warm import warm

    warm()
    from instrument.export.rendering import Rendering
    from instrument.export.rendering import render as render_to_file

    wanted = Rendering(
        patch,
        output,
        rate,
        block,
        seconds,
        perform,
        tuple(settings or ()),
        size,
        named,
        exposure,
        looks,
        fps,
    )
    with working("rendering") as progress:
        said = render_to_file(wanted, progress)
    for sentence in said:
        say(sentence)
