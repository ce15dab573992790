"""The strip below everything: levels, what the machine has to spare, what comes in, and the buttons of a show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from instrument.window.readings import FLOOR
from instrument.window.widgets.cells import Cell, Rows

if TYPE_CHECKING:
    from collections.abc import Callable

    import pygame

    from instrument.window.pages.context import Context
    from instrument.window.theme import Sizes

FIGURE_EMS, BUTTON_EMS = 11.5, 7.2
"""Least width of a figure and of a button; as many stand in a row as the window has room for."""

_MOST_FIGURES, _MOST_BUTTONS = 6, 10

_FITS = "Press to leave out what matters least, until it fits; undo brings it back."

LOW_DISK = 600.0
"""Seconds of recording that are left when the figure asks for attention."""


@dataclass(frozen=True)
class Readings:
    """Figures that the strip tells, besides the state of the stage.

    Attributes
    ----------
    levels, held, dc : tuple of float
        Decibels below full scale, the highest of late, and the mean (of full scale), left and right.
    load : int
        Percent of its time that the callback needs.
    underflows, missed : int
    legible, widest : str
        Points of a cycle beside the drawing's corners, and the longest that these words become.
    blurred : int
        Layer, from 1, whose drawing has more corners than points; 0 for none.
    midi : str
        Latest message, or nothing.
    keyboard : str
        Lowest note of the computer keyboard.
    """

    levels: tuple[float, float] = (FLOOR, FLOOR)
    held: tuple[float, float] = (FLOOR, FLOOR)
    dc: tuple[float, float] = (0.0, 0.0)
    load: int = 0
    underflows: int = 0
    missed: int = 0
    legible: str = ""
    blurred: int = 0
    widest: str = ""
    midi: str = ""
    keyboard: str = ""


Figure = tuple[str, str, str, int, str, int, int, str]
"""Key, name, value, columns, tone, filled and held thousandths (-1 for no bar), and a sentence on it."""


def strip_height(width: int, sizes: Sizes) -> int:
    """Return the height that the strip needs in a window, whatever it tells."""
    rows = len(_shared_out([figure[3] for figure in _figures(None, Readings())], _per_row(width, sizes)))
    rows += -(-len(_BUTTONS) // _buttons_per_row(width, sizes))
    return rows * (sizes.row + max(sizes.gap // 2, 1)) + sizes.gap


def strip_cells(room: pygame.Rect, sizes: Sizes, context: Context, readings: Readings) -> list[Cell]:
    """Return the cells of the strip."""
    rows = Rows(room.move(0, sizes.gap), sizes)
    per_row = _per_row(room.width, sizes)
    figures = _figures(context, readings)
    for line in _shared_out([figure[3] for figure in figures], per_row):
        chosen = [figures[k] for k in line]
        spare = per_row - sum(figure[3] for figure in chosen)
        boxes = rows.boxes(
            [*(float(min(figure[3], per_row)) for figure in chosen), *([float(spare)] if spare > 0 else [])]
        )
        for box, (key, name, value, _, tone, fill, peak, about) in zip(boxes, chosen, strict=False):
            act = _fitting(context, readings.blurred) if key == "legible" else None
            words = f"{about} {_FITS}" if act is not None else about
            rows.add(Cell(key, box, "meter", name, value, tone=tone, fill=fill, peak=peak, act=act, about=words))  # type: ignore[arg-type]
    buttons = _buttons_per_row(room.width, sizes)
    for first in range(0, len(_BUTTONS), buttons):
        named = _BUTTONS[first : first + buttons]
        boxes = rows.boxes([1.0] * buttons)
        for box, (do, words, about) in zip(boxes, named, strict=False):
            rows.add(_button(context, box, do, words, about))
    return rows.cells


def _per_row(width: int, sizes: Sizes) -> int:
    return min(max(int(width / (FIGURE_EMS * sizes.em)), 2), _MOST_FIGURES)


def _buttons_per_row(width: int, sizes: Sizes) -> int:
    return min(max(int(width / (BUTTON_EMS * sizes.em)), 3), _MOST_BUTTONS)


def _shared_out(widths: list[int], per_row: int) -> list[list[int]]:
    rows: list[list[int]] = [[]]
    for k, width in enumerate(widths):
        if rows[-1] and sum(min(widths[j], per_row) for j in rows[-1]) + width > per_row:
            rows.append([])
        rows[-1].append(k)
    return rows


def _figures(context: Context | None, readings: Readings) -> list[Figure]:
    found: list[Figure] = []
    for k, name in enumerate(("left", "right")):
        level, held = readings.levels[k], readings.held[k]
        words = "silent" if level <= FLOOR else f"{level:.0f} dB"
        about = f"Peak level of the {name} channel; the tick stays at the highest of the last seconds."
        found.append((f"level {name}", name, words, 1, "plain", _bar(level), _bar(held), about))
    headroom = -max(readings.held)
    tight = headroom < 1.0
    found += [
        (
            "headroom",
            "headroom",
            f"{headroom:.1f} dB{' !' if tight else ''}",
            1,
            "trouble" if tight else "plain",
            -1,
            -1,
            "From the highest level of late to full scale; above the knee the guard bends the picture.",
        ),
        (
            "load",
            "load",
            f"{readings.load} %{' !' if readings.load > 70 else ''}",
            1,
            "trouble" if readings.load > 70 else "plain",
            10 * readings.load,
            -1,
            "Share of its time that the callback needs; near 100 the sound breaks up.",
        ),
        (
            "underflows",
            "underflows",
            f"{readings.underflows}{f', {readings.missed} unseen' if readings.missed else ''}"
            + (" !" if readings.underflows else ""),
            1,
            "trouble" if readings.underflows else "plain",
            -1,
            -1,
            "Blocks that the device did not get in time, and frames that this window did not get to see.",
        ),
        ("latency", "latency", _latency(context), 1, "plain", -1, -1, "From a knob to the sound."),
        (
            "dc",
            "DC",
            f"{readings.dc[0]:+.2f} {readings.dc[1]:+.2f}",
            1,
            "plain",
            -1,
            -1,
            "Mean of each channel: a display is shifted by it, a loudspeaker is warmed by it.",
        ),
        (
            "legible",
            "points",
            readings.legible or "no drawing",
            2,
            "trouble" if readings.legible.startswith("blurred") else "plain",
            -1,
            -1,
            "Samples of one cycle beside the drawing's corners: with fewer points than corners it blurs.",
        ),
        (
            "midi",
            "MIDI",
            readings.midi or "-",
            1,
            "light" if readings.midi else "plain",
            -1,
            -1,
            "What comes in.",
        ),
        ("tempo", "tempo", _tempo(context), 1, "plain", -1, -1, "Beats in a minute; a tap sets it."),
        _recording(context),
    ]
    return found


def _fitting(context: Context, layer: int) -> Callable[[], None] | None:
    """Return what fits the drawing of a layer to its points; None where it is no drawing, or is fitted already."""
    if layer == 0:
        return None
    layers = context.stage.table("document").get("layer")
    try:
        source = layers[layer - 1]["source"] if isinstance(layers, list) else {}
        drawn = ("drawing" in source or "text" in source) and "points" not in source
    except (IndexError, KeyError, TypeError):
        return None
    if not drawn:
        return None
    return lambda: context.ask("edit", path=["layer", layer - 1, "source", "points"], value="auto")


def _bar(level: float) -> int:
    return round(1000 * (1.0 - max(level, FLOOR) / FLOOR))


def _latency(context: Context | None) -> str:
    seconds = context.stage.all.get("latency") if context is not None else None
    return f"{1000 * seconds:.1f} ms" if isinstance(seconds, int | float) else "-"


def _tempo(context: Context | None) -> str:
    return f"{context.live.value('tempo.bpm'):.1f} bpm" if context is not None else "-"


def _recording(context: Context | None) -> Figure:
    recording = context.stage.table("recording") if context is not None else {}
    on = bool(recording.get("on"))
    words = f"● {clock(recording.get('seconds'))}" if on else "off"
    left = recording.get("disk_seconds")
    low = isinstance(left, int | float) and left < LOW_DISK
    if isinstance(left, int | float):
        words += f", {clock(left)} left{' !' if low else ''}"
    tone = "trouble" if low else "light" if on else "plain"
    about = f"Time recorded, and time for which there is room in {recording.get('folder') or 'the folder of takes'}."
    return "recording", "" if on else "take", words, 1, tone, -1, -1, about


def clock(seconds: object) -> str:
    """Return a time in hours and minutes, or minutes and seconds.

    Examples
    --------
    >>> clock(75), clock(3 * 3600 + 120)
    ('1:15', '3 h 02')
    """
    whole = int(seconds) if isinstance(seconds, int | float) and 0 <= seconds < 1e9 else 0
    if whole >= 3600:
        return f"{whole // 3600} h {whole % 3600 // 60:02}"
    return f"{whole // 60}:{whole % 60:02}"


_BUTTONS = (
    ("panic", "panic", "Let go of every note."),
    ("blackout", "blackout", "Dark at once; press again for light."),
    ("freeze", "freeze", "Hold the picture as it is; press again to let it go on."),
    ("record", "record", "Record sound, events and patch as a take; press again to stop."),
    ("keep", "keep", "Keep the last minutes as a take, though nothing was recorded."),
    ("tap", "tap", "Tap the tempo."),
    ("undo", "undo", "Take the latest change back."),
    ("redo", "redo", "Do it again."),
    ("view", "stage", "The picture alone; the same key comes back."),
    ("help", "help", "Every key."),
)


def _button(context: Context, box: tuple[int, int, int, int], do: str, words: str, about: str) -> Cell:
    stage = context.stage
    on = {
        "blackout": context.live.is_on("blackout"),
        "freeze": context.live.is_on("frozen"),
        "record": bool(stage.table("recording").get("on")),
    }.get(do, False)
    label = stage.text(do) if do in {"undo", "redo"} else ""
    return Cell(
        f"do {do}",
        box,
        "button",
        f"{words} ●" if on else words,
        mark=context.keyboard.shown(do),
        tone="quiet" if do in {"undo", "redo"} and not label else "plain",
        on=on,
        act=lambda: context.do(do),
        about=f"{about} ({label})" if label else about,
    )
