"""The last seconds of every modulator, for those that have no shape of their own."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from instrument.window.live_values import Live

LENGTH = 90
"""Values kept of each, one for every time that the page is drawn."""


class History:
    """Values of modulators as time went by.

    Parameters
    ----------
    live : Live
    """

    def __init__(self, live: Live) -> None:
        self._live = live
        self._values: dict[int, deque[float]] = {}

    def follow(self, count: int) -> None:
        """Note the values of the first `count` modulators."""
        for number in range(1, count + 1):
            self._values.setdefault(number, deque(maxlen=LENGTH)).append(self._live.modulator(number))

    def line(self, number: int) -> list[tuple[float, float]]:
        """Return what a modulator was, the oldest at 0 and the newest at 1."""
        values = self._values.get(number, ())
        first = LENGTH - len(values)
        return [((first + k) / (LENGTH - 1), value) for k, value in enumerate(values)]
