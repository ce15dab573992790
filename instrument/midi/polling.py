"""Polling of MIDI inputs: one thread takes messages from every port and hands them to the engine on their samples."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from instrument.common.periodic_thread import POLLING, PeriodicThread
from instrument.engine.engine import midi_event
from instrument.engine.memory.layout import RING_MIDI
from instrument.midi.arrival_time import ArrivalClock, SampleClock
from instrument.midi.event_feed import EngineRing, EventSender
from instrument.midi.inputs import HeldKeys
from instrument.midi.message_decoder import complete_messages

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.engine.engine import Engine
    from instrument.midi.event_feed import Ring
    from instrument.midi.rtmidi_ports import InputPort

INTERVAL_SECONDS = 0.0003
"""Pause between two looks at the ports: a fraction of the shortest usual block."""

MARGIN_SECONDS = 0.0005
"""Added to the latency so that a message found by the latest poll is still ahead of its sample."""

_PATIENCE_SECONDS = 1.0


class _Input:
    """A port that is being polled."""

    def __init__(self, number: int, port: InputPort) -> None:
        self.number = number
        self.port = port
        self.clock = ArrivalClock()
        self.held = HeldKeys()


class MidiPoll:
    """Takes messages from ports until it is closed.

    Parameters
    ----------
    engine : Engine
    latency : callable
        Returns the constant delay between arrival and effect, in seconds; asked once in a while.
    period : int
        Frames of the periods on which the ports stamp their messages; 0 if they stamp the moment itself.
    ring : Ring, optional
        Where messages go, this thread's alone while it runs; the engine's `RING_MIDI` by default.
    """

    def __init__(self, engine: Engine, latency: Callable[[], float], period: int = 0, ring: Ring | None = None) -> None:
        self._engine = engine
        self._inputs: tuple[_Input, ...] = ()
        self._latency = latency
        self._period = period
        # A stamp that is the beginning of a period is ahead of its sample by nearly a period already.
        self._margin = 0.0 if period else MARGIN_SECONDS
        self._clock = SampleClock(engine.memory.address, engine.rate)
        self._sender = EventSender(ring or EngineRing(engine, RING_MIDI))
        self._delay = 0.0
        self._ask_again = 0.0
        self._thread = PeriodicThread("midi", self._step, POLLING)
        self.received = 0
        """Complete messages taken from ports so far."""
        self.last = 0
        """Sample of the latest message that was pushed."""

    def add(self, port: InputPort, number: int) -> HeldKeys:
        """Poll a port from now on, whose messages carry a number from 0 to 255; return what it holds down."""
        # The thread looks at one sequence for a whole pass, and a new one is there at once or not at all.
        added = _Input(number, port)
        self._inputs = (*self._inputs, added)
        return added.held

    def drop(self, port: InputPort) -> None:
        """Poll a port no more; returns when the thread has let go of it."""
        self._inputs = tuple(kept for kept in self._inputs if kept.port is not port)
        self._thread.wait_for_pass(_PATIENCE_SECONDS)

    def pour_into(self, ring: Ring) -> None:
        """Push into another ring from now on; returns when the thread has let go of the one before."""
        self._sender = EventSender(ring)
        self._thread.wait_for_pass(_PATIENCE_SECONDS)

    def start(self) -> None:
        """Begin to poll."""
        self._thread.start()

    def close(self) -> None:
        """Stop polling; whoever opened the ports closes them."""
        self._thread.close()

    @property
    def realtime(self) -> bool:
        """True if the system granted a real-time priority."""
        return self._thread.realtime

    def _step(self) -> float:
        now = time.monotonic()
        if now >= self._ask_again:
            self._delay = (self._latency() + self._margin) * self._engine.rate
            self._ask_again = now + 0.25
        if self._clock.observe():
            self.poll_once(self._delay)
        return INTERVAL_SECONDS

    def poll_once(self, latency: float) -> None:
        """Take what has arrived at every port and push it, `latency` samples after its arrival."""
        found: list[tuple[float, int, tuple[int, int, int]]] = []
        for one in self._inputs:
            while (message := one.port.poll()) is not None:
                arrival = one.clock.arrival_ns(message[1], time.monotonic_ns())
                for complete in complete_messages(message[0]):
                    found.append((arrival, one.number, complete))
                    one.held.update(*complete)
        if len(found) > 1:
            found.sort(key=lambda item: item[0])
        for arrival, number, (status, first, second) in found:
            # The ring is read in its own order, so a port whose clock lags may not step back in time.
            sample = max(round(self._sample_of(arrival) + latency), self.last, 1)
            self.last = sample
            self.received += 1
            self._sender.send(midi_event(sample, status, first, second, number))
        self._sender.flush()

    def _sample_of(self, arrival_ns: float) -> float:
        if self._period:
            return self._clock.period_at(arrival_ns, self._period)
        return self._clock.sample_at(arrival_ns)
