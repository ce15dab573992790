"""The commands: parse, call, print. Nothing else."""

from __future__ import annotations

import gc
import json
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from instrument import __version__
from instrument.cli.calibrate import calibrate
from instrument.cli.command_options import (
    Audio,
    Block,
    Channels,
    Controls,
    Crease,
    Edges,
    EndAfter,
    Exposure,
    Fps,
    Json,
    JumpCost,
    Keep,
    Live,
    Looks,
    Midi,
    NoFeedback,
    NoProfile,
    OwnBlock,
    Patches,
    Perform,
    PhosphorType,
    Played,
    Rate,
    Record,
    Settings,
    Size,
    Tags,
)
from instrument.cli.messages import reports_failures, say

if TYPE_CHECKING:
    from instrument.drawings.routing.closed_line import Route

app = typer.Typer(
    name="beamhand",
    help="Draw pictures with sound: two channels steer a spot across an XY display.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
patch_app = typer.Typer(help="Make, check and share patch files.", no_args_is_help=True)
app.add_typer(patch_app, name="patch")
app.command()(reports_failures(calibrate))

DEFAULT_RATE = 48000.0


def show_version(wanted: bool) -> None:
    """Print the version and end."""
    if wanted:
        print(__version__)
        raise typer.Exit


@app.callback()
def beamhand(
    version: Annotated[
        bool, typer.Option("--version", callback=show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Draw pictures with sound: two channels steer a spot across an XY display."""


@app.command()
@reports_failures
def play(
    patches: Patches = None,
    audio: Audio = None,
    midi: Midi = None,
    live: Live = None,
    outputs: Channels = "xy",
    rate: Rate = None,
    block: OwnBlock = None,
    controls: Controls = None,
    no_feedback: NoFeedback = False,
    no_profile: NoProfile = False,
    no_window: Annotated[bool, typer.Option("--no-window", help="Play without a window.")] = False,
    seconds: EndAfter = None,
    perform: Perform = None,
    record: Record = None,
    keep: Keep = 60.0,
    tags: Tags = None,
) -> None:
    """Play patches: controller in, sound out, picture in a window."""
    # Looking for garbage among what is only being imported is a tenth of a warm start.
    gc.disable()
    from instrument.engine.compiling.warm import warm

    warm()
    from instrument.cli.first_caution import caution_once
    from instrument.patch.factory import by_name, factory_set
    from instrument.show.show import run_show
    from instrument.show.show_options import ShowOptions
    from instrument.takes.sound_file import tags_from

    gc.enable()
    options = ShowOptions(
        patches=tuple(map(by_name, patches)) if patches else (factory_set(),),
        audio=audio,
        midi=tuple(midi or ()),
        rate=rate,
        block=block,
        window=not no_window,
        seconds=seconds,
        perform=perform,
        record=record,
        keep=keep,
        tags=tags_from(tags or ()),
        input=live,
        controls=controls,
        feedback=not no_feedback,
        outputs=outputs,
        opening=not patches and perform is None,
        profile=not no_profile,
    )
    if caution := caution_once():
        say(caution)
    status = run_show(options, say)
    if status:
        raise typer.Exit(status)


@app.command()
@reports_failures
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


@app.command()
@reports_failures
def ports(as_json: Json = False) -> None:
    """List audio devices and MIDI ports."""
    from instrument.cli.port_list import list_ports

    found = list_ports()
    if as_json:
        print(json.dumps(found))
        return
    for device in found["audio"]:
        channels = f"{device['inputs']} in, {device['outputs']} out"
        print(f"audio     {device['name']}  ({device['host']}, {channels}, {device['rate']:g} Hz)")
    for name in found["midi_in"]:
        print(f"midi in   {name}")
    for name in found["midi_out"]:
        print(f"midi out  {name}")
    if not any(found.values()):
        say("no audio device and no MIDI port found")


@app.command()
@reports_failures
def bench(as_json: Json = False) -> None:
    """Measure what the callback costs on this machine."""
    from instrument.engine.compiling.warm import warm

    warm()
    from instrument.measure.callback_cost import measure_cost

    cost = measure_cost()
    if as_json:
        print(json.dumps(cost.as_dict()))
        return
    print(cost.in_words())


@app.command()
@reports_failures
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
        print(json.dumps({"file": str(sound), **found.as_dict()}, allow_nan=False))
        for warning in found.warnings:
            say(f"{sound}: {warning}")
        return
    from rich.console import Console

    from instrument.measure.measurement_report import table_of

    Console(highlight=False).print(table_of(found, str(sound)))


@app.command()
@reports_failures
def route(
    drawings: Annotated[
        list[Path], typer.Argument(help="Drawings, or numbered folders of them.", metavar="DRAWING...")
    ],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="Picture or report to write.", metavar="OUT.png|OUT.json"),
    ] = None,
    as_json: Json = False,
    edges: Edges = "all",
    crease: Crease = 30.0,
    jump_cost: JumpCost = 4.0,
) -> None:
    """Show a drawing as one closed line: lengths, repetition and its proven bound, jumps, corners, time."""
    kind = output.suffix.lower() if output is not None else ""
    if output is not None and kind not in {".png", ".json"}:
        raise typer.BadParameter(f"{output} ends in neither .png nor .json", param_hint="-o")
    if kind == ".png" and len(drawings) > 1:
        raise typer.BadParameter("a picture shows one drawing; name one, or write .json", param_hint="-o")
    if math.isnan(jump_cost) or math.isnan(crease):
        raise typer.BadParameter("nan is not a number here", param_hint="--jump-cost, --crease")
    from instrument.common.progress import routing_progress
    from instrument.drawings.load import LoadOptions
    from instrument.drawings.readers.by_ending import ReadOptions
    from instrument.drawings.route_report import report_of
    from instrument.drawings.routing.closed_line import RouteOptions
    from instrument.drawings.worker.client import Worker

    options = LoadOptions(ReadOptions(edges=edges, crease=crease), RouteOptions(jump_cost=jump_cost))
    reports: list[dict[str, Any]] = []
    found: list[Route] = []
    with Worker() as worker, routing_progress(len(drawings)) as stage:
        for number, drawing in enumerate(drawings):

            def find(number: int = number, drawing: Path = drawing) -> list[Route]:
                found[:] = worker.routes([drawing], options=options, progress=lambda name: stage(number, name))
                return found

            reports.append(report_of(drawing, find))
            show_route(reports[-1], as_json=as_json)
    if kind == ".json" and output is not None:
        output.write_text("".join(json.dumps(report) + "\n" for report in reports))
    elif output is not None and found:
        from instrument.drawings.route_report import draw_route

        draw_route(found[0], output)
        if len(found) > 1:
            say(f"{output} shows the first of {len(found)} frames")
    if any("error" in report for report in reports):
        raise typer.Exit(1)


def show_route(report: dict[str, Any], *, as_json: bool) -> None:
    """Print one drawing's figures: as JSON, or in words with warnings and refusals on standard error."""
    for text in (report["error"],) if "error" in report else report["warnings"]:
        say(f"beamhand: {text}" if "error" in report else f"{report['file']}: {text}")
    if as_json:
        print(json.dumps(report), flush=True)
    elif "error" not in report:
        from instrument.drawings.route_report import words_of

        print(words_of(report, DEFAULT_RATE), flush=True)


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
) -> None:
    """Check patch files and say what is wrong with them."""
    from instrument.patch.build import load_program

    refused = 0
    for path in paths:
        try:
            load_program(path)
        except (ValueError, OSError) as error:
            say(f"beamhand: {error}")
            refused += 1
        else:
            say(f"{path}: good")
    if refused:
        raise typer.Exit(1)


@patch_app.command("schema")
@reports_failures
def patch_schema() -> None:
    """Print the JSON Schema of patch files."""
    from instrument.patch.schema.patch_schema import json_schema

    print(json.dumps(json_schema(), indent=2))


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


def main() -> None:
    """Run the command line; exit status 0 done, 1 the work failed, 2 wrong usage."""
    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
    app()
