"""The engine's Python door: load programs, send events, render, and read what happened."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from instrument.engine.memory.allocation import Memory, allocate
from instrument.engine.memory.layout import (
    ACTIONS,
    EVENT,
    EVENT_ACTION,
    EVENT_MIDI,
    EVENT_PANIC,
    EVENT_SET,
    EVENT_SWAP,
    FLAG_AT_ONCE,
    FLAG_CARRY,
    LOG_EVENTS,
    POOL,
    RING_COMMAND,
    RING_EVENTS,
    RINGS,
    SLOTS,
)
from instrument.engine.parameters import ADDRESSES, index_of
from instrument.engine.signal.render import push_callback, stream_callback

if TYPE_CHECKING:
    from collections.abc import Iterable

    from instrument.engine.program import Program

CALLBACK_ADDRESS = int(stream_callback.address)
"""Address of the C callback, with PortAudio's signature; its user data is the memory's address."""

_callback = ctypes.CFUNCTYPE(
    ctypes.c_int,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_void_p,
)(CALLBACK_ADDRESS)

_push = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int64, ctypes.c_void_p)(int(push_callback.address))


@dataclass(frozen=True)
class Event:
    """Something that happens to the instrument on one sample.

    Attributes
    ----------
    time : int
        Sample time; 0 or anything past means at once.
    kind : int
        One of the `EVENT_` numbers of `layout`.
    index : int
        Parameter or slot.
    value : float
        New value of a parameter.
    data : tuple of int
        Raw MIDI bytes, each 0..255.
    flags, port : int
    """

    time: int
    kind: int
    index: int = 0
    value: float = 0.0
    data: tuple[int, int, int] = (0, 0, 0)
    flags: int = 0
    port: int = 0

    def packed(self) -> tuple[int, float, int, int, tuple[int, int, int], int, int]:
        """Return the event in the field order of `layout.EVENT`."""
        return (self.time, self.value, self.kind, self.index, self.data, self.port, self.flags)


def midi_event(time: int, status: int, first: int = 0, second: int = 0, port: int = 0) -> Event:
    """Return a raw MIDI message as an event."""
    return Event(time, EVENT_MIDI, data=(status, first, second), port=port)


def set_event(time: int, address: str, value: float, *, at_once: bool = False) -> Event:
    """Return a typed parameter change as an event; any number is allowed.

    Raises
    ------
    KeyError
        If there is no such address.
    """
    return Event(time, EVENT_SET, index_of(address), float(value), flags=FLAG_AT_ONCE if at_once else 0)


def swap_event(time: int, slot: int, *, carry: bool = False, fade: float = 0.0) -> Event:
    """Return the change to another loaded program as an event.

    Parameters
    ----------
    time : int
        Sample time.
    slot : int
    carry : bool
        Whether phases go on; both programs then draw in step, and fading from one to the other bends
        the old figure into the new one.
    fade : float
        Seconds; 0 takes the new patch's own.
    """
    return Event(time, EVENT_SWAP, slot, fade, flags=FLAG_CARRY if carry else 0)


def action_event(time: int, action: str, value: float = 0.0) -> Event:
    """Return an action as an event.

    Parameters
    ----------
    time : int
        Sample time.
    action : str
        One of `layout.ACTIONS`.
    value : float
        Patch of the set list or snapshot, counted from 1, where the action takes one.

    Raises
    ------
    ValueError
        If there is no such action.
    """
    return Event(time, EVENT_ACTION, ACTIONS.index(action), value)


def panic_event(time: int = 0) -> Event:
    """Return the event that releases every held note."""
    return Event(time, EVENT_PANIC)


class EngineFullError(ValueError):
    """A drawing or a program finds no room in the engine's memory."""


