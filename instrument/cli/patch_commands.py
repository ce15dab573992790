"""`beamhand patch`: patch files made, checked, packed and unpacked, and their schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from instrument.cli.messages import answer, reports_failures, say

patch_app = typer.Typer(help="Make, check and share patch files.", no_args_is_help=True)


@patch_app.command("new")
@reports_failures
def patch_new(path: Annotated[Path, typer.Argument(help="File to make.", metavar="PATCH")]) -> None:
    """Make a commented patch to start from."""
    from instrument.patch.patch_file import new_patch

    new_patch(path)
    say(f"{path}: made; play it with: beamhand play {path}")


@patch_app.command("check")
@reports_failures
def patch_check(
    paths: Annotated[list[Path], typer.Argument(help="Patch files.", metavar="PATCH...")],
    rate: Annotated[
        float, typer.Option("--rate", help="Sample rate at which they will be played, in hertz.")
    ] = 48000.0,
) -> None:
    """Check patch files and say what is wrong with them, and what blurs."""
    from instrument.patch.build import build_program
    from instrument.patch.patch_drawings import read_drawings
    from instrument.patch.patch_file import load_patch
    from instrument.patch.rich_drawings import drawing_remarks, rich_layers

    if not 0 < rate < float("inf"):
        raise typer.BadParameter(f"{rate:g} is no sample rate; it is a number above 0", param_hint="--rate")
    refused = 0
    for path in paths:
        try:
            patch = load_patch(path)
            drawings = read_drawings(patch, rate)
            build_program(patch, drawings)
            blurred = rich_layers(patch, drawings, rate)
            for word in [*drawing_remarks(drawings), *blurred]:
                say(f"{path}: {word}")
        except (ValueError, OSError) as error:
            say(f"beamhand: {error}")
            refused += 1
        else:
            say(f"{path}: plays, but blurs" if blurred else f"{path}: good")
    if refused:
        raise typer.Exit(1)


@patch_app.command("schema")
@reports_failures
def patch_schema() -> None:
    """Print the JSON Schema of patch files."""
    from instrument.patch.schema.patch_schema import json_schema

    answer(json.dumps(json_schema(), indent=2))


@patch_app.command("pack")
@reports_failures
def patch_pack(
    patch: Annotated[Path, typer.Argument(help="Patch file.", metavar="PATCH")],
    performances: Annotated[
        list[Path] | None, typer.Argument(help="Performances that go with it.", metavar="[FILE.mid]...")
    ] = None,
    output: Annotated[Path | None, typer.Option("-o", "--output", help="File to write.", metavar="OUT.zip")] = None,
) -> None:
    """Put a patch, its drawings and performances into one file for sharing."""
    from instrument.patch.pack import pack

    target = output or patch.with_suffix(".zip")
    names = pack(patch, target, performances or ())
    say(f"{target}: {', '.join(names)}")


@patch_app.command("unpack")
@reports_failures
def patch_unpack(
    source: Annotated[Path, typer.Argument(help="Pack to open.", metavar="PACK.zip")],
    folder: Annotated[Path | None, typer.Option("-o", "--output", help="Folder to make.")] = None,
) -> None:
    """Open a pack, whoever it is from, into a new folder; nothing in it is run."""
    from instrument.patch.pack import unpack

    say(f"{unpack(source, folder)}: unpacked")
