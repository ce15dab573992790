"""The latest sound, kept in memory for a take after the fact."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


class Recent:
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
