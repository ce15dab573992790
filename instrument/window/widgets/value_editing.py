"""Values as hands see and move them: words and bars of a value, and what a drag, the wheel and arrows do to it."""

from __future__ import annotations

import math
import time
from functools import cache
from typing import TYPE_CHECKING

from instrument.engine.parameters import INDEX, ROWS
from instrument.window.keys import note_name

if TYPE_CHECKING:
    from instrument.patch.usual_ranges import UsualRange
    from instrument.window.live_values import LiveValues
    from instrument.window.pages.context import Context
    from instrument.window.widgets.cells import Cell, Grab

COARSE, FINE = 10.0, 0.1
"""Times the usual step."""

PIXELS_A_STEP = 8
"""Pixels of a drag that are worth a step of the wheel or of an arrow key."""

_SHARE = 0.05
"""A step changes a value by this share of its size, so that pitches and rates move by equal ratios."""

_COUNTED = ("MIDI key", "semitones", "voices", "MIDI channel", "velocity", "snapshot", "frames", "copies")
"""Units in which a step is 1."""

_PLAIN = (
    "Q",
    "of 1",
    "0 or 1",
    "0 to 1",
    "level",
    "number",
    "value",
    "steepness",
    "snapshot",
    "MIDI channel",
    "velocity",
)
"""Units of bare numbers, which only the help names."""

_SHORT = {
    "gain": "\N{MULTIPLICATION SIGN}",
    "beats/min": "bpm",
    "semitones": "st",
    "MIDI key": "key",
    "of full scale": "FS",
    "per full scale": "/FS",
    "turns per full scale": "turns/FS",
    "turns of a gate": "turns",
    "times the pen": "\N{MULTIPLICATION SIGN} pen",
    "per round": "/round",
    **dict.fromkeys(
        ("of a cycle", "of a gate", "of half a pair", "of the first", "of the amount", "of the parameter"), ""
    ),
}
"""Units as they stand behind a value; FS is full scale (AES17)."""


def words_for(address: str, value: float) -> str:
    """Return a value in the words of its parameter.

    Examples
    --------
    >>> words_for("layer.1.pen.frequency", 110.0), words_for("layer.1.pen.direction", 2.0)
    ('110', 'swing')
    >>> words_for("layer.1.pen.key", 69.0), words_for("layer.1.place.camera", math.inf)
    ('A4', 'inf')
    """
    row = ROWS[INDEX[address]]
    if row.choices and not math.isnan(value) and 0 <= value + 0.5 < len(row.choices):
        return row.choices[int(value + 0.5)]
    if row.unit == "MIDI key" and value.is_integer() and 0 <= value <= 127:
        return note_name(int(value))
    return figure(value)


def unit_for(address: str, value: float, live: LiveValues) -> str:
    """Return the unit behind a value in a sign or a short word, or nothing where it is a bare number or a name.

    Parameters
    ----------
    address : str
    value : float
        Its value now.
    live : LiveValues
        Tells whether a modulator counts in seconds or in beats.
    """
    if not math.isfinite(value):
        return ""
    unit, sync = _unit_of(address)
    if sync and live.value(sync) >= 0.5:
        return "/beat" if unit == "Hz" else "beats"
    return "" if unit == "key" and value.is_integer() and 0 <= value <= 127 else unit


@cache
def _unit_of(address: str) -> tuple[str, str]:
    # The sign, and the parameter that makes it count in beats.
    row = ROWS[INDEX[address]]
    short = _SHORT.get(row.unit, row.unit)
    # A unit that is the parameter's name says nothing new.
    if row.choices or row.unit in _PLAIN or row.name.rpartition(".")[2] == short:
        return "", ""
    if address.startswith("mod.") and (row.unit == "s or beats" or row.name == "rate"):
        return "Hz" if row.name == "rate" else "s", address.removesuffix(row.name) + "sync"
    return short, ""


def figure(value: float) -> str:
    """Return a number in at most five figures.

    Examples
    --------
    >>> figure(0.125), figure(-1e9), figure(1320.004), figure(0.0), figure(math.nan)
    ('0.125', '-1e+09', '1320', '0', 'nan')
    """
    if not math.isfinite(value):
        return str(value)
    if value == 0:
        return "0"
    if not 1e-4 <= abs(value) < 1e6:
        return f"{value:.4g}"
    places = max(4 - max(math.floor(math.log10(abs(value))), 0), 0)
    short = f"{value:.{places}f}"
    return short.rstrip("0").rstrip(".") if "." in short else short


def rounded(value: float) -> float:
    """Return a number as `figure` shows it, so that what a hand has moved is what the eye has read.

    Examples
    --------
    >>> rounded(0.3940144729614258), rounded(math.inf)
    (0.394, inf)
    """
    return float(figure(value))


