"""As much as a MIDI cable carries and no more: the newest value of each control waits its turn, in fair order."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Hashable

Messages = tuple[tuple[int, ...], ...]
"""What belongs together and is sent one right after the other."""

BYTE_SECONDS = 10 / 31_250
"""A start bit, eight bits and a stop bit at 31,250 baud (MIDI 1.0 Electrical Specification): 0.96 ms for three bytes."""

CREDIT_SECONDS = 0.003
"""What a sender that came late may make up for, so that its own steps in time cost nothing: three messages."""


class Pace:
    """What waits to be sent through one port."""

    def __init__(self) -> None:
        self._waiting: dict[Hashable, Messages] = {}
        self._free = 0.0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, key: Hashable, messages: Messages) -> None:
        """Let something be sent; what still waits under the same key gives its place in the queue to it."""
        self._waiting[key] = messages

    def drop(self, key: Hashable) -> None:
        """Let something that waits not be sent."""
        self._waiting.pop(key, None)

    def due(self, now: float) -> list[tuple[Hashable, Messages]]:
        """Return what the cable has room for at a time in seconds, and take it off the queue."""
        found = []
        while self._waiting and self._free <= now:
            key = next(iter(self._waiting))
            messages = self._waiting.pop(key)
            found.append((key, messages))
            cost = BYTE_SECONDS * sum(len(message) for message in messages)
            self._free = max(self._free, now - CREDIT_SECONDS) + cost
        return found
