"""Named views of the engine's memory, so that no other room has to know where in it something lies.

All of them take the whole memory record, are cheap, and may be called at any time from any process that is attached: the
callback writes while they read, counters and positions only grow, and a number of 8 bytes is never read half written.
What they give without a copy goes on changing; take a copy of what has to stay.

See Also
--------
instrument.engine.memory.output_ring : the sound that has left the engine.
instrument.engine.memory.layout : every field, with who writes it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.memory.layout import EVENT, LOG_EVENTS, RING_EVENTS
from instrument.engine.memory.records import IDLE

if TYPE_CHECKING:
    import numpy.typing as npt

    Record = npt.NDArray[np.void]
    Floats = npt.NDArray[np.float64]


def active_instance(record: Record) -> Any:
    """Return the instance that events reach: parameters, modulators and voices of the program that plays."""
    return record["instances"][int(record["active"])]


def active_values(record: Record) -> Floats:
    """Return the present value of every parameter, without what links add [shape=(COUNT,)], a live view."""
    values: Floats = active_instance(record)["value"]
    return values


def active_targets(record: Record) -> Floats:
    """Return what every parameter is set to, where a ramp under way ends [shape=(COUNT,)], a live view."""
    targets: Floats = active_instance(record)["target"]
    return targets


def active_slot(record: Record) -> int:
    """Return the slot of the program that plays, or -1 before the first."""
    return int(active_instance(record)["slot"])


def program_in(record: Record, slot: int) -> Any:
    """Return the program of a slot, a live view (`layout.PROGRAM`)."""
    return record["bank"][slot]


def active_program(record: Record) -> Any | None:
    """Return the program that plays, a live view (`layout.PROGRAM`), or None before the first."""
    slot = active_slot(record)
    return None if slot < 0 else program_in(record, slot)


def controls_of(program: Any) -> Any:
    """Return the rows of a program's controls that are in use."""
    return program["controls"][: int(program["n_controls"])]


def counters(record: Record) -> Any:
    """Return the callback's counters (`layout.COUNTERS`), a live view: blocks, underflows, late and refused events."""
    return record["counters"]


def sample_rate(record: Record) -> float:
    """Return the sample rate in hertz."""
    return float(record["rate"])


def samples_rendered(record: Record) -> int:
    """Return the sample time at which the next block begins."""
    return int(record["time"])


def frames_written(record: Record) -> int:
    """Return how many frames have gone into the output ring since the start."""
    return int(record["ring_at"])


def events_applied(record: Record) -> int:
    """Return how many events have been applied since the start: the cursor of a reader that wants only what comes."""
    return int(record["log_at"])


def logged_events(record: Record, first: int, end: int) -> npt.NDArray[np.void]:
    """Return a copy of the applied events number `first` to `end` [dtype=layout.EVENT].

    The log holds the latest LOG_EVENTS; a reader that may be that late looks at `events_applied` once more afterwards.
    """
    return np.array(record["log"][np.arange(first, end) % LOG_EVENTS], EVENT)


def event_ring(record: Record, number: int) -> Any:
    """Return a ring of events (`layout.RING`), a live view; only its one producer writes into it."""
    return record["rings"][number]


def ring_room(record: Record, number: int) -> int:
    """Return how many events a ring takes now."""
    ring = event_ring(record, number)
    return RING_EVENTS - (int(ring["tail"]) - int(ring["head"]))


def held_notes(record: Record) -> Any:
    """Return the notes that are held by a key or a pedal, oldest first (`records.HELD_NOTE`)."""
    return record["held_notes"][: int(record["n_held_notes"])]


def voices(record: Record, layer: int) -> Any:
    """Return a copy of the voices that a layer, counted from 0, sounds now (`records.LAYER_VOICE`)."""
    slots = active_instance(record)["layer_voices"][layer]
    return slots[slots["stage"] != IDLE]


def is_blacked_out(record: Record) -> bool:
    """Return whether a blackout is asked for; the sound fades for some milliseconds then (`is_dark`)."""
    return bool(record["blackout"])


def is_dark(record: Record) -> bool:
    """Return whether a blackout comes, holds or goes: the beam then rests in the middle."""
    return is_blacked_out(record) or int(record["dark"]) > 0


def is_frozen(record: Record) -> bool:
    """Return whether modulators, spins and the beat stand still."""
    return bool(record["frozen"])


def set_position(record: Record) -> int:
    """Return which patch of the set list plays, counted from 0."""
    return int(record["set_at"])


class SetListTable:
    """The table by which the callback itself changes to another patch of the set list.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]

    Notes
    -----
    One thread writes the table; the callback reads it, and writes `position` when an event changes the patch.
    """

    def __init__(self, record: Record) -> None:
        self._record = record

    @property
    def position(self) -> int:
        """Patch that plays, counted from 0."""
        return set_position(self._record)

    @position.setter
    def position(self, index: int) -> None:
        self._record["set_at"] = index

    def set_count(self, count: int) -> None:
        """Say how many patches there are; at most `layout.SETLIST` are reached so."""
        self._record["set_count"] = min(count, len(self._record["set_slots"]))

    def slot(self, index: int) -> int:
        """Return the slot that holds a patch ready, or -1."""
        return int(self._record["set_slots"][index])

    def hold(self, index: int, slot: int) -> None:
        """Say in which slot a patch is ready."""
        self._record["set_slots"][index] = slot

    def forget(self, first: int, count: int | None = None) -> None:
        """Let patches from the first on be ready nowhere; all that follow by default."""
        self._record["set_slots"][first : None if count is None else first + count] = -1
