"""Underflows, told where no window shows them: blocks that came too late, which are heard as holes and seen as flicker."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

FIRST_SECONDS = 2.0
"""Time from the first one until it is told, so that those of one moment are one sentence."""

AGAIN_SECONDS = 10.0
"""Least time between two sentences."""


class Underflows:
    """Those that were counted and not told yet.

    Parameters
    ----------
    count : callable
        Returns how many there have been since the start.
    """

    def __init__(self, count: Callable[[], int]) -> None:
        self._count = count
        self._told = 0
        self._due: float | None = None
        self._earliest = 0.0

    def poll(self) -> str:
        """Return a sentence when one is due, otherwise nothing."""
        now = time.monotonic()
        if self._due is None and self._count() > self._told:
            self._due = max(now + FIRST_SECONDS, self._earliest)
        return self._tell(now) if self._due is not None and now >= self._due else ""

    def end(self) -> str:
        """Return a sentence of what has not been told, or nothing."""
        return self._tell(time.monotonic()) if self._count() > self._told else ""

    def _tell(self, now: float) -> str:
        count = self._count()
        new, self._told = count - self._told, count
        self._due, self._earliest = None, now + AGAIN_SECONDS
        times = "once" if new == 1 else f"{new} times"
        return (
            f"the sound broke up {times} ({count} underflow{'s' * (count > 1)} so far); longer blocks help: --block, or in "
            "the settings of the sound server"
        )
