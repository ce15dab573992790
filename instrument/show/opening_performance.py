"""Opening performance: what comes with a patch is played round and round until a hand takes over."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from instrument.engine.engine import midi_event
from instrument.engine.memory.layout import RING_MIDI, RING_PERFORM, RING_WINDOW
from instrument.engine.notes.midi_numbers import NOTE_OFF, NOTE_ON, RELEASE_VELOCITY
from instrument.midi.event_feed import EngineRing, EventSender, RingActivity
from instrument.midi.files.performance import read_performance
from instrument.midi.message_decoder import MidiError
from instrument.patch.factory import performance_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from instrument.engine.engine import Engine, Event

AHEAD_SECONDS = 0.15
"""Lead in seconds with which events are pushed. They cannot be taken back, so that a hand shares the instrument for so long."""

PAUSE_SECONDS = 1.0
"""Time from the last event of a performance to the beginning of its next round."""


class OpeningPerformance:
    """Player of the performance that belongs to the current patch, until a note, a knob or a key comes.

    It is the one producer of `RING_PERFORM`; the show calls `poll` some fifty times a second.

    Parameters
    ----------
    engine : Engine
    playing : callable
        Returns the file of the patch that plays.
    begin_again : callable
        Plays it afresh from its start.

    Attributes
    ----------
    over : bool
        Whether a hand has taken over; from then on nothing more is played.
    """

    def __init__(self, engine: Engine, playing: Callable[[], Path], begin_again: Callable[[], None]) -> None:
        self._engine = engine
        self._playing = playing
        self._begin_again = begin_again
        self._sender = EventSender(EngineRing(engine, RING_PERFORM))
        self._hands = [RingActivity(engine, RING_MIDI), RingActivity(engine, RING_WINDOW)]
        self._path: Path | None = None
        self._events: list[Event] = []
        self._at = 0
        self._began = 0
        self._held: dict[tuple[int, int], Event] = {}
        self.over = False
        self._until = 0

    @property
    def acts(self) -> bool:
        """True while something that it has pushed may still take effect."""
        return not self.over or self._engine.time <= self._until

    def poll(self) -> None:
        """Play on, follow a change of the patch, or let go if a hand has come."""
        if self.over:
            return
        if any(hand.came() for hand in self._hands):
            self.end()
            return
        path = self._playing()
        if path != self._path:
            self._let_go()
            self._read(path)
            self._begin()
        # The next round starts the patch afresh: what the performance has moved goes back to where it begins.
        elif self._events and self._at == len(self._events) and self._engine.time > self._end():
            self._begin_again()
            self._begin()
        self._feed()

    def end(self) -> None:
        """Play nothing more, and let go of every key that is held; knobs stay where they are."""
        if not self.over:
            self.over = True
            # What was pushed last takes effect a lead after now, and what lets go of its keys a lead behind that.
            self._until = self._engine.time + 2 * round(AHEAD_SECONDS * self._engine.rate)
            self._let_go()

    def _read(self, path: Path) -> None:
        self._path = path
        perform = performance_of(path)
        try:
            self._events = read_performance(perform, self._engine.rate) if perform else []
        except MidiError:
            self._events = []  # a file of the player's own that happens to have the name; the patch plays without it

    def _begin(self) -> None:
        self._at = 0
        self._began = self._engine.time + round(AHEAD_SECONDS * self._engine.rate)

    def _end(self) -> int:
        return self._began + self._events[-1].time + round(PAUSE_SECONDS * self._engine.rate)

    def _feed(self) -> None:
        horizon = self._engine.time + round(AHEAD_SECONDS * self._engine.rate) - self._began
        while self._at < len(self._events) and self._events[self._at].time <= horizon:
            event = self._events[self._at]
            self._remember(event)
            self._sender.send(replace(event, time=event.time + self._began))
            self._at += 1
        self._sender.flush()

    def _remember(self, event: Event) -> None:
        status, key, velocity = event.data
        if status & 0xF0 == NOTE_ON and velocity:
            self._held[status & 0x0F, key] = event
        elif status & 0xF0 in {NOTE_ON, NOTE_OFF}:
            self._held.pop((status & 0x0F, key), None)

    def _let_go(self) -> None:
        # Behind what has been pushed already, of which the key going down may be the last.
        when = self._engine.time + round(AHEAD_SECONDS * self._engine.rate)
        for channel, key in self._held:
            self._sender.send(midi_event(when, NOTE_OFF | channel, key, RELEASE_VELOCITY))
        self._held.clear()
        self._sender.flush()
