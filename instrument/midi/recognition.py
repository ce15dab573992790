"""Recognition of the control that a hand moves, among everything heard meanwhile, and of its kind."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple

from instrument.engine.notes.midi_numbers import LOW_BYTES, TIMBRE
from instrument.midi.control_decoder import HIGHEST_VALUES, ControlSource

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

Kind = Literal["knob", "relative_twos", "relative_offset", "relative_sign", "button", "latch", "number"]
"""``knob`` tells its place, ``button`` is down while it is held, ``latch`` changes over at each press, ``number`` is
a program change."""

SETTLE_SECONDS = 0.5
"""From the first move that counts to the decision, so that a control shows what it is."""

LONGEST_SECONDS = 1.5
"""The same where it has not shown yet: an endless knob turned one way only, a button that is still held."""

ENOUGH = 32
"""Messages of one control that decide without waiting."""

LEAST_TRAVEL = 8 / 127
"""Share of its way that a knob must move to count; one that only jitters goes two or three steps."""

_PAIR_SECONDS = 0.003
"""Both bytes of a 14-bit controller follow each other: three times as long as the wire takes for one of them."""

_PAIRS = 2
"""So many pairs make a 14-bit controller, as long as they are most of what comes."""

_KEPT = 64
"""Latest values of one control that are looked at."""

_ONE_PRESS = 0.5
"""Weight of a single 0 or 127 beside a fader that moves all its way: it may be that fader's end."""

_CLICKS = 8
"""Clicks of an endless knob that weigh as much as all of a fader's way."""

_MOST_CLICKS = 31
"""Clicks in one message at most (common practice, no source: knobs that are turned fast send up to 15 or so)."""

_FEWEST = 3
_FEWEST_OF_TOP = 6
"""Values needed; more where they are all 127, which is also what a button sends that is pressed over and over."""

_CENTRE, _TOP, _SIGN = 64, 128, 64


class Coding(NamedTuple):
    """A coding that fits.

    Attributes
    ----------
    manner : str
        As a control of a patch names it.
    sure : bool
        Whether no other one fits; only a knob that was turned both ways can be told for sure.
    """

    manner: str
    sure: bool


