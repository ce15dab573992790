"""Whether the whole process stood still: suspended, or kept from running by the machine."""

from __future__ import annotations

import time

SHORTEST = 2.0
"""Seconds between two looks from which it counts; they are a fifth of a second apart."""


class Standstill:
    """Looks at the monotonic clock, which goes on while a process is stopped and which nobody sets."""

    def __init__(self) -> None:
        self._latest = time.monotonic()

    def poll(self) -> float:
        """Return for how many seconds everything stood still since the last look; 0 if it did not."""
        now = time.monotonic()
        seconds = now - self._latest
        self._latest = now
        return seconds if seconds >= SHORTEST else 0.0
