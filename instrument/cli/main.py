"""The command line: commands are registered here, one module each."""

from __future__ import annotations

import atexit
import gc
import os
from typing import Annotated

import typer

from instrument import __version__
from instrument.cli.bench_command import bench
from instrument.cli.calibrate_command import calibrate
from instrument.cli.measure_command import measure
from instrument.cli.messages import answer, reports_failures
from instrument.cli.patch_commands import patch_app
from instrument.cli.play_command import play
from instrument.cli.ports_command import ports
from instrument.cli.render_command import render
from instrument.cli.route_command import route

app = typer.Typer(
    name="beamhand",
    help="Draw pictures with sound: two channels steer a spot across an XY display.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
for command in (calibrate, play, render, ports, bench, measure, route):
    app.command()(reports_failures(command))
app.add_typer(patch_app, name="patch")


def show_version(wanted: bool) -> None:
    """Print the version and end."""
    if wanted:
        answer(__version__)
        raise typer.Exit


@app.callback()
def beamhand(
    version: Annotated[
        bool, typer.Option("--version", callback=show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Draw pictures with sound: two channels steer a spot across an XY display."""


def main() -> None:
    """Run the command line; exit status 0 done, 1 the work failed, 2 wrong usage."""
    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
    # Looking through all that compiled code for garbage takes half a second, and the memory is given back anyway.
    atexit.register(gc.freeze)
    app()
