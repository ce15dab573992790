"""Readers of the engine's memory from another process: output ring, live input, log of applied events, latest frames."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from instrument.engine.memory.layout import CHUNK, INPUT_FRAMES, LOG_EVENTS
from instrument.engine.memory.output_ring import OutputRing, fence
from instrument.engine.memory.views import events_applied, frames_written, logged_events

if TYPE_CHECKING:
    Events = npt.NDArray[np.void]
    Frames = npt.NDArray[np.float32]


MARGIN_EVENTS = 64
"""Events that the callback may write while others are being copied out of the log."""


class OutputRingReader:
    """Reads the output ring without a gap, from the frame that was written first or from any later one.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
        The engine's memory.
    at : int
        Frame to begin with, counted from the start of the engine.

    Attributes
    ----------
    at : int
        Frame that comes next.
    """

    def __init__(self, record: npt.NDArray[np.void], at: int = 0) -> None:
        self._ring = OutputRing(record)
        self.at = at

    def read(self) -> tuple[int, Frames]:
        """Return how many frames were overwritten unread, and those that follow them [shape=(n, 2)]."""
        written = self._ring.written()
        lost = max(self._ring.oldest(written) - self.at, 0)
        start = self.at + lost
        count = max(written - start, 0)
        torn, taken = self._ring.take(start, count)
        self.at = start + count
        return lost + torn, taken


class InputRingReader:
    """Reads what was heard beside frames that have just been read from a `OutputRingReader`.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]

    Attributes
    ----------
    first : int or None
        Frame up to which there was no input; None while there has been none.
    lost : int
        Frames of input that were overwritten unread.
    """

    def __init__(self, record: npt.NDArray[np.void]) -> None:
        self._record = record
        self.first: int | None = None
        self.lost = 0

    def read(self, first: int, count: int) -> Frames | None:
        """Return the input of frames [first, first + count), silent where it was lost; None while there is none."""
        if not int(self._record["input_heard"]):
            return None
        if self.first is None:
            self.first = first
        places = np.arange(first, first + count) & (INPUT_FRAMES - 1)
        taken = np.array(self._record["input_ring"][places], np.float32)
        fence()
        # The callback fills the next chunk before it says so.
        torn = min(max(frames_written(self._record) + CHUNK - INPUT_FRAMES - first, 0), count)
        taken[:torn] = 0.0
        self.lost += torn
        return taken


class EventLogReader:
    """Reads the log of applied events in order.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]

    Attributes
    ----------
    at : int
        Place in the log of the event that comes next.
    lost : int
        Events overwritten before they were read, from the start of the engine.
    """

    def __init__(self, record: npt.NDArray[np.void]) -> None:
        self._record = record
        self.at = 0
        self.lost = 0

    def read(self) -> Events:
        """Return the events applied since the last call, dtype `layout.EVENT`."""
        end = events_applied(self._record)
        fence()
        first = max(self.at, end - LOG_EVENTS + MARGIN_EVENTS)
        taken = logged_events(self._record, first, end)
        fence()
        # The next event is written before it is counted.
        kept = max(first, min(events_applied(self._record) - LOG_EVENTS + 1, end))
        self.lost += kept - self.at
        self.at = end
        return taken[kept - first :]


class LatestFrames:
    """A ring of frames.

    Parameters
    ----------
    capacity : int, >= 0
        Frames.
    """

    def __init__(self, capacity: int) -> None:
        self.capacity = capacity
        # Pages that were never written take no memory yet.
        self._ring = np.zeros((max(capacity, 1), 2), np.float32)
        self._written = 0
        self._gaps: list[tuple[int, int]] = []

    def add(self, frames: npt.NDArray[np.float32], lost: int = 0) -> None:
        """Append frames [shape=(n, 2)]; with `lost`, the last ones of so many lost frames, as silence."""
        if lost:
            self._gaps.append((self._written, lost))
            self._written += lost - len(frames)
        skipped = max(len(frames) - self.capacity, 0)
        at = self._written + skipped
        kept = frames[skipped:]
        self._written += len(frames)
        if not len(kept):
            return
        first = at % self.capacity
        straight = min(len(kept), self.capacity - first)
        self._ring[first : first + straight] = kept[:straight]
        self._ring[: len(kept) - straight] = kept[straight:]

    def all(self) -> npt.NDArray[np.float32]:
        """Return what is kept, oldest first [shape=(n, 2)]."""
        count = min(self._written, self.capacity)
        if not count:
            return np.zeros((0, 2), np.float32)
        first = (self._written - count) % self.capacity
        return np.concatenate([self._ring[first : first + count], self._ring[: max(first + count - self.capacity, 0)]])

    def gaps(self, end: int) -> list[tuple[int, int]]:
        """Return first frame and length of the lost parts among what is kept, in frames of the show.

        Parameters
        ----------
        end : int
            Frame of the show behind the newest one.
        """
        shift = end - self._written
        oldest = end - min(self._written, self.capacity)
        kept = []
        for start, count in self._gaps:
            first = max(start + shift, oldest)
            if start + shift + count > first:
                kept.append((first, start + shift + count - first))
        self._gaps = [(start - shift, count) for start, count in kept]
        return kept
