"""The figures beside the picture: level, callback load, underflows, and the latest MIDI message."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.layout import EVENT_MIDI, LOG_EVENTS
from instrument.window.keys import note_name

if TYPE_CHECKING:
    import numpy.typing as npt

FALL = 20 / 1.7
"""Decibels a second that the level falls by: IEC 60268-10, type I programme meter, 20 dB in 1.7 s (from memory)."""

FLOOR = -60.0
"""Decibels below full scale at which a level is taken as silence."""

INTERVAL = 0.5
"""Seconds over which the callback load is averaged."""

GLOW = 1.0
"""Seconds that a MIDI message stays in sight."""


class Levels:
    """Peak level of each channel in decibels below full scale, falling slowly enough to be read."""

    def __init__(self) -> None:
        self.decibels = [FLOOR, FLOOR]

    def follow(self, samples: npt.NDArray[np.float32], seconds: float) -> None:
        """Take in samples [shape=(n, 2)] that cover `seconds`."""
        for channel in range(2):
            level = FLOOR
            peak = float(np.abs(samples[:, channel]).max()) if len(samples) else 0.0
            if peak > 0.0:
                level = max(20.0 * math.log10(peak), FLOOR)
            self.decibels[channel] = max(level, self.decibels[channel] - FALL * seconds, FLOOR)


class CallbackLoad:
    """Share of the time that the callback needs, from the engine's counters."""

    def __init__(self, record: npt.NDArray[np.void], rate: float) -> None:
        self._counters = record["counters"]
        self._rate = rate
        self._since = 0.0
        self._before = self._taken()
        self.share = 0.0

    def follow(self, seconds: float) -> None:
        """Let time pass; the share changes once in `INTERVAL`, and is 0 while no block is asked for."""
        self._since += seconds
        if self._since < INTERVAL:
            return
        now = self._taken()
        nanoseconds, frames = now[0] - self._before[0], now[1] - self._before[1]
        self.share = nanoseconds * 1e-9 * self._rate / frames if frames > 0 else 0.0
        self._before, self._since = now, 0.0

    def _taken(self) -> tuple[int, int]:
        return int(self._counters["total_ns"]), int(self._counters["frames"])


class MidiActivity:
    """The latest MIDI message that the engine applied, whatever it came from."""

    def __init__(self, record: npt.NDArray[np.void]) -> None:
        self._record = record
        self._cursor = int(record["log_at"])
        self._age = GLOW
        self._latest = ""

    @property
    def message(self) -> str:
        """The message in words, or nothing once it is older than `GLOW`."""
        return self._latest if self._age < GLOW else ""

    def follow(self, seconds: float) -> None:
        """Let time pass and look at what was applied since."""
        self._age += seconds
        end = int(self._record["log_at"])
        for at in range(end - 1, max(self._cursor, end - LOG_EVENTS) - 1, -1):
            event = self._record["log"][at % LOG_EVENTS]
            if event["kind"] == EVENT_MIDI:
                status, first, second = (int(byte) for byte in event["data"])
                self._latest, self._age = describe(status, first, second), 0.0
                break
        self._cursor = end


def describe(status: int, first: int, second: int) -> str:
    """Return a channel message in words (MIDI 1.0 Detailed Specification, table 1).

    Examples
    --------
    >>> describe(0x90, 69, 100), describe(0xB2, 21, 64), describe(0xE0, 0, 64)
    ('note A4', 'control 21 = 64', 'bend 0')
    """
    kind = status & 0xF0
    if kind == 0x90 and second > 0:
        return f"note {note_name(first)}"
    if kind in {0x80, 0x90}:
        return f"note {note_name(first)} off"
    words = {
        0xA0: f"key pressure {second}",
        0xB0: f"control {first} = {second}",
        0xC0: f"program {first}",
        0xD0: f"pressure {first}",
        0xE0: f"bend {first + 128 * second - 8192}",
    }
    return words.get(kind, f"message {status:02X}")
