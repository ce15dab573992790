"""Sample times of polled messages, from their time stamps, without the jitter of polls and callbacks."""

from __future__ import annotations

import ctypes
import math
from collections import deque

from instrument.engine.memory.layout import MEMORY

WINDOW_NS = 500_000_000
"""Time that an observation counts: long enough to meet a callback that was on time, short enough to follow a
device whose clock is 200 millionths off to within 0.1 ms."""

JUMP_NS = 200_000
JUMP_CALLBACKS = 6
"""So many callbacks in a row that are all later than this: the device has lost time, which it will not make up."""

LONGEST_LAG_NS = 250_000_000
"""A time stamp further before its poll than this is not believed (the port's clock was set, or stood still)."""

_TRIES = 1000


class SlidingMinimum:
    """The smallest of the values seen lately.

    A callback, a poll or a wake-up may come late, but never early. So among noisy readings of one constant
    difference of clocks the smallest is the truest, and a late reading changes nothing.

    Parameters
    ----------
    window : int
        How long a value counts, in the unit of the times given to `add`.
    """

    def __init__(self, window: int) -> None:
        self._window = window
        self._kept: deque[tuple[int, float]] = deque()

    def add(self, now: int, value: float) -> float:
        """Take a value in and return the smallest of the last `window`; times never fall."""
        kept = self._kept
        while kept and kept[-1][1] >= value:
            kept.pop()
        kept.append((now, value))
        while kept[0][0] < now - self._window:
            kept.popleft()
        return kept[0][1]


class SampleClock:
    """The running stream's sample time at any moment of the monotonic clock.

    Parameters
    ----------
    address : int
        Address of the engine's memory, which outlives this object.
    rate : float
        Sample rate in hertz.
    """

    def __init__(self, address: int, rate: float) -> None:
        self._ns_per_sample = 1e9 / rate
        self._count = _cell(address, "anchor_count")
        self._time = _cell(address, "anchor_time")
        self._ns = _cell(address, "anchor_ns")
        self._seen = -1
        self._earliest = SlidingMinimum(WINDOW_NS)
        self._late: list[tuple[int, float]] = []
        self._start_ns = 0.0

    def observe(self) -> bool:
        """Take in the latest callback; call it at least once a block. True once there was a callback."""
        if self._count.value == self._seen:
            return self._seen > 0
        anchor = self._read_anchor()
        if anchor is not None:
            time, ns = anchor
            self._take(ns, ns - time * self._ns_per_sample)
        return self._seen > 0

    def sample_at(self, ns: float) -> float:
        """Return the sample time at a moment of the monotonic clock, in fractions of a sample."""
        return (ns - self._start_ns) / self._ns_per_sample

    def period_at(self, ns: float, frames: int) -> float:
        """Return the sample time on which the period of `frames` began in which a moment lies.

        For stamps that only tell a period: what is left of them is when, within it, somebody found the time. Periods
        are counted from the latest callback; a stamp may be up to a quarter before it, by a client that runs first.
        """
        begun = (self.sample_at(ns) - self._time.value) / frames + 0.25
        return self._time.value + math.floor(begun) * frames

    def _take(self, now: int, start_ns: float) -> None:
        self._start_ns = self._earliest.add(now, start_ns)
        if start_ns - self._start_ns < JUMP_NS:
            self._late.clear()
            return
        self._late.append((now, start_ns))
        if len(self._late) == JUMP_CALLBACKS:
            self._earliest = SlidingMinimum(WINDOW_NS)
            for late in self._late:
                self._start_ns = self._earliest.add(*late)
            self._late.clear()

    def _read_anchor(self) -> tuple[int, int] | None:
        # The callback writes the pair between two steps of the count, which is odd meanwhile.
        for _ in range(_TRIES):
            before = self._count.value
            time, ns = self._time.value, self._ns.value
            if before % 2 == 0 and self._count.value == before:
                self._seen = before
                return time, ns
        return None


class ArrivalClock:
    """Moments of the monotonic clock from a port's delta times.

    A port stamps a message when it arrives and a poll finds it a little later. The running sum of deltas is the
    port's own clock; its distance from the monotonic clock is the smallest one that polls have seen.
    """

    def __init__(self) -> None:
        self._begin()

    def _begin(self) -> None:
        self._sum_ns = 0.0
        self._earliest = SlidingMinimum(4 * WINDOW_NS)

    def arrival_ns(self, delta_seconds: float, polled_ns: int) -> float:
        """Return when a message arrived.

        Parameters
        ----------
        delta_seconds : float, >= 0
            Time since the port's message before; 0 for its first.
        polled_ns : int
            Monotonic clock when the poll found it.

        Returns
        -------
        float
            Nanoseconds of the monotonic clock, never after the poll.
        """
        self._sum_ns += delta_seconds * 1e9
        offset = self._earliest.add(polled_ns, polled_ns - self._sum_ns)
        arrival = self._sum_ns + offset
        if polled_ns - arrival > LONGEST_LAG_NS:
            self._begin()
            return float(polled_ns)
        return arrival


def _cell(address: int, field: str) -> ctypes.c_int64:
    fields = MEMORY.fields
    if fields is None:
        raise TypeError("the engine's memory has no fields")
    return ctypes.c_int64.from_address(address + int(fields[field][1]))
