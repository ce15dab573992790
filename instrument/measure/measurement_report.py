"""Reports of a measurement: a table for people, and a picture of screen, dwell, spectrum, level and flashes."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.console import Group
from rich.table import Table
from rich.text import Text

from instrument.measure.cautions import CAUTIONS
from instrument.measure.flashes import FRAMES_A_SECOND, MOST
from instrument.measure.levels import gain_to_db
from instrument.measure.loudness import MOMENTARY, SHORT_TERM
from instrument.measure.luminance import open_screen
from instrument.measure.sound_reader import TENTHS, SoundError, part_starts

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt
    from matplotlib.axes import Axes
    from rich.console import RenderableType

    from instrument.measure.measurement import Figures, Measurement

NONE = "none"
"""Word for a figure that is not there: the level of silence, the cycle of noise."""

# Told apart by line style and width as well as by colour; the colours are from the set of M. Okabe and K. Ito,
# Color Universal Design (2008), which people with colour-blindness can tell apart.
BLUE, ORANGE, GREEN, GREY = "#0072B2", "#D55E00", "#009E73", "#777777"

DOTS_PER_INCH = 100
MOST_POINTS = 1500
"""Points of a line over time; of more, the largest of each group is drawn."""

PICTURE = 400
STILL_AFTERGLOW = 0.12
"""Seconds in which the light of the still fades to 1/e, as in the window."""

FLOOR_DB = -120.0
QUIET = -60.0
WIDTH = 180
"""Letters in a line of warnings."""


def rows_of(f: Figures) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the table's parts, each a heading and its rows of name and value in words."""
    return [
        (
            "sound",
            [
                ("length", f"{f.seconds:.2f} s, {f.frames:,} frames"),
                ("rate, channels", f"{f.rate:,} Hz, {f.channels}"),
                ("not finite", f"{f.nonfinite:,} samples"),
            ],
        ),
        (
            "levels",
            [
                ("peak", _each(f.peak, "dBFS")),
                ("RMS", _each(f.rms, "dBFS")),
                ("crest factor", _one(f.crest_db, "dB")),
                ("DC", ", ".join(f"{value:+.4f}" for value in f.dc)),
                ("DC of the worst second", ", ".join(f"{value:.4f}" for value in f.dc_second)),
                ("correlation", NONE if f.correlation is None else f"{f.correlation:+.3f}"),
            ],
        ),
        (
            "ears",
            [
                ("loudness", _one(f.loudness_lufs, "LUFS")),
                (
                    "loudest 3 s, 0.4 s",
                    f"{_one(f.short_term_lufs, 'LUFS')}, {_one(f.momentary_lufs, 'LUFS')}",
                ),
                ("true peak", _each(f.true_peak, "dBTP")),
                ("energy above 20 kHz", f"{f.energy_above_20k:.2%}"),
                (f"energy above {0.45 * f.rate / 1000:.4g} kHz", f"{f.energy_above_045:.2%}"),
            ],
        ),
        (
            "eyes",
            [
                ("flashes in a second", f"{f.flashes_per_second} (at most {MOST})"),
                ("changing together", f"{f.flash_area:.0%} of a field of view (25% counts)"),
            ],
        ),
        (
            "screen",
            [
                ("light in hottest 1%", f"{f.dwell_hotspot:.1%}"),
                ("resting", f"{f.resting_time:.1%} of the time, longest {f.longest_rest:.2f} s"),
                ("jumps", f"{f.jumps_per_second:,.1f} a second, {f.jump_time:.2%} of the time"),
                ("points of a cycle", NONE if f.points_per_cycle is None else f"{f.points_per_cycle:,.1f}"),
            ],
        ),
    ]


def table_of(found: Measurement, title: str) -> RenderableType:
    """Return a table of the figures, with warnings and cautions below it.

    Parameters
    ----------
    found : Measurement
    title : str
        The sound's name.
    """
    table = Table(title=Text(title), title_justify="left", show_header=False, box=None, padding=(0, 2, 0, 0))
    for heading, rows in rows_of(found.figures):
        for number, (name, value) in enumerate(rows):
            table.add_row(Text("" if number else heading, style="bold"), name, value)
    warnings = [Text(f"! {line}", style="bold") for line in found.warnings]
    cautions = [Text(line, style="dim") for line in CAUTIONS]
    return Group(table, Text(), *warnings, *([Text()] if warnings else []), *cautions)


def _one(value: float | None, unit: str) -> str:
    return NONE if value is None else f"{value:.1f} {unit}"


def _each(gains: list[float], unit: str) -> str:
    found = [gain_to_db(gain) for gain in gains]
    return ", ".join(NONE if level is None else f"{level:+.2f}" for level in found) + f" {unit}"


