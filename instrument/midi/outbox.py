"""Events on their way into one of the engine's rings: what finds no room waits its turn instead of being lost."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from instrument.engine.layout import RING_EVENTS

if TYPE_CHECKING:
    from instrument.engine.engine import Engine, Event


class Outbox:
    """The one producer's side of a ring.

    Parameters
    ----------
    engine : Engine
    ring : int
        Ring into which this thread alone pushes.
    """

    def __init__(self, engine: Engine, ring: int) -> None:
        self._engine = engine
        self._ring = ring
        self._waiting: deque[Event] = deque()

    def send(self, event: Event) -> None:
        """Take an event; `flush` hands it on. Events come in order of time."""
        self._waiting.append(event)

    def flush(self, most: int = RING_EVENTS) -> int:
        """Hand on what has room, at most so many events; return how many still wait."""
        if self._waiting:
            row = self._engine.record["rings"][self._ring]
            room = RING_EVENTS - (int(row["tail"]) - int(row["head"]))
            for _ in range(min(room, most, len(self._waiting))):
                self._engine.push(self._waiting.popleft(), self._ring)
        return len(self._waiting)
