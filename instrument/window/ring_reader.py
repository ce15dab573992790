"""Reading the output ring at an even pace, with a cursor of its own, and counting what was lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.engine.memory.output_ring import OutputRing

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

_PULL = 0.2
"""Share of the distance to the wanted lag that each read makes up for."""

_LATE = 0.25
"""Seconds behind the wanted lag past which the reader jumps there at once."""


class OutputReader:
    """Reader of the engine's output ring.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
        The engine's memory.
    rate : float
        Sample rate in hertz.

    Attributes
    ----------
    missed : int
        Frames that were overwritten before they were read.

    Notes
    -----
    The device asks for blocks of up to 2,048 frames, longer than a video frame. Read as they come,
    some video frames would get two blocks and some none, and the picture would flicker. So the
    reader stays one block behind and takes what the time that passed is worth.
    """

    def __init__(self, record: npt.NDArray[np.void], rate: float) -> None:
        self._record = record
        self._rate = rate
        self._ring = OutputRing(record)
        self._frames = int(record["ring_frames"])
        self._cursor = int(record["ring_at"])
        self.missed = 0

    def read(self, seconds: float) -> npt.NDArray[np.float32]:
        """Return the frames that are due after `seconds` [shape=(n, 2)]; n may be 0."""
        written = self._ring.written()
        self._skip_overwritten(written)
        behind = written - self._cursor
        start = self._cursor
        self._cursor += self._due(behind, seconds)
        torn, taken = self._ring.take(start, self._cursor - start)
        self.missed += torn
        return taken

    def _due(self, behind: int, seconds: float) -> int:
        lag = min(int(self._record["counters"]["largest_block"]), self._frames // 4)
        due = seconds * self._rate
        excess = behind - due - lag
        if excess > _LATE * self._rate:
            return behind - lag
        return min(max(round(due + _PULL * excess), 0), behind)

    def _skip_overwritten(self, written: int) -> None:
        lost = self._ring.oldest(written) - self._cursor
        if lost > 0:
            self.missed += lost
            self._cursor += lost