def recognise_coding(values: Sequence[int]) -> Coding | None:
    """Return the coding of an endless knob, or None where a place is being told and not clicks.

    Parameters
    ----------
    values : sequence of int, 0..127
        As they came.

    Notes
    -----
    Whatever tells its place sends a value when it changes, so it does not send the same one twice in a row; clicks of
    one kind are the same value over and over. One click to the right is 1 in two's complement, 65 as an offset and 1
    with a sign; to the left it is 127, 63 and 65. So 1 alone is taken as two's complement and 65 alone as an offset.
    All of this is common practice, no source.

    Examples
    --------
    >>> recognise_coding([1, 1, 2, 1, 127, 127])
    Coding(manner='relative_twos', sure=True)
    >>> recognise_coding([65, 65, 65, 66])
    Coding(manner='relative_offset', sure=False)
    >>> recognise_coding([1, 1, 2, 65, 65])
    Coding(manner='relative_sign', sure=True)
    """
    repeats = sum(a == b for a, b in pairwise(values))
    if len(values) < _FEWEST or repeats < max(2, len(values) // 4):
        return None
    places = {_place(value) for value in values}
    if set(values) == {_TOP - 1} and len(values) < _FEWEST_OF_TOP:
        return None
    for places_of, manner, sure in (
        ({"low"}, "relative_twos", False),
        ({"top"}, "relative_twos", False),
        ({"low", "top"}, "relative_twos", True),
        ({"above"}, "relative_offset", False),
        ({"below"}, "relative_offset", True),
        ({"above", "below"}, "relative_offset", True),
        ({"low", "above"}, "relative_sign", True),
    ):
        if places == places_of:
            return Coding(manner, sure)
    return None


@dataclass(frozen=True)
class Recognised:
    """A control that was moved.

    Attributes
    ----------
    sender : ControlSource
    kind : Kind
    """

    sender: ControlSource
    kind: Kind


@dataclass
class _Evidence:
    began: float
    lowest: int
    highest: int
    count: int = 0
    values: list[int] = field(default_factory=list)
    moved_at: float = -1.0


@dataclass
class _Pair:
    high_at: float = -1.0
    highs: int = 0
    together: int = 0

    @property
    def is_one(self) -> bool:
        return self.together >= _PAIRS and 2 * self.together > self.highs


class Recogniser:
    """Listens to everything, and once it has begun names what is being moved.

    A control counts by how far it moves: a knob or fader by the share of its way, an endless knob by its clicks, a
    button, pad or program change by being used at all. One that only jitters never counts, however often it speaks.
    Of those that count, the one that moved furthest wins when half a second has passed, or as soon as it has said
    enough. A pad wins over what the same hand presses and bends on its channel; to teach pressure or bend, hold the
    key first.
    """

    def __init__(self) -> None:
        self._pairs: dict[tuple[int, int, int], _Pair] = {}
        self._places: dict[ControlSource, int] = {}
        self._but: frozenset[str] = frozenset()
        self._found: dict[ControlSource, _Evidence] = {}
        self._listens = False

    def begin(self, but: Collection[str] = ()) -> None:
        """Listen for a control from now on; kinds of message in `but` are passed over."""
        self._found.clear()
        self._but = frozenset(but)
        self._listens = True

    def end(self) -> None:
        """Listen no more, but go on knowing where everything stands."""
        self._listens = False
        self._found.clear()

    def hear(self, now: float, sender: ControlSource, value: int) -> None:
        """Take in what `ControlDecoder.hear` has told, at a time in seconds."""
        if sender.message == "cc" and sender.number < 2 * LOW_BYTES:
            self._watch_pair(now, sender)
        before = self._places.get(sender)
        self._places[sender] = value
        if self._listens and self._stands_for_itself(sender):
            self._note(now, sender, value, before)

    def decide(self, now: float) -> Recognised | None:
        """Return the control that is meant, once it is certain enough."""
        counting = {sender: found for sender, found in self._found.items() if found.moved_at >= 0.0}
        if not counting:
            return None
        # A tie goes to the one that was first.
        best = max(counting, key=lambda sender: (self._travel(sender), -counting[sender].began))
        found = counting[best]
        waited = now - min(one.moved_at for one in counting.values())
        if found.count < ENOUGH and waited < SETTLE_SECONDS:
            return None
        kind, sure = self._kind(best)
        if not sure and now - found.moved_at < LONGEST_SECONDS:
            return None
        return Recognised(best, kind)

    @property
    def hint(self) -> str:
        """Hint for the hand, so that the control is recognised sooner; empty if there is none."""
        for sender, found in self._found.items():
            coding = recognise_coding(found.values) if found.moved_at >= 0.0 and sender.message == "cc" else None
            if coding is not None and not coding.sure:
                return "turn it the other way too"
        return ""

    def _watch_pair(self, now: float, sender: ControlSource) -> None:
        high = sender.number % LOW_BYTES
        pair = self._pairs.setdefault((sender.port, sender.channel, high), _Pair())
        if sender.number < LOW_BYTES:
            pair.high_at = now
            pair.highs += 1
        elif 0.0 <= now - pair.high_at <= _PAIR_SECONDS:
            was_one = pair.is_one
            pair.together += 1
            pair.high_at = -1.0
            if pair.is_one and not was_one:
                for number in (high, high + LOW_BYTES):
                    self._found.pop(sender._replace(number=number), None)

    def _stands_for_itself(self, sender: ControlSource) -> bool:
        # The halves of a pair do not, and a pair only where it is one.
        if sender.message in self._but:
            return False
        if sender.message not in {"cc", "cc14"} or sender.number >= 2 * LOW_BYTES:
            return True
        pair = self._pairs.get((sender.port, sender.channel, sender.number % LOW_BYTES))
        return (pair is not None and pair.is_one) == (sender.message == "cc14")

    def _note(self, now: float, sender: ControlSource, value: int, before: int | None) -> None:
        if sender not in self._found:
            place = value if before is None else before
            self._found[sender] = _Evidence(now, place, place)
        found = self._found[sender]
        found.count += 1
        found.lowest, found.highest = min(found.lowest, value), max(found.highest, value)
        found.values = [*found.values[1 - _KEPT :], value]
        if found.moved_at < 0.0 and self._travel(sender) >= LEAST_TRAVEL:
            found.moved_at = now

    def _travel(self, sender: ControlSource) -> float:
        found = self._found[sender]
        if sender.message in {"pad", "program"}:
            return 1.0 if sender.message == "program" or any(found.values) else 0.0
        if self._is_pressed_by_a_pad(sender):
            return 0.0
        if self._coding(sender) is not None:
            return min(found.count / _CLICKS, 1.0)
        if sender.message == "cc" and set(found.values) <= {0, 127}:
            return _ONE_PRESS if len(found.values) == 1 else 1.0
        return (found.highest - found.lowest) / HIGHEST_VALUES[sender.message]

    def _coding(self, sender: ControlSource) -> Coding | None:
        return recognise_coding(self._found[sender].values) if sender.message == "cc" else None

    def _is_pressed_by_a_pad(self, sender: ControlSource) -> bool:
        # Keys that feel pressure, bend and height say so from the moment they are struck.
        struck = any(
            other.message == "pad" and (other.port, other.channel) == (sender.port, sender.channel)
            for other, found in self._found.items()
            if any(found.values)
        )
        return struck and (sender.message != "cc" or sender.number == TIMBRE)

    def _kind(self, sender: ControlSource) -> tuple[Kind, bool]:
        values = self._found[sender].values
        if sender.message == "program":
            return "number", True
        if sender.message == "pad":
            return "button", True
        coding = self._coding(sender)
        if coding is not None:
            return coding.manner, coding.sure  # type: ignore[return-value]  # its three names are kinds
        if sender.message == "cc" and set(values) <= {0, 127}:
            return _button(values)
        return "knob", True


def _button(values: list[int]) -> tuple[Kind, bool]:
    # Down and up again is a button; a single change is one that latches, unless it is still held.
    if len(values) == 1:
        return "latch", values == [0]
    return ("button", True) if values[0] == 127 else ("latch", True)


def _place(value: int) -> str:
    if 0 < value <= _MOST_CLICKS:
        return "low"
    if _CENTRE - _MOST_CLICKS <= value < _CENTRE:
        return "below"
    if _SIGN < value <= _SIGN + _MOST_CLICKS:
        return "above"
    return "top" if value >= _TOP - _MOST_CLICKS else "none"
