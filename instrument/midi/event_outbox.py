"""Events on their way into a ring: what finds no room waits its turn instead of being lost."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Protocol

from instrument.engine.memory.layout import RING_EVENTS

if TYPE_CHECKING:
    from instrument.engine.engine import Engine, Event


class Ring(Protocol):
    """A ring that one thread alone fills."""

    def room(self) -> int:
        """Return how many events can be pushed now."""

    def push(self, event: Event) -> object:
        """Hand on an event for which there is room."""


class EngineRing:
    """One of the engine's own rings.

    Parameters
    ----------
    engine : Engine
    ring : int
        Ring into which this thread alone pushes.
    """

    def __init__(self, engine: Engine, ring: int) -> None:
        self._engine = engine
        self._ring = ring

    def room(self) -> int:
        """Return how many events can be pushed now."""
        row = self._engine.record["rings"][self._ring]
        return RING_EVENTS - (int(row["tail"]) - int(row["head"]))

    def push(self, event: Event) -> object:
        """Hand on an event for which there is room."""
        return self._engine.push(event, self._ring)


class Outbox:
    """The one producer's side of a ring.

    Parameters
    ----------
    ring : Ring
    """

    def __init__(self, ring: Ring) -> None:
        self._ring = ring
        self._waiting: deque[Event] = deque()

    def send(self, event: Event) -> None:
        """Take an event; `flush` hands it on. Events come in order of time."""
        self._waiting.append(event)

    def flush(self, most: int = RING_EVENTS) -> int:
        """Hand on what has room, at most so many events; return how many still wait."""
        if self._waiting:
            for _ in range(min(self._ring.room(), most, len(self._waiting))):
                self._ring.push(self._waiting.popleft())
        return len(self._waiting)
