"""Options that several commands share."""

from pathlib import Path
from typing import Annotated, Literal

import typer

Patches = Annotated[
    list[Path] | None,
    typer.Argument(help="Patch files, or names in the factory set, which plays by default.", metavar="[PATCH]..."),
]
Played = Annotated[
    Path,
    typer.Argument(help="Patch file, folder of a take, or sound to look at.", metavar="PATCH|TAKE|SOUND"),
]
Audio = Annotated[str | None, typer.Option("--audio", help="Device by name, jack, or off.", metavar="NAME|off")]
Live = Annotated[str | None, typer.Option("--input", help="Live input by name, or off.", metavar="NAME|off")]
Channels = Annotated[
    str,
    typer.Option("--outputs", help="Channels: the display's xy; +pa without DC, +z brightness.", metavar="xy[+pa][+z]"),
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
Tags = Annotated[
    list[str] | None,
    typer.Option("--tag", help="What files of sound and film say: title, artist or date.", metavar="NAME=TEXT"),
]
Controls = Annotated[
    Path | None,
    typer.Option("--controls", help="Controller file that serves every patch.", metavar="FILE.toml"),
]
NoFeedback = Annotated[bool, typer.Option("--no-feedback", help="Send nothing back to faders, rings and pads.")]
NoProfile = Annotated[bool, typer.Option("--no-profile", help="Play without the correction of the device's profile.")]
Json = Annotated[bool, typer.Option("--json", help="One JSON object on a line.")]
Record = Annotated[Path | None, typer.Option("--record", help="Folder to record the show into.", metavar="DIR")]
Keep = Annotated[float, typer.Option("--keep", help="Seconds kept for a take after the fact.", metavar="S", min=0)]
Settings = Annotated[
    list[str] | None,
    typer.Option("--set", help="Change a parameter first; any number.", metavar="ADDRESS=VALUE"),
]
Size = Annotated[int, typer.Option("--size", help="Height of a still or a film.", metavar="PX", min=16, max=8192)]
Fps = Annotated[str, typer.Option("--fps", help="Frames a second of a film.", metavar="N")]
Exposure = Annotated[
    float, typer.Option("--exposure", help="Seconds at its end that a still shows.", metavar="SECONDS")
]
PhosphorType = Annotated[str, typer.Option("--phosphor", help="Type of the screen, P1 to P45.", metavar="NAME")]
Looks = Annotated[
    list[str] | None,
    typer.Option("--look", help="Setting of the screen, or a file of them.", metavar="NAME=VALUE|FILE"),
]
Lines = Annotated[
    Literal["edges", "outline"],
    typer.Option("--lines", help="Edges of a mesh, or its outline with hidden lines removed."),
]
Edges = Annotated[Literal["all", "feature"], typer.Option("--edges", help="Edges of a mesh that are drawn.")]
Crease = Annotated[
    float,
    typer.Option("--crease", help="Angle from which an edge is a feature.", metavar="DEG", min=0, max=180),
]
JumpCost = Annotated[
    float,
    typer.Option("--jump-cost", help="What a jump counts, of its length; inf only retraces.", metavar="F|inf", min=0),
]

Midi = Annotated[list[str] | None, typer.Option("--midi", help="MIDI port by name or part of it.", metavar="NAME")]
EndAfter = Annotated[float | None, typer.Option("--seconds", help="End after so many seconds.", metavar="S", min=0)]
