"""Proposal of a patch's `[[control]]` table for a control that was recognised."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from instrument.engine.memory.layout import ACTIONS
from instrument.engine.parameters import ROWS, index_of
from instrument.midi.control_decoder import ANY
from instrument.midi.message_decoder import MidiError
from instrument.patch.schema.controls import CHOOSING, COUNTED
from instrument.patch.usual_ranges import is_switch, range_around

if TYPE_CHECKING:
    from collections.abc import Mapping

    from instrument.midi.recognition import Recognised


@dataclass(frozen=True)
class Target:
    """Target of a control: a parameter or an action.

    Attributes
    ----------
    address : str
        Parameter that it moves; empty for an action.
    action : str
    choose : int or None
        Patch, snapshot or gesture of the action, counted from 1, or 1 to switch on and 2 to switch off.
    """

    address: str = ""
    action: str = ""
    choose: int | None = None

    @property
    def name(self) -> str:
        """Name for use in a sentence."""
        return self.address or f"{self.action} {self.choose or ''}".strip()

    @property
    def unwanted(self) -> frozenset[str]:
        """Kinds of message that cannot do it: a program change chooses, and no action but a choice can use that."""
        chooses = self.action in COUNTED and self.choose is None
        return frozenset() if self.address or chooses else frozenset({"program"})


def target_of(request: Mapping[str, Any]) -> Target:
    """Return what a request to learn is for.

    Parameters
    ----------
    request : mapping
        With ``address``, or with ``action`` and perhaps ``choose``.

    Raises
    ------
    MidiError
        If there is no such parameter or action.
    """
    address, action, choose = request.get("address"), request.get("action"), request.get("choose")
    if action:
        if action not in ACTIONS[1:]:
            raise MidiError(f"there is no action {action!r}; there are {', '.join(ACTIONS[1:])}.")
        if action in CHOOSING and isinstance(choose, int) and not isinstance(choose, bool) and choose >= 1:
            return Target(action=str(action), choose=choose)
        return Target(action=str(action))
    try:
        index_of(str(address))
    except KeyError as error:
        raise MidiError(f"{error.args[0]}.") from None
    return Target(address=str(address))


def proposed_control(recognised: Recognised, target: Target, value: float) -> dict[str, Any]:
    """Return the ``[[control]]`` that lets a recognised control do what it is meant for.

    Parameters
    ----------
    recognised : Recognised
    target : Target
    value : float
        What the parameter is now; the range is wide enough to hold it.

    Notes
    -----
    A knob or fader sweeps the parameter's usual range. A button changes over a parameter that is off or on; another
    parameter it holds at the upper end as long as it is held. A button that latches by itself sets one end or the
    other. Keys play a pitch, all of them; every other parameter listens to the one key that was struck. A bend on
    ``pen.bend`` keeps to the range that the controller has been told.
    """
    sender, kind = recognised.sender, recognised.kind
    control: dict[str, Any] = {"message": sender.message, "channel": sender.channel + 1}
    if sender.number != ANY:
        control["number"] = sender.number
    if target.action:
        control["action"] = target.action
        if target.choose is not None:
            control["choose"] = target.choose
        return control
    control["parameter"] = target.address
    row = ROWS[index_of(target.address)]
    if sender.message == "pad" and row.unit == "MIDI key":
        del control["number"]
        return {**control, "message": "note"}
    if sender.message == "bend" and row.unit == "semitones":
        return control
    usual = range_around(target.address, value)
    control["range"] = [usual.low, usual.high]
    if usual.curve != "lin":
        control["curve"] = usual.curve
    if kind == "button" and is_switch(target.address):
        control["manner"] = "toggle"
    elif kind.startswith("relative"):
        control["manner"] = kind
        if row.choices:
            control["step"] = 1.0 / max(len(row.choices) - 1, 1)
        else:
            control["acceleration"] = ACCELERATION
    return control


ACCELERATION = 4.0
"""Factor by which fast clicks of a taught endless knob go further (common practice, no source)."""


def same_use(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Return whether two ``[[control]]`` tables let the same control do the same, so that the newer one replaces it."""
    keys = ("message", "channel", "number", "parameter", "action", "choose")
    return all(one.get(key, "any") == other.get(key, "any") for key in keys)
