"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

Audio = Annotated[
    str | None, typer.Option("--audio", help="Device by name, jack, or off.", metavar="NAME|off")
]
Live = Annotated[str | None, typer.Option("--input", help="Live input by name, or off.", metavar="NAME|off")]
Channels = Annotated[
    str,
    typer.Option(
        "--outputs", help="Channels: the display's xy; +pa without DC, +z brightness.", metavar="xy[+pa][+z]"
    ),
]
Rate = Annotated[float | None, typer.Option("--rate", help="Sample rate in hertz.", metavar="HZ")]
Block = Annotated[int, typer.Option("--block", help="Frames in a block.", metavar="FRAMES", min=1)]
OwnBlock = Annotated[
    int | None,
    typer.Option("--block", help="Frames in a block; JACK keeps its own.", metavar="FRAMES", min=1),
]
Perform = Annotated[
    Path | None, typer.Option("--perform", help="Standard MIDI File to play into it.", metavar="FILE.mid")
]
Json = Annotated[bool, typer.Option("--json", help="One JSON object on a line.")]
