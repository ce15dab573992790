"""A measurement as a table for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from instrument.measure.cautions import CAUTIONS
from instrument.measure.flashes import MOST
from instrument.measure.levels import gain_to_db

if TYPE_CHECKING:
    from rich.console import RenderableType

    from instrument.measure.measurement import Figures, Measurement

NONE = "none"
"""What is said of a figure that is not there: the level of silence, the cycle of noise."""


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
