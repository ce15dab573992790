"""Decoding of raw MIDI bytes into complete messages: those of channels, and those that keep time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.notes.midi_numbers import (
    CLOCK,
    CONTINUE,
    DATA_BYTES,
    NOTE_OFF,
    REAL_TIME,
    SONG_POSITION,
    START,
    STOP,
    SYSTEM,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


class MidiError(ValueError):
    """A MIDI port or file cannot be used; `str` is the sentence to show."""


KEEPING_TIME = frozenset({CLOCK, START, CONTINUE, STOP})
"""Real-time messages that come through; each is one byte."""


def complete_messages(data: Iterable[int]) -> Iterator[tuple[int, int, int]]:
    """Yield the complete messages in a run of bytes: channel messages, clock, start, continue, stop, song position.

    Running status holds within the run. Other system messages are passed over and, save for real-time bytes, end
    running status, as the song position does; a message that is cut short is dropped.

    Parameters
    ----------
    data : iterable of int, 0..255
        As a port gives them: usually one message.

    Yields
    ------
    tuple of int
        Status, first and second data byte; 0 where the message has fewer.

    Source: MIDI 1.0 Detailed Specification 4.2, "Running Status" and "System Real Time Messages".

    Examples
    --------
    >>> list(complete_messages([0x90, 60, 100, 62, 0xF8, 101, 0xFE, 0xB0, 1]))
    [(144, 60, 100), (248, 0, 0), (144, 62, 101)]
    """
    status = 0
    first = -1
    for byte in data:
        if byte >= REAL_TIME:
            if byte in KEEPING_TIME:
                yield byte, 0, 0
        elif byte >= NOTE_OFF:
            status = byte if byte < SYSTEM or byte == SONG_POSITION else 0
            first = -1
        elif status == 0:
            continue
        elif DATA_BYTES[status if status == SONG_POSITION else status & 0xF0] == 1:
            yield status, byte, 0
        elif first < 0:
            first = byte
        else:
            yield status, first, byte
            first = -1
            if status == SONG_POSITION:
                status = 0
