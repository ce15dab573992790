"""Feeding of events into the engine's rings: live ones, which wait for room instead of being lost, and a performance file."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

from instrument.common.periodic_thread import TENDING, PeriodicThread
from instrument.engine.memory.layout import EVENT_MIDI, RING_EVENTS, RING_PERFORM
from instrument.engine.memory.views import event_ring, ring_room
from instrument.engine.notes.midi_numbers import SYSTEM

if TYPE_CHECKING:
    from collections.abc import Sequence

    from instrument.engine.engine import Engine, Event

AHEAD_SECONDS = 1.0
"""Time by which events are pushed ahead: longer than any pause that Python may make."""

LEAD_SECONDS = 0.25
"""From now to the beginning of the file, so that its first event is on time too."""

_PAUSE = 0.02
_AT_ONCE = 64
"""Events pushed without a pause: a fraction of a millisecond, so that the MIDI thread is not kept waiting."""


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
        return ring_room(self._engine.record, self._ring)

    def push(self, event: Event) -> object:
        """Hand on an event for which there is room."""
        return self._engine.push(event, self._ring)


class RingActivity:
    """Activity of hands in a ring: notes, knobs, wheel or pressure, but no clock.

    Parameters
    ----------
    engine : Engine
    ring : int
        Read here beside the engine, which alone takes events out.
    """

    def __init__(self, engine: Engine, ring: int) -> None:
        self._row = event_ring(engine.record, ring)
        self._seen = int(self._row["tail"])

    def came(self) -> bool:
        """Return whether there was any since the last call."""
        tail = int(self._row["tail"])
        # Older events have been overwritten; the ring holds the latest, taken by the engine or not.
        first = max(self._seen, tail - RING_EVENTS)
        self._seen = tail
        events = [self._row["events"][k % RING_EVENTS] for k in range(first, tail)]
        return any(event["kind"] == EVENT_MIDI and 0x80 <= event["data"][0] < SYSTEM for event in events)


class EventSender:
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


class PerformanceFeeder:
    """Plays events into `RING_PERFORM`, whose one producer it is.

    Parameters
    ----------
    engine : Engine
    events : sequence of Event
        In order of time, for a start at sample 0.
    """

    def __init__(self, engine: Engine, events: Sequence[Event]) -> None:
        self._engine = engine
        self._events = events
        self._sender = EventSender(EngineRing(engine, RING_PERFORM))
        self._at = self._waiting = 0
        self._thread = PeriodicThread("performance", self._step, TENDING)
        self.start_sample = 0
        """Sample time on which the file begins."""

    @property
    def over(self) -> bool:
        """True once the time of the last event has passed."""
        last = self.start_sample + self._events[-1].time if self._events else 0
        return self._engine.time > last

    def start(self) -> None:
        """Begin the file a moment from now."""
        self.start_sample = self._engine.time + round(LEAD_SECONDS * self._engine.rate)
        self._thread.start()

    def close(self) -> None:
        """Push no more."""
        self._thread.close()

    def _step(self) -> float | None:
        horizon = self._engine.time + round(AHEAD_SECONDS * self._engine.rate) - self.start_sample
        first = self._at
        while not self._waiting and self._at < len(self._events) and self._at < first + _AT_ONCE:
            event = self._events[self._at]
            if event.time > horizon:
                break
            self._sender.send(replace(event, time=event.time + self.start_sample))
            self._at += 1
        self._waiting = self._sender.flush(_AT_ONCE)
        if self._at == len(self._events) and not self._waiting:
            return None
        return 0.001 if self._at > first else _PAUSE
