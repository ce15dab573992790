"""Display of a controller: positions of faders and rings, lit buttons and pads, and the messages that set them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

from instrument.engine.memory.layout import ACTIONS, CURVES, MANNERS, MESSAGES, SWITCH_OFF
from instrument.engine.notes.midi_numbers import (
    BEND_CENTRE,
    CONTROL_CHANGE,
    DATA_ENTRY,
    DATA_ENTRY_LOW,
    LOW_BYTES,
    NOTE_ON,
    NRPN_HIGH,
    PITCH_BEND,
    RPN_HIGH,
)
from instrument.midi.control_decoder import HIGHEST_VALUES

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    import numpy.typing as npt

    from instrument.midi.feedback import Messages

SENT = ("cc", "cc14", "rpn", "nrpn", "pad", "bend")
"""Messages that a controller shows when they are sent to it; a pad's velocity is its light."""

LIT_FIELDS = ("set_at", "blackout", "frozen")
"""Fields of the engine's memory that buttons are lit for: place of the patch that plays, and what is switched on."""

_ACTIONS = {"patch": 0, "blackout": 1, "freeze": 2}
"""Actions that light up, and what they show of `LIT_FIELDS`."""

_LIT_MANNERS = ("toggle", "radio")
_LIT, _DARK = 127, 0

_EXP, _LOG, _POINTS = CURVES.index("exp"), CURVES.index("log"), CURVES.index("points")

_LOG_STEEPNESS = 9.0
"""As in engine.sweep; a test compares the two."""


class Indicator(NamedTuple):
    """Something that shows a value: kind of message, channel (0 to 15, or -1 where the patch says any), number."""

    message: str
    channel: int
    number: int


@dataclass(frozen=True)
class IndicatedControl:
    """A control that is shown.

    Attributes
    ----------
    face : Indicator
    param : int
        Index of its parameter; -1 where it does an action.
    manner : str
    low, high : float
    curve : int
    points : tuple of (float, float)
    light, place : int
        Of an action: which of `LIT_FIELDS` it shows, and at which of its values it is lit.
    """

    face: Indicator
    param: int
    manner: str
    low: float
    high: float
    curve: int
    points: tuple[tuple[float, float], ...] = ()
    light: int = 0
    place: int = -1

    @property
    def is_light(self) -> bool:
        """True for a button or pad, which is lit or dark; False for a fader."""
        return self.param < 0 or self.manner in _LIT_MANNERS or self.face.message == "pad"

    @property
    def goes_dark(self) -> bool:
        """True if it is put to 0 once it controls nothing any more; a fader stays where it is."""
        return self.is_light or self.manner.startswith("relative")

    def wanted(self, value: float, lights: tuple[int, ...]) -> int | None:
        """Return what the controller is to show; None where there is nothing to show.

        Parameters
        ----------
        value : float
            The parameter's.
        lights : tuple of int
            The present values of `LIT_FIELDS`.
        """
        if self.param < 0:
            return _LIT if lights[self.light] == self.place else _DARK
        if self.manner in _LIT_MANNERS:
            return _LIT if value == self.high else _DARK
        place = knob_position(value, self.low, self.high, self.curve, self.points)
        if place is None:
            return None
        if self.face.message == "bend":
            # 8192 is exactly the middle, with one step less above it than below.
            span = BEND_CENTRE if place < 0.5 else BEND_CENTRE - 1
            return round(BEND_CENTRE + (2.0 * place - 1.0) * span)
        return round(place * HIGHEST_VALUES[self.face.message])


def indicated_controls(program: npt.NDArray[np.void]) -> dict[Indicator, IndicatedControl]:
    """Return what a program's controls show; of several on one knob the first in the patch is shown.

    Parameters
    ----------
    program : np.ndarray [dtype=layout.PROGRAM]
        One record.
    """
    found: dict[Indicator, IndicatedControl] = {}
    for row in program["controls"][: int(program["n_controls"])]:
        message, number = MESSAGES[int(row["message"])], int(row["number"])
        if message not in SENT or (number < 0 and message != "bend") or row["by_bend_range"]:
            continue
        shown = _shown(program, row, Indicator(message, int(row["channel"]), number))
        if shown is not None and not any(_is_same(shown.face, face) for face in found):
            found[shown.face] = shown
    return found


