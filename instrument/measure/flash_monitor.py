"""Counting flashes over time: of a whole sound second by second, and live, so that a warning comes before the limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.measure.drive_flashes import DriveFlashes
from instrument.measure.flashes import FRAMES_A_SECOND, MOST, SIZE, Flashes
from instrument.measure.luminance import open_screen
from instrument.measure.sound_reader import TENTHS

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.measure.sound_reader import Second

HOLD = 2.0
"""Seconds for which a warning stays when the flashing has ended, so that it can be read."""

LATE = 1.0
"""Seconds that the watch draws at most to catch up; what is older is left out."""

PACE = 0.4
"""Seconds between two flashes within which a third is to be expected before a second is over (our choice: at two a
second nothing is said, at three it is)."""

WARNING = (
    "The picture flashes three times a second: more than that for a second can trigger seizures. "
    "Slow it down, or warn the audience."
)

_PER_TENTH = FRAMES_A_SECOND // TENTHS


@dataclass(frozen=True)
class Reading:
    """Reading of the live monitor.

    Attributes
    ----------
    flashes : int
        Flashes in the latest second: in the emulated picture or in the drive signal, whichever has more.
    area : float
        Largest share of a field of view that changed together in what came last, 0 to 1.
    warning : str
        What to show; empty while all is well.
    """

    flashes: int
    area: float
    warning: str


class FlashMonitor:
    """A live count of general flashes, in the emulated picture and in the drive signal.

    WCAG 2.2 (2.3.1) forbids more than three flashes within a second. The warning comes before the third: with the
    second of two that follow within `PACE`.

    Parameters
    ----------
    rate : float
        Sample rate in hertz.

    Examples
    --------
    >>> watch = FlashMonitor(48000.0)
    >>> reading = watch.add_samples(np.zeros((4800, 2), np.float32))
    >>> reading.flashes, reading.warning
    (0, '')
    """

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self._screen = open_screen(SIZE)
        self._flashes = Flashes()
        self._drive = DriveFlashes(rate)
        # Frames and seconds at which the latest flashes ended, and how many frames there were.
        self._before, self._flash_frame, self._frames = 0, -FRAMES_A_SECOND, 0
        self._waiting = np.zeros((0, 2), np.float32)
        # Frame number within the second that the waiting samples begin in, for lengths that add up.
        self._frame = 0
        self._hold = 0
        self._latest = Reading(0, 0.0, "")

    def add_samples(self, samples: npt.ArrayLike) -> Reading:
        """Take what was played since the latest call, and draw and count the frames it makes.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]
            n may be 0, and need not be a whole frame.
        """
        heard = np.asarray(samples, np.float32).reshape(-1, 2)
        self._waiting = np.concatenate([self._waiting, heard])[-round(LATE * self._rate) - 1 :]
        self._hear_drive(heard[-round(LATE * self._rate) - 1 :])
        area = 0.0
        while len(self._waiting) >= (due := self._due()):
            reading = self.add_frame(self._screen(self._waiting[:due], self._rate))
            area = max(area, reading.area)
            self._waiting = self._waiting[due:]
            self._frame += 1
        self._latest = Reading(self._latest.flashes, area, self._latest.warning)
        return self._latest

    def add_frame(self, luminance: npt.NDArray[np.float32]) -> Reading:
        """Take one frame of a picture drawn elsewhere, one sixtieth of a second after the last.

        Parameters
        ----------
        luminance : np.ndarray [shape=(SIZE, SIZE), dtype=float32]
            Relative luminance, 0 to 1.
        """
        seen = self._flashes.add_frame(luminance)
        self._frames += 1
        self._hold = max(self._hold - 1, 0)
        if seen.flashes > self._before:
            soon = self._frames - self._flash_frame <= PACE * FRAMES_A_SECOND
            self._flash_frame = self._frames
            if soon:
                self._warn()
        self._before = seen.flashes
        if max(seen.flashes, self._drive.flashes) >= MOST:
            self._warn()
        self._latest = Reading(max(seen.flashes, self._drive.flashes), seen.area, WARNING if self._hold else "")
        return self._latest

    def _hear_drive(self, samples: npt.NDArray[np.float32]) -> None:
        before = self._drive.at
        self._drive.add(samples)
        if before < self._drive.at <= before + PACE or self._drive.flashes >= MOST:
            self._warn()

    def _warn(self) -> None:
        self._hold = round(HOLD * FRAMES_A_SECOND)

    def _due(self) -> int:
        step = self._rate / FRAMES_A_SECOND
        return max(round((self._frame + 1) * step) - round(self._frame * step), 1)


@dataclass(frozen=True)
class FlashTrace:
    """Flashes over time.

    Attributes
    ----------
    flashes : np.ndarray [shape=(n,), dtype=int]
        Largest count within the second that ends in each tenth of a second.
    area : np.ndarray [shape=(n,), dtype=float]
        Largest share of a field of view that changes together in each tenth of a second.
    """

    flashes: npt.NDArray[np.int64]
    area: npt.NDArray[np.float64]


class FlashMeter:
    """The picture of a sound that is given second by second, watched for flashes."""

    def __init__(self) -> None:
        self._picture = Flashes()
        self._drive: DriveFlashes | None = None
        self._screen = open_screen(SIZE)
        self._seen: list[tuple[int, float]] = []

    def add(self, second: Second) -> None:
        """Take the next second."""
        path = second.beam_path().astype(np.float32)
        starts = second.starts(FRAMES_A_SECOND)
        self._drive = self._drive or DriveFlashes(second.rate)
        for start, end in zip(starts, [*starts[1:], len(path)], strict=True):
            seen = self._picture.add_frame(self._screen(path[start:end], second.rate))
            self._drive.add(path[start:end])
            self._seen.append((max(seen.flashes, self._drive.flashes), seen.area))

    @property
    def most(self) -> int:
        """Largest number of flashes within any second so far, in the emulated picture or in the drive signal."""
        return max(self._picture.most, self._drive.most if self._drive else 0)

    @property
    def area(self) -> float:
        """Largest share of a field of view that changed together in the emulated picture, 0 to 1."""
        return self._picture.area

    @property
    def trace(self) -> FlashTrace:
        """Flashes so far, over time."""
        rows = np.array(self._seen).reshape(-1, 2)
        starts = np.arange(0, len(rows), _PER_TENTH)
        if not len(rows):
            return FlashTrace(np.zeros(0, np.int64), np.zeros(0))
        flashes, area = np.maximum.reduceat(rows, starts).T
        return FlashTrace(flashes.astype(np.int64), area)
