"""Samples in, frames of a film out: the same light at any frame rate, from any frame on."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from instrument.beam.light import as_rgb
from instrument.beam.look import Look
from instrument.beam.reconstruction import as_path

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from instrument.beam.light import Fields


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


class Photograph:
    """One exposure.

    Parameters
    ----------
    rate : float
        Sample rate in hertz.
    size : int
        Height in pixels; width for a square glass.
    exposure : float
        Seconds that the shutter is open.
    look : Look, optional

    Attributes
    ----------
    memory : float
        Seconds that light from before the exposure is seen.
    run_in : float
        Seconds before the exposure that leave a trace in it: that light, and what the coupling still holds.

    Notes
    -----
    The aperture follows the exposure: a steady figure is as bright at a thousandth of a second as at ten.
    Afterglow of what was drawn before the shutter opened is in the picture, the eye's persistence is not.
    """

    def __init__(self, rate: float, size: int, exposure: float, look: Look | None = None) -> None:
        if not 0 < exposure < math.inf:
            raise ValueError(f"an exposure of {exposure} s is not possible; it must be more than 0")
        look = look or Look()
        self.memory = look.phosphor.memory(exposure)
        self.run_in = self.memory + look.settling
        width, height = look.glass.size_in(10**9, size)
        self._light = look.light(width, height, look.phosphor.photographed(exposure))
        self._path = look.reconstruction(rate)
        self._points_per_second = rate * look.oversampling
        self._before: Fields | None = None
        self._begun = False
        # Points come out of the reconstruction late: the first ones are the beam's rest before the first sample, and as
        # many still belong to what came before when the shutter opens.
        late = round(self._path.delay * self._points_per_second)
        self._resting = self._until_open = late
        self._exposing = False

    def wait(self, samples: npt.ArrayLike) -> None:
        """Follow the beam with the shutter closed.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]
            What comes before the exposure; all but the last `run_in` seconds may be left out.
        """
        self._draw(samples)

    def expose(self, samples: npt.ArrayLike) -> None:
        """Follow the beam with the shutter open."""
        if not self._exposing:
            self._exposing = True
            if self._until_open == 0:
                self._open()
        self._draw(samples)

    def develop(self) -> npt.NDArray[np.uint8]:
        """Return the picture, once.

        Returns
        -------
        np.ndarray [shape=(height, width, 3), dtype=uint8]
            Red, green, blue; row 0 at the top.
        """
        if self._begun:
            self._follow(self._path.finish())
            self._light.finish(self._points_per_second)
        if self._before is not None:
            self._light.subtract_from(self._before)
        else:
            self._light.negate()
        pixels = self._light.blank()
        self._light.develop(pixels)
        return as_rgb(pixels)

    def _draw(self, samples: npt.ArrayLike) -> None:
        path = as_path(samples)
        if len(path) and not self._begun:
            self._path.start_at(path[0])
            self._begun = True
        self._follow(self._path.process(path))

    def _follow(self, points: npt.NDArray[np.float32]) -> None:
        if self._exposing and self._until_open:
            self._add(points[: self._until_open])
            points, self._until_open = points[self._until_open :], max(self._until_open - len(points), 0)
            if self._until_open == 0:
                self._open()
        self._add(points)

    def _add(self, points: npt.NDArray[np.float32]) -> None:
        self._light.advance(points[self._resting :], self._points_per_second)
        self._resting = max(self._resting - len(points), 0)

    def _open(self) -> None:
        if self.memory > 0:
            self._before = self._light.snapshot()
        else:
            self._light.clear()


def still(
    samples: npt.ArrayLike, rate: float, size: int, exposure: float | None = None, look: Look | None = None
) -> npt.NDArray[np.uint8]:
    """Return a photograph of the end of a signal.

    Parameters
    ----------
    samples : np.ndarray [shape=(n, 2)]
        Left channel to the right, right channel upwards; full scale is -1 to 1.
    rate : float
        Sample rate in hertz.
    size : int
        Height in pixels; width for a square glass.
    exposure : float, optional
        Seconds; all of the signal by default.
    look : Look, optional

    Returns
    -------
    np.ndarray [shape=(height, width, 3), dtype=uint8]

    Examples
    --------
    >>> import numpy as np
    >>> turn = np.linspace(0, 2 * np.pi, 1000)
    >>> picture = still(np.column_stack((np.cos(turn), np.sin(turn))), 48000, 64)
    >>> picture.shape, bool(picture[32, 32].max() > 20), bool(picture[32, 61].max() > 20)
    ((64, 64, 3), False, True)
    """
    path = as_path(samples)
    count = len(path) if exposure is None else min(round(exposure * rate), len(path))
    camera = Photograph(rate, size, exposure or max(count, 1) / rate, look)
    camera.wait(path[: len(path) - count])
    camera.expose(path[len(path) - count :])
    return camera.develop()
