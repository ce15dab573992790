"""Decoding of controls: the knob, fader, button or key that a raw message moves, and its new value."""

from __future__ import annotations

from typing import NamedTuple

from instrument.engine.notes.midi_numbers import (
    CHANNEL_PRESSURE,
    CONTROL_CHANGE,
    DATA_DECREMENT,
    DATA_ENTRY,
    DATA_ENTRY_LOW,
    DATA_INCREMENT,
    FIRST_MODE_MESSAGE,
    KEY_PRESSURE,
    LOW_BYTES,
    NO_PARAMETER,
    NOTE_OFF,
    NOTE_ON,
    NRPN_LOW,
    PITCH_BEND,
    PROGRAM_CHANGE,
    RPN_HIGH,
    RPN_LOW,
)

HIGHEST_VALUES = {
    "cc": 127,
    "cc14": 16383,
    "rpn": 16383,
    "nrpn": 16383,
    "bend": 16383,
    "pad": 127,
    "pressure": 127,
    "key_pressure": 127,
    "program": 127,
}
"""Highest value of each kind of message (MIDI 1.0 Detailed Specification 4.2, tables II and III)."""

_BYTE = 128

_SIMPLE = {
    NOTE_OFF: ("pad", True),
    NOTE_ON: ("pad", True),
    KEY_PRESSURE: ("key_pressure", True),
    PROGRAM_CHANGE: ("program", False),
    CHANNEL_PRESSURE: ("pressure", False),
    PITCH_BEND: ("bend", False),
}
"""Kind of each status byte, and whether its first data byte is a number."""

ANY = -1
"""Number of a message that has none."""


class ControlSource(NamedTuple):
    """One thing under a hand.

    Attributes
    ----------
    port : int
        Number that its port's messages carry.
    message : str
        Kind, as a control of a patch names it; ``pad`` for a key or pad.
    channel : int
        0 to 15.
    number : int
        Controller, parameter or key; `ANY` where there is none.
    """

    port: int
    message: str
    channel: int
    number: int = ANY


class ControlDecoder:
    """Follows what each channel of each port has been told, as the engine does."""

    def __init__(self) -> None:
        self._bytes: dict[tuple[int, int, int], int] = {}
        self._selected: dict[tuple[int, int], tuple[str, int]] = {}
        self._entries: dict[ControlSource, int] = {}

    def decode(self, port: int, status: int, first: int, second: int) -> list[tuple[ControlSource, int]]:
        """Return what a complete channel message moves, and its new value; nothing for other messages.

        A controller that may be half of a pair is also told as the pair, after itself. Numbers that only select a
        parameter move nothing; data entry moves the parameter that is selected.
        """
        kind, channel = status & 0xF0, status & 0x0F
        if kind == CONTROL_CHANGE:
            return self._controller(port, channel, first, second)
        if kind not in _SIMPLE:
            return []
        message, numbered = _SIMPLE[kind]
        if kind == NOTE_OFF:
            second = 0
        value = first + _BYTE * second if kind == PITCH_BEND else second if numbered else first
        return [(ControlSource(port, message, channel, first if numbered else ANY), value)]

    def _controller(self, port: int, channel: int, number: int, value: int) -> list[tuple[ControlSource, int]]:
        if number >= FIRST_MODE_MESSAGE:
            return []
        if NRPN_LOW <= number <= RPN_HIGH:
            self._select(port, channel, number, value)
            return []
        if number in {DATA_ENTRY, DATA_ENTRY_LOW, DATA_INCREMENT, DATA_DECREMENT} and (port, channel) in self._selected:
            return [self._enter(ControlSource(port, *self._named(port, channel)), number, value)]
        self._bytes[port, channel, number] = value
        heard = [(ControlSource(port, "cc", channel, number), value)]
        if number < LOW_BYTES:
            # A new high byte sets the low one to 0.
            self._bytes[port, channel, number + LOW_BYTES] = 0
            heard.append((ControlSource(port, "cc14", channel, number), _BYTE * value))
        elif number < 2 * LOW_BYTES:
            high = self._bytes.get((port, channel, number - LOW_BYTES), 0)
            heard.append((ControlSource(port, "cc14", channel, number - LOW_BYTES), _BYTE * high + value))
        return heard

    def _named(self, port: int, channel: int) -> tuple[str, int, int]:
        message, number = self._selected[port, channel]
        return message, channel, number

    def _select(self, port: int, channel: int, number: int, value: int) -> None:
        message = "nrpn" if number < RPN_LOW else "rpn"
        before = self._selected.get((port, channel), (message, NO_PARAMETER))
        known = before[1] if before[0] == message else NO_PARAMETER
        high, low = (value, known % _BYTE) if number % 2 else (known // _BYTE, value)
        selected = _BYTE * high + low
        if selected == NO_PARAMETER:
            self._selected.pop((port, channel), None)
        else:
            self._selected[port, channel] = (message, selected)

    def _enter(self, sender: ControlSource, number: int, value: int) -> tuple[ControlSource, int]:
        before = self._entries.get(sender, 0)
        if number == DATA_ENTRY:
            entry = _BYTE * value
        elif number == DATA_ENTRY_LOW:
            entry = before // _BYTE * _BYTE + value
        else:
            entry = min(max(before + (1 if number == DATA_INCREMENT else -1), 0), NO_PARAMETER)
        self._entries[sender] = entry
        return sender, entry