def draw_report(found: Measurement, path: Path, title: str) -> None:
    """Draw a measurement to a PNG file; the file appears only when it is complete.

    Parameters
    ----------
    found : Measurement
    path : Path
        Written over if it is there.
    title : str

    Raises
    ------
    SoundError
        If the file cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    check_folder(path)
    lines = _folded(found.warnings)
    below = 0.17 * len(lines) + 0.15
    figure = Figure(figsize=(14, 9 + below), dpi=DOTS_PER_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    bottom = below / (9 + below)
    figure.suptitle(title, x=0.012, y=0.992, ha="left", va="top", fontsize=14, fontweight="bold")
    grid = figure.add_gridspec(4, 3, left=0.05, right=0.965, top=0.925, bottom=bottom + 0.055, hspace=0.7, wspace=0.2)
    _picture(figure.add_subplot(grid[:2, 0]), found)
    _dwell(figure.add_subplot(grid[:2, 1]), found)
    _table(figure.add_subplot(grid[:2, 2]), found)
    _spectrum(figure.add_subplot(grid[2:, 0]), found)
    level = figure.add_subplot(grid[2, 1:])
    _level(level, found)
    _flashes(figure.add_subplot(grid[3, 1:], sharex=level), found)
    figure.text(0.012, 0.008, "\n".join(lines), fontsize=9, va="bottom", linespacing=1.35)
    part = path.with_name(f".{path.name}.part")
    try:
        figure.savefig(part, format="png")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise SoundError(f"{path}: cannot be written ({error}); name a folder with room for it") from error


def check_folder(path: Path) -> None:
    """Refuse a file whose folder is not there, before an hour of sound is measured for it.

    Raises
    ------
    SoundError
    """
    if not path.parent.is_dir():
        raise SoundError(f"{path}: there is no such folder; name one that is there")


def screen_at_end(path: npt.NDArray[np.float32], rate: int, size: int) -> npt.NDArray[np.float32]:
    """Return the picture that up to a second of sound leaves on the screen [shape=(size, size)]."""
    screen = open_screen(size, STILL_AFTERGLOW)
    seen = screen(path[:0], rate)
    starts = part_starts(rate, FRAMES_A_SECOND)
    for start, end in itertools.pairwise(starts):
        if start < len(path):
            seen = screen(path[start:end], rate)
    return seen


def _folded(warnings: list[str]) -> list[str]:
    from textwrap import wrap

    lines = [line for text in warnings for line in wrap(f"! {text}", WIDTH, subsequent_indent="  ")]
    return lines or ["No warnings."]


def _picture(axes: Axes, found: Measurement) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    seen = screen_at_end(found.traces.loudest, found.figures.rate, PICTURE)
    glow = LinearSegmentedColormap.from_list("glow", ["#000000", "#10643a", "#52e090", "#ffffff"])
    axes.imshow(np.sqrt(seen), cmap=glow, vmin=0, vmax=1, interpolation="antialiased")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_title(f"screen, {_clock(found.traces.loudest_at)} (loudest second)", fontsize=10)


def _dwell(axes: Axes, found: Measurement) -> None:
    from matplotlib.colors import LogNorm

    cells = found.traces.cells / max(found.traces.cells.sum(), 1e-300)
    shown = axes.imshow(
        np.ma.masked_equal(cells, 0.0),
        origin="lower",
        extent=(-1, 1, -1, 1),
        cmap="magma",
        norm=LogNorm(1e-6, 1.0),
        interpolation="nearest",
    )
    axes.set_facecolor("black")
    axes.set_xticks([-1, 0, 1])
    axes.set_yticks([-1, 0, 1])
    axes.tick_params(labelsize=8)
    bar = axes.figure.colorbar(shown, ax=axes, fraction=0.046, pad=0.03)
    bar.ax.tick_params(labelsize=8)
    axes.set_title(f"share of light in each cell; hottest 1%: {found.figures.dwell_hotspot:.1%}", fontsize=10)


def _table(axes: Axes, found: Measurement) -> None:
    axes.set_axis_off()
    rows = [("" if n else part, *row) for part, rows in rows_of(found.figures) for n, row in enumerate(rows)]
    step = 1.12 / len(rows)
    for number, (part, name, value) in enumerate(rows):
        y = 1.06 - number * step
        axes.text(-0.06, y, part, fontsize=8.5, fontweight="bold", va="top", transform=axes.transAxes)
        axes.text(0.08, y, name, fontsize=8.5, va="top", color="#444444", transform=axes.transAxes)
        axes.text(0.48, y, value, fontsize=8.5, va="top", transform=axes.transAxes)


def _spectrum(axes: Axes, found: Measurement) -> None:
    traces, figures = found.traces, found.figures
    styles: list[dict[str, Any]] = [
        {"color": BLUE, "lw": 1.3, "label": "x" if figures.channels > 1 else "sound"},
        {"color": ORANGE, "lw": 0.9, "ls": "--", "label": "y"},
    ]
    highest = figures.rate / 2
    edges = np.geomspace(10, highest, 400)
    groups = np.searchsorted(traces.frequencies, edges)
    for values, style in zip(traces.density.T, styles, strict=False):
        # Lines lie closer than pixels at high frequencies: the strongest of each group stands for it.
        used = np.unique(groups[groups < len(values)])
        strongest = np.maximum.reduceat(values, used)
        axes.plot(traces.frequencies[used], 10 * np.log10(np.maximum(strongest, 1e-30)), **style)
    axes.set_xscale("log")
    axes.set_xlim(10, highest)
    top = float(np.ceil((10 * np.log10(max(traces.density.max(), 1e-12)) + 5) / 10) * 10)
    axes.set_ylim(top - 130, top)
    for frequency, name, dashes in (
        (20_000.0, "20 kHz", (0, (1, 1.5))),
        (0.45 * figures.rate, "0.45 rate", (0, (4, 2))),
    ):
        if frequency < highest:
            axes.axvline(frequency, color=GREY, lw=1, ls=dashes, label=name)
    axes.xaxis.set_major_formatter(lambda value, _: f"{value / 1000:g}k" if value >= 1000 else f"{value:g}")
    axes.set_xlabel("Hz", fontsize=9)
    axes.set_ylabel("dBFS a hertz", fontsize=9)
    axes.set_title("spectrum", fontsize=10)
    axes.legend(fontsize=8, loc="lower left")
    _ruled(axes)


def _level(axes: Axes, found: Measurement) -> None:
    traces = found.traces
    peaks = traces.peaks.max(axis=1)
    with np.errstate(divide="ignore"):
        _line(axes, 20 * np.log10(peaks), 1, color=GREY, lw=1, label="peak, dBFS")
    _line(axes, traces.momentary, MOMENTARY, color=BLUE, lw=0.9, ls="--", label="momentary, LUFS")
    _line(axes, traces.short_term, SHORT_TERM, color=ORANGE, lw=1.8, label="short-term, LUFS")
    shown = [values[values > FLOOR_DB] for values in (20 * np.log10(np.maximum(peaks, 1e-9)), traces.momentary)]
    low = min((float(values.min()) for values in shown if len(values)), default=QUIET)
    axes.set_ylim(max(QUIET, 10 * np.floor(low / 10) - 10), max(3.0, 20 * np.log10(max(peaks.max(), 1e-9)) + 3))
    axes.set_xlim(0, found.figures.seconds)
    axes.set_title("level", fontsize=10)
    axes.legend(fontsize=8, loc="lower right", ncols=3)
    _ruled(axes)


def _flashes(axes: Axes, found: Measurement) -> None:
    from matplotlib.ticker import MaxNLocator

    trace = found.traces.flashes
    _line(axes, trace.flashes.astype(float), 1, color=BLUE, lw=1.5, label="flashes in a second")
    axes.axhline(MOST, color=ORANGE, lw=1, ls=(0, (4, 2)), label=f"limit, {MOST} (WCAG 2.2)")
    axes.set_ylim(0, max(5, found.figures.flashes_per_second * 1.25))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
    axes.set_xlabel("seconds", fontsize=9)
    axes.set_title("flashes over more than 25% of a field of view, and the area that changes together", fontsize=10)
    area = axes.twinx()
    _line(area, 100 * trace.area, 1, color=GREEN, lw=0.8, ls=(0, (1, 1)), label="area, % of a field")
    area.set_ylim(0, 105)
    area.tick_params(labelsize=8)
    handles = [*axes.get_lines(), *area.get_lines()]
    area.legend(handles, [str(line.get_label()) for line in handles], fontsize=8, loc="upper right", ncols=3)
    _ruled(axes)


def _line(axes: Axes, values: npt.NDArray[np.float64], first: int, **style: Any) -> None:
    """Draw values of each tenth of a second over time; the first stands for so many of them."""
    if not len(values):
        return
    group = -(-len(values) // MOST_POINTS)
    starts = np.arange(0, len(values), group)
    axes.plot((starts + first) / TENTHS, np.maximum.reduceat(values, starts), **style)


def _ruled(axes: Axes) -> None:
    axes.grid(visible=True, color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=8)


def _clock(seconds: int) -> str:
    hours, rest = divmod(seconds, 3600)
    return f"{hours}:{rest // 60:02}:{rest % 60:02}" if hours else f"{rest // 60}:{rest % 60:02}"