class Engine:
    """One memory and what may be done with it from Python.

    Parameters
    ----------
    rate : float
        Sample rate in hertz.
    memory : Memory, optional
        Memory to use; a private one by default.

    Notes
    -----
    Only one thread may push into each ring, and only one may load programs. Rendering through
    `render` is for offline use and the silent clock; a stream calls `CALLBACK_ADDRESS` by itself.
    """

    def __init__(self, rate: float, memory: Memory | None = None) -> None:
        self.rate = float(rate)
        self.memory = memory if memory is not None else allocate(rate)
        self._regions: dict[int, tuple[int, int]] = {}
        self._kept: set[int] = set()
        self._next_slot = 0

    @property
    def record(self) -> npt.NDArray[np.void]:
        """The whole memory (`layout.memory_dtype`)."""
        return self.memory.record

    @property
    def time(self) -> int:
        """Samples rendered since the start."""
        return int(self.record["time"])

    def load(self, program: Program, slot: int | None = None) -> int:
        """Copy a program and its tables into the bank and return its slot.

        Parameters
        ----------
        program : Program
        slot : int, optional
            Slot to fill, 0 to `layout.SLOTS` - 1, kept from then on. By default a passing one, which may
            be taken again by later loads once nothing plays it.

        Raises
        ------
        EngineFullError
            If the slot is being played, all are, or the tables do not fit into the pool.
        """
        busy = self._busy_slots()
        if slot is None:
            slot = self._free_slot(busy | self._kept)
        elif slot in busy:
            raise EngineFullError(f"program slot {slot} is being played; load another one")
        else:
            self._kept.add(slot)
        tables = tables_of(program)
        start = self._make_room(sum(len(table) for _, table in tables), slot, busy)
        self._regions.pop(slot, None)
        row = self.record["bank"][slot : slot + 1]
        row[...] = program.record
        at = start
        for place, table in tables:
            self.record["pool"][at : at + len(table)] = table
            group, number, field, axis = place
            if axis is None:
                row[group][0, number][field] = at
            else:
                row[group][0, number][field][axis] = at
            at += len(table)
        if at > start:
            self._regions[slot] = (start, at)
        return slot

    def _busy_slots(self) -> set[int]:
        # Waiting events first: a change that the callback makes in between is then seen at least once.
        busy = set()
        for ring in self.record["rings"]:
            for k in range(int(ring["head"]), int(ring["tail"])):
                event = ring["events"][k % RING_EVENTS]
                if event["kind"] == EVENT_SWAP:
                    busy.add(int(event["index"]))
        return busy | {int(slot) for slot in self.record["instances"]["slot"]}

    def _free_slot(self, busy: set[int]) -> int:
        for k in range(SLOTS):
            slot = (self._next_slot + k) % SLOTS
            if slot not in busy:
                self._next_slot = (slot + 1) % SLOTS
                return slot
        raise EngineFullError(f"all {SLOTS} program slots are in use; wait for a change to be finished")

    def _make_room(self, length: int, slot: int, busy: set[int]) -> int:
        # Programs that only passed by give up their tables, oldest first, when the pool is full.
        passing = [owner for owner in self._regions if owner not in busy | self._kept | {slot}]
        while (start := self._find_room(length, slot)) is None:
            if not passing:
                raise EngineFullError(f"drawings need {length} more values of {POOL}; use fewer or coarser drawings")
            del self._regions[passing.pop(0)]
        return start

    def _find_room(self, length: int, slot: int) -> int | None:
        at = 0
        for start, end in sorted(region for owner, region in self._regions.items() if owner != slot):
            if start - at >= length:
                return at
            at = max(at, end)
        return at if POOL - at >= length else None

    def push(self, event: Event, ring: int = RING_COMMAND) -> bool:
        """Hand an event to the callback; events of one ring are pushed in order of time.

        May be called while the callback runs; an event is copied, then published.

        Returns
        -------
        bool
            False if the ring is full; the loss is counted in ``counters.refused_events``.

        Raises
        ------
        ValueError
            If there is no such ring.
        """
        if not 0 <= ring < RINGS:
            raise ValueError(f"there is no event ring {ring}; they are counted from 0 to {RINGS - 1}")
        packed = np.array(event.packed(), EVENT)
        return bool(_push(self.memory.address, ring, packed.ctypes.data))

    def set(self, address: str, value: float, *, at_once: bool = False) -> bool:
        """Change a parameter now; see `set_event`."""
        return self.push(set_event(0, address, value, at_once=at_once))

    def play(self, program: Program, *, carry: bool = False, time: int = 0, fade: float = 0.0) -> int:
        """Load a program and change to it; return its slot.

        Raises
        ------
        EngineFullError
            If it finds no room, or no event can be taken now.
        """
        slot = self.load(program)
        if not self.push(swap_event(time, slot, carry=carry, fade=fade)):
            raise EngineFullError("the engine takes no more events at the moment; is it running?")
        return slot

    def render_into(self, out: npt.NDArray[np.float32], incoming: npt.NDArray[np.float32] | None = None) -> None:
        """Fill a C-contiguous float32 array [shape=(frames, 2)] with the next frames.

        Parameters
        ----------
        out : np.ndarray [shape=(frames, 2), dtype=float32]
        incoming : np.ndarray [shape=(frames, 2), dtype=float32], optional
            Live input of these frames, both channels; without it there is none, whatever a device gave before.

        Raises
        ------
        ValueError
            If an array has another shape, dtype or memory order.
        """
        fits = incoming is None or (incoming.dtype == np.float32 and incoming.shape == out.shape)
        if incoming is not None and not (fits and incoming.flags.c_contiguous):
            raise ValueError(
                f"incoming is {incoming.dtype} {incoming.shape}; it must be contiguous float32 {out.shape}"
            )
        self.record["input_channels"] = 0 if incoming is None else 2
        if out.dtype != np.float32 or out.ndim != 2 or out.shape[1] != 2 or not out.flags.c_contiguous:
            raise ValueError(f"out is {out.dtype} {out.shape}; it must be contiguous float32 (frames, 2)")
        if len(out):
            heard = None if incoming is None else incoming.ctypes.data
            _callback(heard, out.ctypes.data, len(out), None, 0, self.memory.address)

    def render(
        self,
        frames: int,
        *,
        block: int = 1024,
        events: Iterable[Event] = (),
        ring: int = RING_COMMAND,
        incoming: npt.NDArray[np.float32] | None = None,
    ) -> npt.NDArray[np.float32]:
        """Render offline: the same compiled code, in blocks, with events on their sample times.

        Parameters
        ----------
        frames : int, >= 0
        block : int, > 0
            Frames a call; it does not change a bit of the result.
        events : iterable of Event
            In order of time.
        ring : int
            Through which they go.
        incoming : np.ndarray [shape=(frames, 2), dtype=float32], optional
            Live input; without it there is none.

        Returns
        -------
        np.ndarray [shape=(frames, 2), dtype=float32]
        """
        out = np.empty((frames, 2), np.float32)
        waiting = iter(events)
        event = next(waiting, None)
        done = 0
        while done < frames:
            count = min(block, frames - done)
            while event is not None and event.time < self.time + count and self._has_room(ring):
                self.push(event, ring)
                event = next(waiting, None)
            if event is not None and event.time < self.time + count:
                # The ring is full: go on only to the last event that found room.
                count = max(1, self._last_pushed(ring) + 1 - self.time)
                count = min(count, block, frames - done)
            self.render_into(out[done : done + count], None if incoming is None else incoming[done : done + count])
            done += count
        return out

    def _has_room(self, ring: int) -> bool:
        row = self.record["rings"][ring]
        return int(row["tail"]) - int(row["head"]) < RING_EVENTS

    def _last_pushed(self, ring: int) -> int:
        row = self.record["rings"][ring]
        return int(row["events"][(int(row["tail"]) - 1) % RING_EVENTS]["time"])

    def value(self, address: str) -> float:
        """Return a parameter's present value, without what links add.

        Raises
        ------
        KeyError
            If there is no such address.
        """
        instance = self.record["instances"][int(self.record["active"])]
        return float(instance["value"][index_of(address)])

    def values(self) -> dict[str, float]:
        """Return by address what every parameter is set to: where a ramp under way ends, without links."""
        instance = self.record["instances"][int(self.record["active"])]
        return dict(zip(ADDRESSES, instance["target"].tolist(), strict=True))

    def log_since(self, cursor: int) -> tuple[npt.NDArray[np.void], int, int]:
        """Return events applied since a cursor, the new cursor, and how many were overwritten unread."""
        end = int(self.record["log_at"])
        first = max(cursor, end - LOG_EVENTS + 64)
        events = np.empty(max(end - first, 0), EVENT)
        for k in range(first, end):
            events[k - first] = self.record["log"][k % LOG_EVENTS]
        return events, end, first - cursor