def _is_same(one: Indicator, other: Indicator) -> bool:
    channels = {one.channel, other.channel}
    return one[::2] == other[::2] and (len(channels) == 1 or -1 in channels)


def _shown(program: npt.NDArray[np.void], row: Any, face: Indicator) -> IndicatedControl | None:
    first, count = int(row["first_point"]), int(row["points"])
    points = tuple((float(x), float(y)) for x, y in program["curve_points"][first : first + count])
    low, high, curve, action = float(row["lo"]), float(row["hi"]), int(row["curve"]), int(row["action"])
    if action:
        light, argument = _ACTIONS.get(ACTIONS[action]), float(row["argument"])
        if light is None or math.isnan(argument):
            return None
        # A button that switches off is lit while it is off.
        place = int(argument) - 1 if light == 0 else int(argument != SWITCH_OFF)
        return IndicatedControl(face, -1, "sweep", low, high, curve, light=light, place=place) if place >= 0 else None
    return IndicatedControl(face, int(row["param"]), MANNERS[int(row["manner"])], low, high, curve, points)


def messages_for(face: Indicator, value: int) -> Messages:
    """Return the messages that show a value; they belong together.

    Source: MIDI 1.0 Detailed Specification 4.2, tables II and III: of a pair the high byte goes first.
    """
    channel, number, high, low = face.channel, face.number, value >> 7, value & 0x7F
    change = CONTROL_CHANGE | channel
    match face.message:
        case "cc":
            return ((change, number, value),)
        case "pad":
            return ((NOTE_ON | channel, number, value),)
        case "bend":
            return ((PITCH_BEND | channel, low, high),)
        case "cc14":
            return ((change, number, high), (change, number + LOW_BYTES, low))
        case _:
            select = RPN_HIGH if face.message == "rpn" else NRPN_HIGH
            return (
                (change, select, number >> 7),
                (change, select - 1, number & 0x7F),
                (change, DATA_ENTRY, high),
                (change, DATA_ENTRY_LOW, low),
            )


def knob_position(
    value: float, low: float, high: float, curve: int, points: Sequence[tuple[float, float]] = ()
) -> float | None:
    """Return the place of the knob, 0 to 1, at which a control gives a value; the nearest end beyond its range.

    Parameters
    ----------
    value : float
        Any number.
    low, high : float
        Both ends of the range, in either order.
    curve : int
        Its index in `layout.CURVES`.
    points : sequence of (float, float)
        Of the curve ``points``: pairs of place and share of the range. Where it turns back, the first of several
        places is found; where it never comes to the value, the place where it comes nearest.

    Returns
    -------
    float or None
        None where every place gives the same, or the value is no number.

    Examples
    --------
    >>> knob_position(440.0, 110.0, 1760.0, CURVES.index("exp"))
    0.5
    """
    if math.isnan(value) or low == high or not (math.isfinite(low) and math.isfinite(high)):
        return None
    share = min(max((value - low) / (high - low), 0.0), 1.0)
    if curve == _POINTS:
        return _through(points, share)
    if share in {0.0, 1.0}:
        return share
    if curve == _EXP:
        return math.log(value / low) / math.log(high / low)
    if curve == _LOG:
        return (math.pow(10.0, share) - 1.0) / _LOG_STEEPNESS
    return share


def _through(points: Sequence[tuple[float, float]], share: float) -> float | None:
    best, distance = None, math.inf
    for (x0, y0), (x1, y1) in pairwise(points):
        nearest = min(max(share, min(y0, y1)), max(y0, y1))
        if abs(nearest - share) < distance:
            distance = abs(nearest - share)
            best = x0 if y1 == y0 else x0 + (nearest - y0) / (y1 - y0) * (x1 - x0)
    return best
