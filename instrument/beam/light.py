"""Turning samples into light: dwell time leaves energy, energy fades, energy becomes pixels. Knows no window.

What is shown is a model for the eye, with constants of our own choosing. The physics of a tube
belong to the room `beam`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from instrument.beam.light_kernels import deposit, develop, fade_out, lit_box

if TYPE_CHECKING:
    import numpy.typing as npt

PERSISTENCE = 0.12
"""Seconds in which light fades to 1/e: long enough that a figure drawn 20 times a second stands still."""

SPAN = 1.06
"""Sample value at the edge of the picture, so that full scale (1) stays clear of it."""

EXPOSURE = 10.0
"""Brightness of a line that is as long as the picture is wide, where 1 gives half of the light."""

SPOT = 1 / 900
"""Standard deviation of the spot as a share of the picture's width ..."""
SMALLEST_SPOT = 0.85
"""... but never below this many pixels, where lines would turn into stairs."""

WHITENESS = (0.16, 1.0, 0.38)
"""Sensitivity for red, green and blue: faint light is green, strong light nears white."""

DARK = 1e-6
"""Brightness taken as none: far below one step of a pixel, and long before numbers become subnormal."""

FORGOTTEN = 16.0
"""Persistences after which a sample leaves nothing (e**-16 is a ten-millionth)."""

STRIDE = 1.0
"""Distance in pixels of the points that a line is made of. Each point is shared by its four nearest pixels, a tent
whose spectrum is 0 at one cycle a pixel: points this far apart leave no beads and no beat with the grid."""


