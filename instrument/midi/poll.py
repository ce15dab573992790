"""One thread of our own that takes messages from every port and hands them to the engine on their samples."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from instrument.engine.engine import midi_event
from instrument.engine.layout import RING_MIDI
from instrument.midi.clock import ArrivalClock, SampleClock
from instrument.midi.decode import channel_messages
from instrument.midi.outbox import Outbox
from instrument.midi.priority import POLLING, raise_priority

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from instrument.engine.engine import Engine
    from instrument.midi.ports import InputPort

INTERVAL_SECONDS = 0.0003
"""Pause between two looks at the ports: a fraction of the shortest usual block."""

MARGIN_SECONDS = 0.0005
"""Added to the latency so that a message found by the latest poll is still ahead of its sample."""


class MidiPoll:
    """Takes messages from ports until it is closed.

    Parameters
    ----------
    engine : Engine
        Its `RING_MIDI` is this thread's alone while it runs.
    ports : sequence of InputPort
        At most 256; a message carries the place of its port in this sequence.
    latency : callable
        Returns the constant delay between arrival and effect, in seconds; asked once in a while.
    period : int
        Frames of the periods on which the ports stamp their messages; 0 if they stamp the moment itself.
    """

    def __init__(
        self,
        engine: Engine,
        ports: Sequence[InputPort],
        latency: Callable[[], float],
        period: int = 0,
    ) -> None:
        self._engine = engine
        self._inputs = [(number, port, ArrivalClock()) for number, port in enumerate(ports)]
        self._latency = latency
        self._period = period
        # A stamp that is the beginning of a period is ahead of its sample by nearly a period already.
        self._margin = 0.0 if period else MARGIN_SECONDS
        self._clock = SampleClock(engine.memory.address, engine.rate)
        self._outbox = Outbox(engine, RING_MIDI)
        self._last = 0
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="midi", daemon=True)
        self.realtime = False
        """Whether the system granted a real-time priority."""
        self.received = 0
        """Channel messages taken from ports so far."""

    @property
    def names(self) -> list[str]:
        """Names of the ports, our own included."""
        return [port.name for _, port, _ in self._inputs]

    def start(self) -> None:
        """Begin to poll."""
        self._thread.start()

    def close(self) -> None:
        """Stop polling and close the ports."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join()
        for _, port, _ in self._inputs:
            port.close()

    def _run(self) -> None:
        self.realtime = raise_priority(POLLING)
        sleep, ending = time.sleep, self._ending.is_set
        latency, ask_again = 0.0, 0.0
        while not ending():
            now = time.monotonic()
            if now >= ask_again:
                latency = (self._latency() + self._margin) * self._engine.rate
                ask_again = now + 0.25
            if self._clock.observe():
                self.poll_once(latency)
            sleep(INTERVAL_SECONDS)

    def poll_once(self, latency: float) -> None:
        """Take what has arrived at every port and push it, `latency` samples after its arrival."""
        found: list[tuple[float, int, tuple[int, int, int]]] = []
        for number, port, clock in self._inputs:
            while (message := port.poll()) is not None:
                arrival = clock.arrival_ns(message[1], time.monotonic_ns())
                found += [(arrival, number, complete) for complete in channel_messages(message[0])]
        if len(found) > 1:
            found.sort(key=lambda item: item[0])
        for arrival, number, (status, first, second) in found:
            # The ring is read in its own order, so a port whose clock lags may not step back in time.
            sample = max(round(self._sample_of(arrival) + latency), self._last, 1)
            self._last = sample
            self.received += 1
            self._outbox.send(midi_event(sample, status, first, second, number))
        self._outbox.flush()

    def _sample_of(self, arrival_ns: float) -> float:
        if self._period:
            return self._clock.period_at(arrival_ns, self._period)
        return self._clock.sample_at(arrival_ns)
