"""Reading what the callback writes from another thread or process: fences, and the output ring."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

from instrument.engine.memory.layout import CHUNK
from instrument.engine.memory.machine import fence as _fence

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt


class OutputRing:
    """The frames that have left the engine, the latest ones of which are still there.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
        The engine's memory.
    """

    def __init__(self, record: npt.NDArray[np.void]) -> None:
        self._record = record
        self._ring = record["ring"]
        self._frames = int(record["ring_frames"])

    def written(self) -> int:
        """Return how many frames there have been since the start of the engine; all of them can be read from now on."""
        found = int(self._record["ring_at"])
        fence()
        return found

    def oldest(self, written: int) -> int:
        """Return the first frame that is not overwritten when so many have been written."""
        # The callback fills the next chunk before it says so.
        return written + CHUNK - self._frames

    def take(self, start: int, count: int) -> tuple[int, npt.NDArray[np.float32]]:
        """Copy frames from a place on.

        Returns
        -------
        int
            How many of them were overwritten meanwhile.
        np.ndarray [shape=(n, 2), dtype=float32]
            Those that follow them.
        """
        first = start & (self._frames - 1)
        ahead = self._ring[first : first + count]
        taken = np.concatenate((ahead, self._ring[: count - len(ahead)]))
        fence()
        torn = min(max(self.oldest(int(self._record["ring_at"])) - start, 0), count)
        return torn, taken[torn:]


_compiled: Callable[[Callable[..., Any]], Any] = njit(cache=True)


@_compiled
def fence() -> None:
    """Finish every earlier access to memory before any later one begins."""
    _fence()
