"""Offline rendering of an engine, piece by piece, with events and recorded live input on their samples."""

from __future__ import annotations

import math
from bisect import bisect_left
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from instrument.engine.memory.layout import RING_PERFORM
from instrument.takes.take_folder import TakeError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import numpy.typing as npt

    from instrument.engine.engine import Engine, Event

    Frames = npt.NDArray[np.float32]

PIECE = 1 << 15
"""Frames between two writes."""

_REACH = 12
"""Samples to either side that a resampled one hears, at the lower of both rates; `scipy.signal.resample_poly` makes its
filter from 10."""


def _time_of(event: Event) -> int:
    return event.time


def render_frames(
    engine: Engine, frames: int, block: int, events: list[Event], heard: RecordedInput | None = None
) -> Iterator[npt.NDArray[np.float32]]:
    """Yield float32 pieces [shape=(n, 2)] of what an engine renders next, with events and input on their samples."""
    waiting = sorted(events, key=_time_of)
    at = done = 0
    while done < frames:
        count = min(max(PIECE // block, 1) * block, frames - done)
        following = bisect_left(waiting, engine.time + count, lo=at, key=_time_of)
        incoming = None if heard is None else heard.read(engine.time, count)
        yield engine.render(count, block=block, events=waiting[at:following], ring=RING_PERFORM, incoming=incoming)
        at = following
        done += count


class RecordedInput:
    """A recorded input, by sample of the show.

    Parameters
    ----------
    path : Path
        Sound file of two channels.
    begins_at : int
        Sample of the show, at the file's rate, that its first frame belongs to; it was silent before.
    rate : int
        At which it is to be heard; the input is resampled where that is another than the file's.

    Raises
    ------
    TakeError
        If the file cannot be read.
    """

    def __init__(self, path: Path, begins_at: int, rate: int) -> None:
        self._path = path
        self._begins_at = begins_at
        try:
            self._file = soundfile.SoundFile(path)
        except (OSError, soundfile.SoundFileError) as error:
            raise TakeError(f"{path}: the take's live input cannot be read ({error}); restore a copy.") from None
        if self._file.channels != 2:
            raise TakeError(f"{path}: the take's live input has {self._file.channels} channels, not 2; restore a copy.")
        common = math.gcd(rate, self._file.samplerate)
        self._up, self._down = rate // common, self._file.samplerate // common

    def read(self, first: int, count: int) -> Frames:
        """Return `count` frames from sample `first` of the show on, at the wanted rate [shape=(count, 2)].

        Raises
        ------
        TakeError
            If the file is damaged.
        """
        if self._up == self._down:
            return self._own(first, count)
        from scipy.signal import resample_poly  # noqa: PLC0415 - only at another rate

        # A piece with what its ends hear around it, beginning where a sample of both rates meets.
        reach = math.ceil(_REACH * max(1.0, self._down / self._up) / self._down)
        group = first // self._up - reach
        groups = -(-(first + count) // self._up) + reach - group
        piece = resample_poly(
            self._own(group * self._down, groups * self._down).astype(np.float64),
            self._up,
            self._down,
            axis=0,
        )
        skipped = first - group * self._up
        return np.ascontiguousarray(piece[skipped : skipped + count], np.float32)

    def close(self) -> None:
        """Read no more."""
        self._file.close()

    def _own(self, first: int, count: int) -> Frames:
        found = np.zeros((count, 2), np.float32)
        at = first - self._begins_at
        begin, end = max(at, 0), min(at + count, self._file.frames)
        if begin < end:
            try:
                self._file.seek(begin)
                read = self._file.read(end - begin, dtype="float32", always_2d=True)
            except (OSError, soundfile.SoundFileError) as error:
                raise TakeError(f"{self._path}: the take's live input is damaged ({error}); restore a copy.") from None
            found[begin - at : begin - at + len(read)] = read
        return found
