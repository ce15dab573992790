"""The patches of a performance held ready in the engine, so that a recall needs nobody but the audio callback."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.engine import EngineFullError, action_event
from instrument.engine.memory.layout import ACTIONS, EVENT_ACTION, SETLIST, SLOTS

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

HELD = SLOTS - 12
"""Patches held ready; the rest of the slots is for changes under way."""

_STEPS = {ACTIONS.index("next"): 1, ACTIONS.index("previous"): -1}
_PATCH = ACTIONS.index("patch")


class Recall:
    """Which patch plays, whoever chose it: a key of the window, a pad, a program change.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` and its bank of programs belong to the thread that calls this object.
    program_of : callable
        Gives the program of a place in the set list.

    Attributes
    ----------
    position : int
        Place that plays, or will with the next block.
    """

    def __init__(self, engine: Engine, program_of: Callable[[int], Program]) -> None:
        self._engine = engine
        self._program_of = program_of
        self._stale: set[int] = set()
        self._seen = 0
        self._cursor = 0
        self.position = 0

    def hold(self, count: int) -> None:
        """Hold the first of `count` patches ready; those for which there is no room are loaded when they are played."""
        self._engine.record["set_count"] = min(count, SETLIST)
        self._stale = set(range(min(count, HELD)))
        self.refresh()
        _, self._cursor, _ = self._engine.log_since(0)

    def changed(self, place: int) -> None:
        """Forget what is held of a place; it is held anew as soon as it may be."""
        if place < HELD:
            self._engine.record["set_slots"][place] = -1
            self._stale.add(place)

    def inserted(self, place: int, count: int) -> None:
        """Forget what is held from a place on, behind the one that plays, as patches were put in there."""
        self._engine.record["set_slots"][place:] = -1
        self._engine.record["set_count"] = min(count, SETLIST)
        self._stale |= set(range(place, min(count, HELD)))
        self.refresh()

    def refresh(self) -> None:
        """Hold what is not held yet, unless its slot still plays."""
        for place in sorted(self._stale):
            try:
                self._engine.record["set_slots"][place] = self._engine.load(self._program_of(place), place)
            except EngineFullError:
                continue
            self._stale.discard(place)

    def go_to(self, place: int) -> None:
        """Play the patch of a place from its start, with a cross-fade.

        Raises
        ------
        EngineFullError
            If it finds no room.
        """
        if self._engine.record["set_slots"][place] >= 0:
            if not self._engine.push(action_event(0, "patch", place + 1)):
                raise EngineFullError("the engine takes no more events at the moment; is it running?")
        else:
            self._engine.play(self._program_of(place))
            self._engine.record["set_at"] = place
            self._seen = place
        self.position = place

    def poll(self, count: int) -> bool:
        """Follow what hands on controllers have chosen; True if another patch plays now.

        Raises
        ------
        EngineFullError
            If a patch that is not held finds no room.
        """
        before = self.position
        events, self._cursor, _ = self._engine.log_since(self._cursor)
        for event in events[events["kind"] == EVENT_ACTION]:
            place = _place(int(event["index"]), float(event["value"]), self.position, count)
            if place is not None and self._engine.record["set_slots"][place] < 0:
                self.go_to(place)
        now = int(self._engine.record["set_at"])
        if now != self._seen:
            self._seen = now
            self.position = now
        if self._stale:
            self.refresh()
        return self.position != before


def _place(action: int, value: float, position: int, count: int) -> int | None:
    if action in _STEPS:
        return (position + _STEPS[action]) % count
    if action == _PATCH and 1 <= value <= count:
        return int(value + 0.5) - 1
    return None