class Light:
    """The light on a square picture.

    Parameters
    ----------
    size : int
        Width and height of the picture in pixels, at least 1.
    persistence : float
        Seconds in which light fades to 1/e; more than 0.

    Notes
    -----
    One second of signal always leaves the same energy, in units in which a signal that goes on for
    ever holds a total of 1 on the picture. How it is cut into frames makes no difference.
    """

    def __init__(self, size: int, persistence: float = PERSISTENCE) -> None:
        if size < 1:
            raise ValueError(f"a picture of {size} pixels cannot be drawn; it needs at least 1")
        if not persistence > 0:
            raise ValueError(f"persistence of {persistence} s is not possible; it must be more than 0")
        self.size = size
        self.persistence = persistence
        sigma = max(size * SPOT, SMALLEST_SPOT)
        self._taps = _gaussian(sigma)
        # A line's energy is spread over its length and the width of the spot; both follow the size.
        self._scale = 0.5 * size / SPAN
        self._gain = np.float32(EXPOSURE * size * sigma * math.sqrt(2 * math.pi))
        self._pad = len(self._taps) // 2 + 1
        side = size + 2 * self._pad
        self._field = np.zeros((side, side), np.float32)
        self._first = np.full(side, side, np.int64)
        self._last = np.full(side, -1, np.int64)
        self._at = np.full(2, np.nan)
        self._shown = (size, size, 0, 0)

    @property
    def energy(self) -> npt.NDArray[np.float32]:
        """Energy on each pixel, before the spot widens it [shape=(size, size)], row 0 at the top."""
        pad = self._pad
        return self._field[pad : pad + self.size, pad : pad + self.size]

    def advance(self, samples: npt.ArrayLike, rate: float, seconds: float | None = None) -> None:
        """Let light fade and add what the beam drew meanwhile.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]
            Left channel to the right, right channel upwards. Full scale is -1 to 1; a sample that is
            not finite lights nothing and joins nothing.
        rate : float
            Sample rate in hertz.
        seconds : float, optional
            Time passed since the latest call; n / rate by default.
        """
        path = _checked(samples)
        passed = len(path) / rate if seconds is None else max(seconds, 0.0)
        fade = math.exp(-min(passed / self.persistence, 100.0))
        fade_out(self._field, self._first, self._last, np.float32(fade), np.float32(DARK / self._gain))
        forgotten = len(path) - math.ceil(FORGOTTEN * self.persistence * rate)
        if forgotten > 0:
            self._at[:] = path[forgotten - 1]
            path = path[forgotten:]
        if len(path):
            step = 1.0 / (rate * self.persistence)
            oldest = step * math.exp(-step * (len(path) - 1))
            self._deposit(path, oldest, math.exp(step))

    def expose(self, samples: npt.ArrayLike) -> None:
        """Add samples without fading, as a photograph does: all count alike, together 1.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]
        """
        path = _checked(samples)
        if len(path):
            self._deposit(path, 1.0 / len(path), 1.0)

    def develop(self, pixels: npt.NDArray[np.uint32]) -> tuple[int, int, int, int]:
        """Bring pixels up to date and return what part of them may have changed.

        Parameters
        ----------
        pixels : np.ndarray [shape=(size, size), dtype=uint32]
            0xFFRRGGBB, row 0 at the top; the same array every time, at first all 0xFF000000.

        Returns
        -------
        tuple of int
            Left, top, width, height; width 0 where nothing is or was lit.

        Raises
        ------
        ValueError
            If the array has another shape, type or order.
        """
        shape = (self.size, self.size)
        if pixels.shape != shape or pixels.dtype != np.uint32 or not pixels.flags.c_contiguous:
            raise ValueError(
                f"pixels must be uint32 of shape {shape} in rows, not {pixels.dtype} {pixels.shape}"
            )
        lit = lit_box(self._first, self._last, self._pad, self.size, len(self._taps) // 2)
        left, top = min(lit[0], self._shown[0]), min(lit[1], self._shown[1])
        right, bottom = max(lit[2], self._shown[2]), max(lit[3], self._shown[3])
        self._shown = lit
        if right <= left or bottom <= top:
            return (0, 0, 0, 0)
        colour = np.array(WHITENESS, np.float32)
        box = np.array((left, top, right, bottom), np.int64)
        develop(self._field, self._first, self._last, self._taps, self._pad, self._gain, colour, box, pixels)
        return (left, top, right - left, bottom - top)

    def _deposit(self, path: npt.NDArray[np.float32], energy: float, growth: float) -> None:
        # Position 0 is the middle of the picture, and whole numbers are the middles of pixels.
        middle = 0.5 * self.size - 0.5 + self._pad
        deposit(
            self._field,
            self._first,
            self._last,
            path,
            self._at,
            energy,
            growth,
            STRIDE,
            self._scale,
            middle,
        )


def still(samples: npt.ArrayLike, size: int) -> npt.NDArray[np.uint8]:
    """Return a photograph of a signal: every sample counts alike, however long the signal is.

    Parameters
    ----------
    samples : np.ndarray [shape=(n, 2)]
        Left channel to the right, right channel upwards; full scale is -1 to 1.
    size : int
        Width and height in pixels.

    Returns
    -------
    np.ndarray [shape=(size, size, 3), dtype=uint8]
        Red, green, blue; row 0 at the top.

    Examples
    --------
    >>> turn = np.linspace(0, 2 * np.pi, 1000)
    >>> picture = still(np.column_stack((np.cos(turn), np.sin(turn))), 64)
    >>> picture.shape, bool(picture[32, 32].any()), bool(picture[32, 61].any())
    ((64, 64, 3), False, True)
    """
    light = Light(size)
    light.expose(samples)
    pixels = blank(size)
    light.develop(pixels)
    return np.stack([(pixels >> shift & 0xFF).astype(np.uint8) for shift in (16, 8, 0)], axis=2)


def blank(size: int) -> npt.NDArray[np.uint32]:
    """Return the black pixels that `Light.develop` starts from."""
    return np.full((size, size), 0xFF000000, np.uint32)


def warm() -> None:
    """Compile the kernels, or load them, before the first frame is due."""
    light = Light(16)
    light.advance(np.zeros((2, 2), np.float32), 1000.0)
    light.develop(blank(16))


def _checked(samples: npt.ArrayLike) -> npt.NDArray[np.float32]:
    with np.errstate(over="ignore", invalid="ignore"):
        path = np.ascontiguousarray(samples, np.float32)
    if path.ndim != 2 or path.shape[1] != 2:
        raise ValueError(f"samples must have the shape (n, 2), not {path.shape}")
    return path


def _gaussian(sigma: float) -> npt.NDArray[np.float32]:
    reach = math.ceil(2.5 * sigma)
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    weights: npt.NDArray[np.float32] = (taps / taps.sum()).astype(np.float32)
    return weights
