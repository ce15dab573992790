"""Samples in, frames of a film out: the same light at any frame rate, from any frame on."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from instrument.beam.look import Look
from instrument.beam.reconstruct import as_path

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt


class FrameSource:
    """A film of a signal, frame by frame.

    Parameters
    ----------
    rate : float
        Sample rate in hertz.
    frames_per_second : float or Fraction
        Any rate above 0, such as Fraction(30000, 1001).
    width, height : int
        Of a frame in pixels; the glass lies in the middle of it.
    look : Look, optional
    first : int
        Frame that the light begins with, 0 for that of the film.

    Attributes
    ----------
    done : int
        Frames of the film that are behind, given or passed over.
    at : int
        Sample of the film that is to be fed next; from the beginning on, 0.

    Notes
    -----
    Frame k shows the light at the end of its time, (k + 1) / frames_per_second, to the nearest sample:
    no drift, however long the film. The samples that the reconstruction looks ahead are waited for, so
    that a sample is in the frame in whose time it is heard.

    A source that begins at a later frame gives the same frames as one that ran from the beginning, to
    less than half a step of 255, once `run_in` frames are behind it.
    """

    def __init__(
        self,
        rate: float,
        frames_per_second: float | Fraction,
        width: int,
        height: int,
        look: Look | None = None,
        first: int = 0,
    ) -> None:
        pace = Fraction(frames_per_second)
        if not pace > 0:
            raise ValueError(f"{frames_per_second} frames a second are not possible; it must be more than 0")
        look = look or Look()
        self.done = first
        self._samples_per_frame = Fraction(rate) / pace
        self._path = look.reconstruction(rate)
        self._points_per_second = rate * look.oversampling
        self._ahead = round(self._path.delay * rate)
        begins = self._end_of(first - 1)
        self.at = max(begins - self._ahead, 0)
        self._begun = False
        # At first come the points of what lies before the first sample, which is not in the film, or of samples that were
        # fed so that the reconstruction knows where the beam comes from.
        self._resting = (begins - self.at + self._ahead) * look.oversampling
        self._drawn = begins * look.oversampling
        glass_width, glass_height = look.glass.size_in(width, height)
        self._light = look.light(glass_width, glass_height)
        self._glass = self._frame = self._light.blank()
        if (glass_width, glass_height) != (width, height):
            self._frame = np.full((height, width), 0xFF000000, np.uint32)
        left, top = (width - glass_width) // 2, (height - glass_height) // 2
        self._inside = self._frame[top : top + glass_height, left : left + glass_width]
        self.run_in = math.ceil((self._light.memory + look.settling) * pace)
        """Frames after which what came before the first one no longer shows."""

    def until(self, frame: int) -> int:
        """Return how many samples of the film have to be fed for all frames before this one."""
        return self._end_of(frame - 1) + self._ahead

    def feed(self, samples: npt.ArrayLike) -> Iterator[npt.NDArray[np.uint32]]:
        """Take the next samples and give every frame that they complete.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]
            As many as there are at hand; they may end within a frame.

        Yields
        ------
        np.ndarray [shape=(height, width), dtype=uint32]
            0xFFRRGGBB, which little-endian memory holds as blue, green, red, 255; the same array every
            time, so what is to be kept must be copied.
        """
        for _ in self._frames(as_path(samples)):
            yield self._developed()

    def skip(self, samples: npt.ArrayLike) -> None:
        """Take the next samples as `feed` does, but only let their light fall, which is the lesser part of the work."""
        for _ in self._frames(as_path(samples)):
            pass

    def finish(self) -> Iterator[npt.NDArray[np.uint32]]:
        """Give the frames that are left; the last one has the beam off for the rest of its time."""
        ends = self.at
        held = self._path.finish()[self._resting :]
        while self._begun and self.done * self._samples_per_frame < ends:
            count = min(self._end_of(self.done), ends) * self._path.factor - self._drawn
            self._light.advance(held[:count], self._points_per_second)
            held = held[count:]
            self._drawn += count
            dark = max((self.done + 1) * self._samples_per_frame - ends, Fraction(0))
            self._light.rest(float(dark) * self._path.factor / self._points_per_second)
            self.done += 1
            yield self._developed()

    def _frames(self, path: npt.NDArray[np.float32]) -> Iterator[int]:
        if len(path) and not self._begun:
            self._path.start_at(path[0])
            self._begun = True
        while len(path):
            missing = self.until(self.done + 1) - self.at
            piece, path = path[:missing], path[max(missing, 0) :]
            points = self._path.process(piece)
            idle = min(self._resting, len(points))
            self._resting -= idle
            self._light.advance(points[idle:], self._points_per_second)
            self._drawn += len(points) - idle
            self.at += len(piece)
            if len(piece) == missing or missing <= 0:
                self.done += 1
                yield self.done

    def _end_of(self, frame: int) -> int:
        return round((frame + 1) * self._samples_per_frame)

    def _developed(self) -> npt.NDArray[np.uint32]:
        self._light.develop(self._glass)
        if self._frame is not self._glass:
            self._inside[:] = self._glass
        return self._frame
