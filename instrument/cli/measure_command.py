"""`beamhand measure`: figures and a chart of a sound."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from instrument.cli.command_options import Json
from instrument.cli.messages import answer, say


def measure(
    sound: Annotated[Path, typer.Argument(help="Sound file, or a take, which is a folder.", metavar="FILE|TAKE")],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="Picture to write.", metavar="REPORT.png")
    ] = None,
    as_json: Json = False,
) -> None:
    """Measure a sound: levels, loudness, flashes of its picture, dwell, jumps, band."""
    if output is not None and output.suffix.lower() != ".png":
        raise typer.BadParameter(f"{output} does not end in .png", param_hint="-o")
    from instrument.common.progress import working
    from instrument.measure.measurement import measure_sound
    from instrument.measure.measurement_report import check_folder, draw_report

    if output is not None:
        check_folder(output)
    with working("measuring") as progress:
        found = measure_sound(sound, progress)
    if output is not None:
        draw_report(found, output, sound.name)
    if as_json:
        answer(json.dumps({"file": str(sound), **found.as_dict()}, allow_nan=False))
        for warning in found.warnings:
            say(f"{sound}: {warning}")
        return
    from rich.console import Console

    from instrument.measure.measurement_report import table_of

    Console(highlight=False).print(table_of(found, str(sound)))
