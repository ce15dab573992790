"""Raw bytes become complete messages: those of channels, and those that keep time; everything else is passed over."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


SONG_POSITION = 0xF2

DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2, SONG_POSITION: 2}
"""Data bytes of each channel message by its status without the channel, and of the song position pointer.

Source: MIDI 1.0 Detailed Specification 4.2, table I (channel voice messages) and table V (system common messages).
"""

CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
KEEPING_TIME = frozenset({CLOCK, START, CONTINUE, STOP})
"""Real-time messages that come through; each is one byte (MIDI 1.0 Detailed Specification 4.2, table VI)."""

_SYSTEM = 0xF0
_REAL_TIME = 0xF8
"""From here on a byte may stand anywhere, even inside another message (real-time messages)."""


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
        if byte >= _REAL_TIME:
            if byte in KEEPING_TIME:
                yield byte, 0, 0
        elif byte >= 0x80:
            status = byte if byte < _SYSTEM or byte == SONG_POSITION else 0
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


class MidiError(ValueError):
    """A MIDI port or file cannot be used; `str` is the sentence to show."""
