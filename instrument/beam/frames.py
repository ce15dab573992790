"""Samples in, frames of a film out: the same light at any frame rate."""

from __future__ import annotations

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

    Attributes
    ----------
    done : int
        Frames given so far.

    Notes
    -----
    Frame k shows the light at the end of its time, (k + 1) / frames_per_second, to the nearest sample:
    no drift, however long the film.
    """

    def __init__(
        self,
        rate: float,
        frames_per_second: float | Fraction,
        width: int,
        height: int,
        look: Look | None = None,
    ) -> None:
        pace = Fraction(frames_per_second)
        if not pace > 0:
            raise ValueError(f"{frames_per_second} frames a second are not possible; it must be more than 0")
        look = look or Look()
        self.done = 0
        self._samples_per_frame = Fraction(rate) / pace
        self._seen = 0
        self._path = look.reconstruction(rate)
        self._points_per_second = rate * look.oversampling
        self._resting = round(self._path.delay * self._points_per_second)
        glass_width, glass_height = look.glass.size_in(width, height)
        self._light = look.light(glass_width, glass_height)
        self._glass = self._light.blank()
        self._frame = np.full((height, width), 0xFF000000, np.uint32)
        left, top = (width - glass_width) // 2, (height - glass_height) // 2
        self._inside = self._frame[top : top + glass_height, left : left + glass_width]

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
        path = as_path(samples)
        if len(path) and self._seen == 0:
            self._path.start_at(path[0])
        while len(path):
            missing = round((self.done + 1) * self._samples_per_frame) - self._seen
            piece, path = path[:missing], path[max(missing, 0) :]
            points = self._path.process(piece)
            # At first the reconstruction gives the rest before the first sample, which is not in the film.
            idle = min(self._resting, len(points))
            self._resting -= idle
            self._light.rest(idle / self._points_per_second)
            self._light.advance(points[idle:], self._points_per_second)
            self._seen += len(piece)
            if len(piece) == missing or missing <= 0:
                yield self._next()

    def finish(self) -> Iterator[npt.NDArray[np.uint32]]:
        """Give the last frame if samples are left for it, with the beam off for the rest of its time."""
        missing = (self.done + 1) * self._samples_per_frame - self._seen
        if missing < self._samples_per_frame:
            self._light.rest(float(missing) * self._path.factor / self._points_per_second)
            yield self._next()

    def _next(self) -> npt.NDArray[np.uint32]:
        self.done += 1
        self._light.develop(self._glass)
        self._inside[:] = self._glass
        return self._frame
