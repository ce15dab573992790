"""A routed line as a picture: what is drawn once, drawn again, jumped and bridged, and which way it runs."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.closed_line import Kind, Route

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

# Told apart by line style and width as well as by colour; the colours are from the set of M. Okabe and K. Ito,
# Color Universal Design (2008), which people with colour-blindness can tell apart.
STYLES = {
    Kind.DRAWN: ("drawn once", "#0072B2", "solid", 1.2),
    Kind.REPEATED: ("drawn again", "#D55E00", (0, (4, 2)), 2.6),
    Kind.JUMP: ("jump", "#CC79A7", (0, (1, 1.5)), 1.8),
    Kind.BRIDGE: ("bridge", "#009E73", (0, (6, 2, 1, 2)), 1.8),
}
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

    flat = _seen(found.line)
    steps = np.stack([flat, np.roll(flat, -1, axis=0)], axis=1)
    figure = Figure(figsize=(size / DOTS_PER_INCH, size / DOTS_PER_INCH), dpi=DOTS_PER_INCH)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.03, 0.17, 0.94, 0.76))
    # Repetition lies under the line that it repeats and shows at its sides.
    for layer, kind in enumerate((Kind.JUMP, Kind.BRIDGE, Kind.REPEATED, Kind.DRAWN)):
        rows = steps[found.kinds == kind]
        label, colour, style, width = STYLES[kind]
        if len(rows):
            lines = LineCollection(
                list(rows), colors=colour, linestyles=[style], linewidths=width, label=label, zorder=layer
            )
            axes.add_collection(lines)
    _arrows(axes, steps)
    axes.plot(*flat[0], marker="o", color="black", markersize=7, fillstyle="none", label="start", linestyle="none")
    axes.set_aspect("equal")
    axes.autoscale_view()
    axes.set_axis_off()
    figure.legend(loc="upper center", ncols=len(STYLES) + 1, fontsize=8, frameon=False)
    figure.text(0.03, 0.02, _words(found, rate), fontsize=9, family="monospace", va="bottom")
    figure.savefig(path, format="png")


def _seen(line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points as they are seen: a flat drawing from the front, any other at an angle, without perspective."""
    if not np.ptp(line[:, 2]) > 0:
        return line[:, :2]
    x, y, z = line.T
    across = x * np.cos(VIEW_TURN) + z * np.sin(VIEW_TURN)
    towards = z * np.cos(VIEW_TURN) - x * np.sin(VIEW_TURN)
    return np.stack([across, y * np.cos(VIEW_TILT) - towards * np.sin(VIEW_TILT)], axis=1)


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


def _words(found: Route, rate: float) -> str:
    figures = found.figures
    share = 100 * figures.repeated_length / figures.length if figures.length else 0.0
    exact = "the least there is" if figures.exact else "the best found in time"
    return (
        f"{figures.edges:,} edges, {figures.vertices:,} vertices ({figures.odd_vertices:,} odd), "
        f"{figures.components:,} pieces, {figures.corners:,} corners\n"
        f"length {figures.length:.5g}, drawn again {figures.repeated_length:.5g} ({share:.1f} %), {exact}\n"
        f"least by retracing alone {figures.lower_bound:.5g}; {figures.jumps:,} jumps {figures.jump_length:.5g}, "
        f"bridges {figures.bridge_length:.5g}\n"
        f"legible up to {rate / max(figures.corners, 1):.4g} Hz at {rate:,.0f} samples a second; "
        f"routed in {figures.seconds:.2f} s"
    )
