"""A still of a signal, as a camera with a shutter takes it of a tube."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from instrument.beam.light import as_rgb
from instrument.beam.look import Look
from instrument.beam.reconstruct import as_path

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.beam.light import Fields


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
