"""What `beamhand route` tells: a drawing as one line in figures, with the points that draw it at a pitch."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from instrument.drawings.load import LoadOptions, find_routes
from instrument.drawings.refusal import DrawingError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from instrument.drawings.routing.closed_line import Route
    from instrument.drawings.worker.client import Worker

    Progress = Callable[[str], None]

# The keys that are promised, in their order.
PROMISED = (
    "edges", "vertices", "components", "odd_vertices", "length", "repeated_length", "lower_bound", "jump_length",
    "corners", "seconds", "warnings",
)  # fmt: skip


def route_report(
    path: str | Path,
    options: LoadOptions | None = None,
    worker: Worker | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Read and route one drawing, or a numbered folder, and give its figures.

    Parameters
    ----------
    path : str or Path
    options : LoadOptions, optional
    worker : isolation.Worker, optional
        Where to read it, with limits on time and memory; by default in this process, without.
    progress : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    dict
        `file` and the keys `edges, vertices, components, odd_vertices, length, repeated_length, lower_bound,
        jump_length, corners, seconds, warnings`; besides them `bridge_length, jumps, exact`, and `frames` for a
        flip-book, whose figures are sums over its frames. Lengths are in the drawing's own units; `seconds` is
        reading and routing together. Where the drawing was refused: `file` and `error`.
    """
    return report_of(path, lambda: _routes(path, options, worker, progress))


def route_reports(
    paths: Sequence[str | Path],
    options: LoadOptions | None = None,
    worker: Worker | None = None,
    progress: Progress | None = None,
) -> Iterator[dict[str, Any]]:
    """Give a report for each of many drawings; one that is refused does not stop the others.

    Parameters and each report as for `route_report`.
    """
    for path in paths:
        yield route_report(path, options, worker, progress)


def report_of(path: str | Path, find: Callable[[], Sequence[Route]]) -> dict[str, Any]:
    """Time a search for routes and give its figures, or why there are none.

    Parameters
    ----------
    path : str or Path
        Named in the report.
    find : callable
        Gives the routes.

    Returns
    -------
    dict
    """
    began = time.perf_counter()
    try:
        routes = find()
    except DrawingError as error:
        return {"file": str(path), "error": str(error)}
    return {"file": str(path), **figures_of(routes), "seconds": time.perf_counter() - began}


def figures_of(routes: Sequence[Route]) -> dict[str, Any]:
    """Sum the figures of routes under the promised keys.

    Parameters
    ----------
    routes : sequence of Route
        At least one.

    Returns
    -------
    dict
    """
    figures = [found.figures for found in routes]
    warnings = list(dict.fromkeys(word for found in routes for word in found.warnings))
    report: dict[str, Any] = {key: sum(getattr(f, key) for f in figures) for key in PROMISED if key != "warnings"}
    report["warnings"] = warnings
    report["bridge_length"] = sum(f.bridge_length for f in figures)
    report["jumps"] = sum(f.jumps for f in figures)
    report["exact"] = all(f.exact for f in figures)
    if len(routes) > 1:
        report["frames"] = len(routes)
        # What blurs first is the frame with most corners.
        report["corners"] = max(f.corners for f in figures)
    return report


def points_per_cycle(rate: float, frequency: float) -> float:
    """Count the samples that draw one cycle.

    A drawing with more corners than that blurs (common practice, no source).

    Parameters
    ----------
    rate : float
        Samples a second, above 0.
    frequency : float
        Cycles a second, above 0.

    Examples
    --------
    >>> points_per_cycle(48_000, 100)
    480.0
    """
    return rate / frequency


def highest_legible(corners: int, rate: float) -> float:
    """Give the highest pitch in hertz at which every corner still has a sample of its own.

    Examples
    --------
    >>> highest_legible(480, 48_000)
    100.0
    """
    return rate / max(corners, 1)


def words_of(report: dict[str, Any], rate: float) -> str:
    """Return the figures of a drawing that was not refused, in three lines.

    Parameters
    ----------
    report : dict
        As `report_of` gives it.
    rate : float
        Sample rate in hertz at which it would be played.
    """
    share = 100 * report["repeated_length"] / report["length"]
    frames = f"{report['frames']:,} frames, " if "frames" in report else ""
    return (
        f"{report['file']}: {frames}{report['edges']:,} edges, {report['vertices']:,} vertices "
        f"({report['odd_vertices']:,} odd), {report['components']:,} pieces, {report['corners']:,} corners\n"
        f"  length {report['length']:.6g}, drawn again {report['repeated_length']:.6g} ({share:.1f} %); "
        f"least by retracing alone {report['lower_bound']:.6g}\n"
        f"  {report['jumps']:,} jumps of {report['jump_length']:.6g} together; legible up to "
        f"{highest_legible(report['corners'], rate):.4g} Hz at {rate:g} samples a second; "
        f"{report['seconds']:.2f} s"
    )


def _routes(
    path: str | Path, options: LoadOptions | None, worker: Worker | None, progress: Progress | None
) -> list[Route]:
    if worker is not None:
        return worker.routes([path], options=options, progress=progress)
    try:
        return find_routes([path], options=options, progress=progress)
    except DrawingError as error:
        raise error.at(Path(path).name) from error.__cause__
