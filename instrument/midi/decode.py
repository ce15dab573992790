"""Raw bytes become complete channel messages; everything else is passed over."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
"""Data bytes of each channel message by its status without the channel.

Source: MIDI 1.0 Detailed Specification 4.2, table I (channel voice messages).
"""

_SYSTEM = 0xF0
_REAL_TIME = 0xF8
"""From here on a byte may stand anywhere, even inside another message (real-time messages, table IV)."""


def channel_messages(data: Iterable[int]) -> Iterator[tuple[int, int, int]]:
    """Yield the complete channel messages in a run of bytes.

    Running status holds within the run. System messages are passed over and, save for real-time bytes, end
    running status; a message that is cut short is dropped.

    Parameters
    ----------
    data : iterable of int, 0..255
        As a port gives them: usually one message.

    Yields
    ------
    tuple of int
        Status, first and second data byte; the second is 0 where the message has only one.

    Source: MIDI 1.0 Detailed Specification 4.2, "Running Status" and "System Real Time Messages".

    Examples
    --------
    >>> list(channel_messages([0x90, 60, 100, 62, 101, 0xF8, 0xB0, 1]))
    [(144, 60, 100), (144, 62, 101)]
    """
    status = 0
    first = -1
    for byte in data:
        if byte >= _REAL_TIME:
            continue
        if byte >= 0x80:
            status = byte if byte < _SYSTEM else 0
            first = -1
        elif status == 0:
            continue
        elif DATA_BYTES[status & 0xF0] == 1:
            yield status, byte, 0
        elif first < 0:
            first = byte
        else:
            yield status, first, byte
            first = -1
