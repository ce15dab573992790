"""Bare samples in a file: how the sound of a film waits for those who draw it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import numpy.typing as npt

_FRAME_BYTES = 8


def write_samples(path: Path, pieces: Iterable[npt.NDArray[np.float32]]) -> int:
    """Write pieces of float32 [shape=(n, 2)] one after the other, and return how many samples they are.

    Raises
    ------
    OSError
        If the disk takes no more.
    """
    count = 0
    with path.open("wb") as file:
        for piece in pieces:
            file.write(np.ascontiguousarray(piece, np.float32).data)
            count += len(piece)
    return count


class Samples:
    """A file that `write_samples` wrote, read piece by piece.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self._file.close()

    def read(self, first: int, end: int) -> npt.NDArray[np.float32]:
        """Return samples `first` to `end` - 1 [shape=(n, 2)], as many of them as there are.

        Raises
        ------
        OSError
            If they cannot be read.
        """
        self._file.seek(first * _FRAME_BYTES)
        data = self._file.read(max(end - first, 0) * _FRAME_BYTES)
        return np.frombuffer(data, np.float32).reshape(-1, 2)
