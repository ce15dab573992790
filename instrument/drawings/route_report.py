"""Routes as `beamhand route` reports them: figures, a summary in words, and a picture."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.budget.points_needed import points_needed
from instrument.drawings.limits import DrawingError
from instrument.drawings.load import LoadOptions, find_routes
from instrument.drawings.routing.closed_line import Route, StepKind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

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
        jump_length, corners, seconds, warnings`; besides them `bridge_length, jumps, exact`, `points` (that a cycle needs to
        show it), `left_out` (sentences on what was left out to fit a budget of points), and `frames` for a
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
    """Yield a report for each of many drawings; one that is refused does not stop the others.

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
    report["points"] = max(map(points_needed, routes))
    report["left_out"] = list(dict.fromkeys(found.left_out.words for found in routes if found.left_out.words))
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
    """Highest pitch in hertz at which every corner still has a sample of its own.

    Examples
    --------
    >>> highest_legible(480, 48_000)
    100.0
    """
    return rate / max(corners, 1)


def words_of(report: dict[str, Any], rate: float) -> str:
    """Return the figures of a drawing that was not refused, in three lines, and one more for what was left out.

    Parameters
    ----------
    report : dict
        As `report_of` gives it.
    rate : float
        Sample rate in hertz at which it would be played.
    """
    share = 100 * report["repeated_length"] / report["length"]
    frames = f"{report['frames']:,} frames, " if "frames" in report else ""
    left_out = "".join(f"\n  left out: {words}" for words in report["left_out"])
    return (
        f"{report['file']}: {frames}{report['edges']:,} edges, {report['vertices']:,} vertices "
        f"({report['odd_vertices']:,} odd), {report['components']:,} pieces, {report['corners']:,} corners\n"
        f"  length {report['length']:.6g}, drawn again {report['repeated_length']:.6g} ({share:.1f} %); "
        f"least by retracing alone {report['lower_bound']:.6g}\n"
        f"  {report['jumps']:,} jumps of {report['jump_length']:.6g} together; legible up to "
        f"{highest_legible(report['corners'], rate):.4g} Hz at {rate:g} samples a second; "
        f"{report['seconds']:.2f} s{left_out}"
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


# Told apart by line style and width as well as by colour; the colours are from the set of M. Okabe and K. Ito,
# Color Universal Design (2008), which people with colour-blindness can tell apart.
STYLES = {
    StepKind.DRAWN: ("drawn once", "#0072B2", "solid", 1.2),
    StepKind.REPEATED: ("drawn again", "#D55E00", (0, (4, 2)), 2.6),
    StepKind.JUMP: ("jump", "#CC79A7", (0, (1, 1.5)), 1.8),
    StepKind.BRIDGE: ("bridge", "#009E73", (0, (6, 2, 1, 2)), 1.8),
}
LEFT_OUT = "#C8C8C8"
MOST_ARROWS = 40
DOTS_PER_INCH = 100
# Seen from the front, the right and above, so that a cube shows three faces.
VIEW_TURN, VIEW_TILT = np.radians(35.0), np.radians(25.0)


def draw_route(found: Route, path: Path, rate: float = 48_000.0, size: int = 1000) -> None:
    """Draw a route to a PNG file, with arrows and figures.

    Parameters
    ----------
    found : Route
    path : Path
        Written over if it is there.
    rate : float
        Samples a second, for the pitch up to which the drawing is legible.
    size : int
        Pixels across, at least 200.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.collections import LineCollection
    from matplotlib.figure import Figure

    flat = _projected(found.line)
    # All of the drawing together, so that what is missing lies where it was.
    missing = found.left_out.lines
    steps = np.stack([flat, np.roll(flat, -1, axis=0)], axis=1)
    figure = Figure(figsize=(size / DOTS_PER_INCH, size / DOTS_PER_INCH), dpi=DOTS_PER_INCH)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.03, 0.17, 0.94, 0.76))
    # Repetition lies under the line that it repeats and shows at its sides.
    for layer, kind in enumerate((StepKind.JUMP, StepKind.BRIDGE, StepKind.REPEATED, StepKind.DRAWN)):
        rows = steps[found.kinds == kind]
        label, colour, style, width = STYLES[kind]
        if len(rows):
            lines = LineCollection(
                list(rows), colors=colour, linestyles=[style], linewidths=width, label=label, zorder=layer
            )
            axes.add_collection(lines)
    if len(missing):
        ends = _projected(np.concatenate([missing.reshape(-1, 3), found.line]))[: 2 * len(missing)]
        rows = ends.reshape(-1, 2, 2)
        axes.add_collection(LineCollection(list(rows), colors=LEFT_OUT, linewidths=0.6, label="left out", zorder=-1))
    _arrows(axes, steps)
    axes.plot(*flat[0], marker="o", color="black", markersize=7, fillstyle="none", label="start", linestyle="none")
    axes.set_aspect("equal")
    axes.autoscale_view()
    axes.set_axis_off()
    figure.legend(loc="upper center", ncols=len(STYLES) + 2, fontsize=8, frameon=False)
    figure.text(0.03, 0.02, _caption(found, rate), fontsize=9, family="monospace", va="bottom")
    figure.savefig(path, format="png")


def _projected(line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points as they are seen: a flat drawing from the front, any other at an angle, without perspective."""
    if not np.ptp(line[:, 2]) > 0:
        return line[:, :2]
    x, y, z = line.T
    across = x * np.cos(VIEW_TURN) + z * np.sin(VIEW_TURN)
    towards = z * np.cos(VIEW_TURN) - x * np.sin(VIEW_TURN)
    return np.stack([across, y * np.cos(VIEW_TILT) - towards * np.sin(VIEW_TILT)], axis=1)


def view_direction() -> tuple[float, float, float]:
    """Return the direction from which pictures show what is not flat, towards the eye."""
    level = np.cos(VIEW_TILT)
    return (float(-np.sin(VIEW_TURN) * level), float(np.sin(VIEW_TILT)), float(np.cos(VIEW_TURN) * level))


def _arrows(axes: object, steps: NDArray[np.float64]) -> None:
    """Small arrows at even distances along the line."""
    move = steps[:, 1] - steps[:, 0]
    length = np.linalg.norm(move, axis=1)
    reach = np.cumsum(length)
    if reach[-1] == 0:
        return
    count = min(MOST_ARROWS, len(steps))
    rows = np.unique(np.searchsorted(reach, (np.arange(count) + 0.5) / count * reach[-1]))
    rows = rows[length[rows] > 0]
    middle = steps[rows].mean(axis=1)
    heading = move[rows] / length[rows, None]
    axes.quiver(  # type: ignore[attr-defined]
        *middle.T,
        *heading.T,
        angles="xy",
        pivot="mid",
        scale=60,
        width=0.004,
        headwidth=5,
        headlength=6,
        zorder=9,
    )


def _caption(found: Route, rate: float) -> str:
    figures = found.figures
    left_out = f"left out: {found.left_out.words}\n" if found.left_out.words else ""
    share = 100 * figures.repeated_length / figures.length if figures.length else 0.0
    exact = "the least there is" if figures.exact else "the best found in time"
    return left_out + (
        f"{figures.edges:,} edges, {figures.vertices:,} vertices ({figures.odd_vertices:,} odd), "
        f"{figures.components:,} pieces, {figures.corners:,} corners\n"
        f"length {figures.length:.5g}, drawn again {figures.repeated_length:.5g} ({share:.1f} %), {exact}\n"
        f"least by retracing alone {figures.lower_bound:.5g}; {figures.jumps:,} jumps {figures.jump_length:.5g}, "
        f"bridges {figures.bridge_length:.5g}\n"
        f"legible up to {rate / max(figures.corners, 1):.4g} Hz at {rate:,.0f} samples a second; "
        f"routed in {figures.seconds:.2f} s"
    )
