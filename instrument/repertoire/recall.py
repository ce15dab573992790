"""Recall: patches held ready in the engine's slots, so that changing to one needs nothing but the audio callback.

Slot and index in the set list are the same for the first `PRELOADED` patches. A pad, a program change or a key names an
index; the callback looks it up in the table of slots and changes program on the sample of the event. Python only fills the
table, and steps in for patches that found no room there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.engine import EngineFullError, action_event
from instrument.engine.memory.layout import ACTIONS, EVENT_ACTION, SLOTS
from instrument.engine.memory.views import SetListTable

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

PRELOADED = SLOTS - 12
"""Patches held ready in slots; the rest of the slots is for changes under way."""

_STEPS = {ACTIONS.index("next"): 1, ACTIONS.index("previous"): -1}
_PATCH = ACTIONS.index("patch")


class Recall:
    """The patch that plays, chosen by the window, a pad or a program change.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` and its bank of programs belong to the thread that calls this object.
    program_of : callable
        Gives the program at an index of the set list.

    Attributes
    ----------
    position : int
        Index in the set list of what plays, or will with the next block.
    """

    def __init__(self, engine: Engine, program_of: Callable[[int], Program]) -> None:
        self._engine = engine
        self._table = SetListTable(engine.record)
        self._program_of = program_of
        self._stale: set[int] = set()
        self._seen = 0
        self._cursor = 0
        self.position = 0

    def hold(self, count: int) -> None:
        """Load the first of `count` patches into slots; those without room are loaded when they are played."""
        self._table.set_count(count)
        self._stale = set(range(min(count, PRELOADED)))
        self.refresh()
        _, self._cursor, _ = self._engine.log_since(0)

    def changed(self, index: int) -> None:
        """Take the patch at an index out of its slot; it is loaded anew as soon as that may be written."""
        if index < PRELOADED:
            self._table.forget(index, 1)
            self._stale.add(index)

    def inserted(self, index: int, count: int) -> None:
        """Take patches out of their slots from an index behind the one that plays, as some were put in there."""
        self._table.forget(index)
        self._table.set_count(count)
        self._stale |= set(range(index, min(count, PRELOADED)))
        self.refresh()

    def refresh(self) -> None:
        """Load what is in no slot yet, unless its slot still plays."""
        for index in sorted(self._stale):
            try:
                self._table.hold(index, self._engine.load(self._program_of(index), index))
            except EngineFullError:
                # Its slot plays, or fades out; the next poll tries again.
                continue
            self._stale.discard(index)

    def go_to(self, index: int) -> None:
        """Play the patch at an index from its start, with a cross-fade.

        Raises
        ------
        EngineFullError
            If it finds no room.
        """
        if self._table.slot(index) >= 0:
            # The same event as a pad's or a program change's.
            if not self._engine.push(action_event(0, "patch", index + 1)):
                raise EngineFullError("the engine takes no more events at the moment; is it running?")
        else:
            self._engine.play(self._program_of(index))
            self._table.position = index
            self._seen = index
        self.position = index

    def poll(self, count: int) -> bool:
        """Follow what controllers have chosen; return whether another patch plays now.

        Raises
        ------
        EngineFullError
            If a patch that is in no slot finds no room.
        """
        before = self.position
        events, self._cursor, _ = self._engine.log_since(self._cursor)
        for event in events[events["kind"] == EVENT_ACTION]:
            index = _target_index(int(event["index"]), float(event["value"]), self.position, count)
            if index is not None and self._table.slot(index) < 0:
                self.go_to(index)
        now = self._table.position
        if now != self._seen:
            self._seen = now
            self.position = now
        if self._stale:
            self.refresh()
        return self.position != before


def _target_index(action: int, value: float, position: int, count: int) -> int | None:
    if action in _STEPS:
        return (position + _STEPS[action]) % count
    if action == _PATCH and 1 <= value <= count:
        return int(value + 0.5) - 1
    return None