def tables_of(program: Program) -> list[tuple[tuple[str, int, str, int | None], npt.NDArray[np.float64]]]:
    """Return the tables that a program refers to as they lie in the pool, each with the field that holds its place.

    Each frame of a drawing is laid out as x[n + 1], y[n + 1], z[n + 1], the first point repeated at the end, without z where
    it has two axes.

    Returns
    -------
    list of (place, np.ndarray [shape=(k,), dtype=float64])
        Place: group of the program, number in it, field, and axis where the field has three.
    """
    tables: list[tuple[tuple[str, int, str, int | None], npt.NDArray[np.float64]]] = []
    for layer, frames in program.paths.items():
        axes = int(program.record["layers"][layer]["axes"])
        closed = np.concatenate([frames, frames[:, :1]], axis=1)[:, :, :axes]
        values = np.ascontiguousarray(closed.transpose(0, 2, 1)).ravel()
        tables.append((("layers", layer, "path", None), values))
    for layer, jumps in program.jumps.items():
        tables.append((("layers", layer, "jump_table", None), jumps.ravel()))
    for layer, directions in program.views.items():
        tables.append((("layers", layer, "view_table", None), directions.ravel()))
    for (layer, axis), terms in program.terms.items():
        tables.append((("layers", layer, "term_table", axis), terms.ravel()))
    for number, table in program.tables.items():
        tables.append((("modulators", number, "table", None), table.ravel()))
    return tables
