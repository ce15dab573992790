"""`beamhand route`: drawings as one closed line, in figures and as a picture."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from instrument.cli.command_options import Crease, Edges, Json, JumpCost, Lines, Rate
from instrument.cli.messages import answer, say

if TYPE_CHECKING:
    from instrument.drawings.routing.closed_line import Route

DEFAULT_RATE = 48000.0
"""Sample rate in hertz for which the highest legible pitch is told."""


def route(
    drawings: Annotated[
        list[Path], typer.Argument(help="Drawings, or numbered folders of them.", metavar="DRAWING...")
    ],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="Picture or report to write.", metavar="OUT.png|OUT.json"),
    ] = None,
    as_json: Json = False,
    lines: Lines = "edges",
    edges: Edges = "all",
    crease: Crease = 30.0,
    jump_cost: JumpCost = 4.0,
    points: Annotated[
        float | None,
        typer.Option("--points", help="Fit it to so many points of a cycle; what matters least is left out."),
    ] = None,
    pitch: Annotated[
        float | None, typer.Option("--pitch", help="Fit it to this pitch, in hertz, at the sample rate.", metavar="HZ")
    ] = None,
    rate: Rate = None,
) -> None:
    """Show a drawing as one closed line: lengths, repetition and its proven bound, jumps, corners, what it lacks."""
    kind = output.suffix.lower() if output is not None else ""
    if output is not None and kind not in {".png", ".json"}:
        raise typer.BadParameter(f"{output} ends in neither .png nor .json", param_hint="-o")
    if kind == ".png" and len(drawings) > 1:
        raise typer.BadParameter("a picture shows one drawing; name one, or write .json", param_hint="-o")
    if math.isnan(jump_cost) or math.isnan(crease):
        raise typer.BadParameter("nan is not a number here", param_hint="--jump-cost, --crease")
    at = rate or DEFAULT_RATE
    budget = _budget(points, pitch, at)
    from instrument.common.progress import routing_progress
    from instrument.drawings.load import LoadOptions
    from instrument.drawings.outline.viewpoints import Viewpoints
    from instrument.drawings.readers.by_ending import ReadOptions
    from instrument.drawings.route_report import report_of, view_direction
    from instrument.drawings.routing.closed_line import RouteOptions
    from instrument.drawings.worker.client import Worker

    # An outline is that of the side which the picture shows.
    reading = ReadOptions(lines=lines, edges=edges, crease=crease)
    routing, views = RouteOptions(jump_cost=jump_cost), Viewpoints((view_direction(),))
    options = LoadOptions(reading, routing, points=budget, views=views)
    reports: list[dict[str, Any]] = []
    found: list[Route] = []
    with Worker() as worker, routing_progress(len(drawings)) as stage:
        for number, drawing in enumerate(drawings):

            def find(number: int = number, drawing: Path = drawing) -> list[Route]:
                found[:] = worker.routes([drawing], options=options, progress=lambda name: stage(number, name))
                return found

            reports.append(report_of(drawing, find))
            show_route(reports[-1], as_json=as_json, rate=at)
    if kind == ".json" and output is not None:
        output.write_text("".join(json.dumps(report) + "\n" for report in reports))
    elif output is not None and found:
        from instrument.drawings.route_report import draw_route

        draw_route(found[0], output, at)
        if len(found) > 1:
            say(f"{output} shows the first of {len(found)} frames")
    if any("error" in report for report in reports):
        raise typer.Exit(1)


def _budget(points: float | None, pitch: float | None, rate: float) -> float | None:
    """Points of a cycle that drawings are fitted to; None for all of them."""
    for name, number in (("--points", points), ("--pitch", pitch), ("--rate", rate)):
        if number is not None and not 0 < number < math.inf:
            raise typer.BadParameter(f"{number:g} is not possible; it is a number above 0", param_hint=name)
    if points is not None and pitch is not None:
        raise typer.BadParameter("give the points of a cycle or a pitch, not both", param_hint="--points, --pitch")
    return rate / pitch if pitch is not None else points


def show_route(report: dict[str, Any], *, as_json: bool, rate: float = DEFAULT_RATE) -> None:
    """Print one drawing's figures: as JSON, or in words with warnings and refusals on standard error."""
    for text in (report["error"],) if "error" in report else report["warnings"]:
        say(f"beamhand: {text}" if "error" in report else f"{report['file']}: {text}")
    if as_json:
        answer(json.dumps(report))
    elif "error" not in report:
        from instrument.drawings.route_report import words_of

        answer(words_of(report, rate))