def moved(address: str, value: float, steps: float) -> float:
    """Return the value of a parameter after a hand has moved it by some steps of the wheel.

    A value that is no finite number starts from the parameter's usual one, or from 10 where that is infinite too.

    Examples
    --------
    >>> moved("layer.1.pen.key", 57.0, 2), moved("layer.1.pen.direction", 0.0, 1)
    (59.0, 1.0)
    >>> moved("layer.1.place.camera", math.inf, -1) < 10
    True
    """
    row = ROWS[INDEX[address]]
    if row.choices:
        last = len(row.choices) - 1
        here = value if math.isfinite(value) else 0.0
        return float(min(max(round(here + steps), 0), last))
    if not math.isfinite(value):
        value = row.default if math.isfinite(row.default) else 10.0
    if row.unit in _COUNTED:
        return value + steps
    least = 1.0 if row.unit.startswith(("Hz", "beats/min")) else 0.2
    return value + steps * _SHARE * max(abs(value), least)


def bar_for(value: float, usual: UsualRange) -> int:
    """Return how far along its usual range a value is, in thousandths.

    Examples
    --------
    >>> bar_for(0.25, (0.0, 1.0, "lin")), bar_for(440.0, (110.0, 1760.0, "exp")), bar_for(math.nan, (0.0, 1.0, "lin"))
    (250, 500, 0)
    """
    low, high, curve = usual
    if math.isnan(value) or not low < high:
        return 0
    value = min(max(value, low), high)
    if curve == "exp" and low > 0.0:
        return round(1000 * math.log(value / low) / math.log(high / low))
    return round(1000 * (value - low) / (high - low))


def is_choice(address: str) -> bool:
    """Return whether a parameter selects one of several words."""
    return bool(address) and bool(ROWS[INDEX[address]].choices)


STILL = 3
"""Pixels that a press may wander before it is a drag."""

SETTLED = 0.4
"""Seconds after which a value that was set is the engine's to tell; before that, it may not have arrived."""


class ValueDrag:
    """Cell that a hand holds, and how far its value is moved.

    Parameters
    ----------
    context : Context
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._cell: Cell | None = None
        self._from = (0, 0)
        self._dragging = False
        self._given: dict[str, tuple[float, float]] = {}

    def take(self, cell: Cell, x: int, y: int, how: Grab) -> None:
        """Take hold of a cell."""
        if cell.grab is not None:
            self._grab(cell, how, x, y)
        if how == "press":
            self._cell, self._from, self._dragging = cell, (x, y), False

    def drag(self, x: int, y: int, held: frozenset[str]) -> None:
        """Move what is held: up and to the right is more."""
        cell = self._cell
        if cell is None:
            return
        if cell.grab is not None:
            self._grab(cell, "drag", x, y)
            return
        across, down = x - self._from[0], y - self._from[1]
        if not self._dragging and max(abs(across), abs(down)) < STILL:
            return
        self._dragging = True
        steps = (across - down) / PIXELS_A_STEP
        if is_choice(cell.address) and abs(steps) < 1:
            return
        self._from = x, y
        self.nudge(cell.address, steps, held)

    def release(self, x: int, y: int) -> None:
        """Let go."""
        if self._cell is not None and self._cell.grab is not None:
            self._grab(self._cell, "release", x, y)
        elif self._dragging:
            # Everything that was dragged is one step to undo.
            self._context.ask("release")
        elif self._cell is not None and is_choice(self._cell.address):
            self.take_next(self._cell.address)
        self._cell, self._dragging = None, False

    def nudge(self, address: str, steps: float, held: frozenset[str]) -> None:
        """Move a value by steps: with Shift finer, with Ctrl coarser."""
        if not is_choice(address):
            steps *= FINE if "Shift" in held else COARSE if "Ctrl" in held else 1.0
        value = moved(address, self._base(address), steps)
        self._given[address] = value, time.monotonic()
        # Moved on from exactly, so that many small steps add up; set to what is shown, so that this is what is saved.
        self._context.set(address, rounded(value))

    def take_next(self, address: str) -> None:
        """Take the next word of a parameter that selects, and the first one after the last."""
        count = len(ROWS[INDEX[address]].choices)
        here = self._base(address)
        value = float((round(min(max(here, 0.0), count - 1.0)) + 1) % count) if math.isfinite(here) else 0.0
        self._given[address] = value, time.monotonic()
        self._context.ask("set", address=address, value=value, alone=True)

    def _base(self, address: str) -> float:
        value, when = self._given.get(address, (0.0, -SETTLED))
        if time.monotonic() - when < SETTLED:
            return value
        return self._context.live.base(address)

    def _grab(self, cell: Cell, how: Grab, x: int, y: int) -> None:
        left, top, width, height = cell.box
        if cell.grab is not None:
            cell.grab(how, (x - left) / max(width, 1), (y - top) / max(height, 1))


def _jumps(address: str) -> bool:
    # A choice moves by whole steps.
    return bool(ROWS[INDEX[address]].choices)
