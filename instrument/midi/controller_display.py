"""What a controller can show of its controls: where faders and rings stand, which buttons and pads are lit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from instrument.engine.memory.layout import ACTIONS, MANNERS, MESSAGES, SWITCH_OFF
from instrument.midi.heard_controls import LOW_BYTES, TOPS
from instrument.midi.knob_position import place_of

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.midi.cable_pace import Messages

SENT = ("cc", "cc14", "rpn", "nrpn", "pad", "bend")
"""Messages that a controller shows when they are sent to it; a pad's velocity is its light."""

LIGHTS = ("set_at", "blackout", "frozen")
"""Fields of the engine's memory that buttons are lit for: place of the patch that plays, and what is switched on."""

_ACTIONS = {"patch": 0, "blackout": 1, "freeze": 2}
"""Actions that light up, and what they show of `LIGHTS`."""

_LIT_MANNERS = ("toggle", "radio")
_LIT, _DARK = 127, 0
_CENTRE = 8192
_NRPN, _RPN = 99, 101
_ENTRY_HIGH, _ENTRY_LOW = 6, 38
"""Controller numbers (MIDI 1.0 Detailed Specification 4.2, table III)."""


class Face(NamedTuple):
    """Something that shows a value: kind of message, channel (0 to 15, or -1 where the patch says any), number."""

    message: str
    channel: int
    number: int


@dataclass(frozen=True)
class Shown:
    """A control that is shown.

    Attributes
    ----------
    face : Face
    param : int
        Index of its parameter; -1 where it does an action.
    manner : str
    low, high : float
    curve : int
    points : tuple of (float, float)
    light, place : int
        Of an action: which of `LIGHTS` it shows, and at which of its values it is lit.
    """

    face: Face
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
        """Whether it is a button or pad, which is lit or dark, and no fader."""
        return self.param < 0 or self.manner in _LIT_MANNERS or self.face.message == "pad"

    @property
    def goes_dark(self) -> bool:
        """Whether it is put to 0 once it controls nothing any more; a fader stays where it is."""
        return self.is_light or self.manner.startswith("relative")

    def wanted(self, value: float, lights: tuple[int, ...]) -> int | None:
        """Return what the controller is to show; None where there is nothing to show.

        Parameters
        ----------
        value : float
            The parameter's.
        lights : tuple of int
            The present values of `LIGHTS`.
        """
        if self.param < 0:
            return _LIT if lights[self.light] == self.place else _DARK
        if self.manner in _LIT_MANNERS:
            return _LIT if value == self.high else _DARK
        place = place_of(value, self.low, self.high, self.curve, self.points)
        if place is None:
            return None
        if self.face.message == "bend":
            # 8192 is exactly the middle, with one step less above it than below.
            span = _CENTRE if place < 0.5 else _CENTRE - 1
            return round(_CENTRE + (2.0 * place - 1.0) * span)
        return round(place * TOPS[self.face.message])


def shown_controls(program: npt.NDArray[np.void]) -> dict[Face, Shown]:
    """Return what a program's controls show; of several on one knob the first in the patch is shown.

    Parameters
    ----------
    program : np.ndarray [dtype=layout.PROGRAM]
        One record.
    """
    found: dict[Face, Shown] = {}
    for row in program["controls"][: int(program["n_controls"])]:
        message, number = MESSAGES[int(row["message"])], int(row["number"])
        if message not in SENT or (number < 0 and message != "bend") or row["by_bend_range"]:
            continue
        shown = _shown(program, row, Face(message, int(row["channel"]), number))
        if shown is not None and not any(_is_same(shown.face, face) for face in found):
            found[shown.face] = shown
    return found


def _is_same(one: Face, other: Face) -> bool:
    channels = {one.channel, other.channel}
    return one[::2] == other[::2] and (len(channels) == 1 or -1 in channels)


def _shown(program: npt.NDArray[np.void], row: Any, face: Face) -> Shown | None:
    first, count = int(row["first_point"]), int(row["points"])
    points = tuple((float(x), float(y)) for x, y in program["curve_points"][first : first + count])
    low, high, curve, action = float(row["lo"]), float(row["hi"]), int(row["curve"]), int(row["action"])
    if action:
        light, argument = _ACTIONS.get(ACTIONS[action]), float(row["argument"])
        if light is None or math.isnan(argument):
            return None
        # A button that switches off is lit while it is off.
        place = int(argument) - 1 if light == 0 else int(argument != SWITCH_OFF)
        return Shown(face, -1, "sweep", low, high, curve, light=light, place=place) if place >= 0 else None
    return Shown(face, int(row["param"]), MANNERS[int(row["manner"])], low, high, curve, points)


def messages_for(face: Face, value: int) -> Messages:
    """Return the messages that show a value; they belong together.

    Source: MIDI 1.0 Detailed Specification 4.2, tables II and III: of a pair the high byte goes first.
    """
    channel, number, high, low = face.channel, face.number, value >> 7, value & 0x7F
    change = 0xB0 | channel
    match face.message:
        case "cc":
            return ((change, number, value),)
        case "pad":
            return ((0x90 | channel, number, value),)
        case "bend":
            return ((0xE0 | channel, low, high),)
        case "cc14":
            return ((change, number, high), (change, number + LOW_BYTES, low))
        case _:
            select = _RPN if face.message == "rpn" else _NRPN
            return (
                (change, select, number >> 7),
                (change, select - 1, number & 0x7F),
                (change, _ENTRY_HIGH, high),
                (change, _ENTRY_LOW, low),
            )
