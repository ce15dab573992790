"""The light on the glass: what the beam leaves, how it fades, and what is seen of it. Knows no window and no file."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from instrument.beam.decay import EYE, Response
from instrument.beam.deposit import CELL, REMEMBERED, deposit
from instrument.beam.develop import develop, find_glow, find_lit, forget_dark, spread_glow
from instrument.beam.glass import Glass, channel_tables, whitened
from instrument.beam.phosphor import DEFAULT, TYPES, Phosphor
from instrument.beam.reconstruction import as_path
from instrument.beam.spot import Spot, sharp_sigma

if TYPE_CHECKING:
    from typing import TypeAlias

    import numpy.typing as npt

    Fields: TypeAlias = tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]

EXPOSURE = 10.0
"""Brightness of a line that is as long as the picture is high, where 1 gives half of the light of the display."""

DARK = 1e-6
"""Brightness taken as none: a hundredth of one step of a pixel, and long before numbers become subnormal."""

GLOWING = 1.5e-4
"""Least brightness of the halo that changes a pixel: half a step of 255, through sRGB's slope of 12.92 near black."""

_SMALLEST_SCALE = 1e-9
_TIDY = 0.5
"""Seconds of light after which what has gone dark is looked for."""

_LONGEST = 25.0
"""Times of the fastest exponential that one call of the kernel covers, so that no weight leaves its range."""


SHORTEST_EYE = 0.005


@dataclass(frozen=True)
class Tube:
    """A display without its glass.

    Attributes
    ----------
    phosphor : Phosphor
    spot : Spot
    eye : float
        Seconds of the eye's own persistence (`instrument.beam.decay.EYE`), 0 for the bare phosphor.
    """

    phosphor: Phosphor = TYPES[DEFAULT]
    spot: Spot = field(default_factory=Spot)
    eye: float = EYE

    def __post_init__(self) -> None:
        if self.eye != 0 and not SHORTEST_EYE <= self.eye <= 10:
            raise ValueError(
                f"a persistence of the eye of {self.eye:g} s is not possible; it is 0, or from {SHORTEST_EYE} to 10"
            )


class Light:
    """The light on a glass of some pixels.

    Parameters
    ----------
    width, height : int
        Pixels, at least 1.
    tube : Tube, optional
    glass : Glass, optional
    curved : bool
        Whether the beam runs in curves through the points, as a band-limited voltage does, or in straight lines.
    seen : Response, optional
        What remains of a flash, instead of what the tube's phosphor and eye make of it.

    Notes
    -----
    One second of signal always leaves the same energy, in units in which a signal that goes on for ever
    holds a total of 1 on the glass. How it is cut into calls makes no difference.

    Each exponential of the decay has its own number in every pixel. None of them is multiplied as time
    passes: they share one factor, and new light is divided by it, so that fading costs nothing.
    """

    def __init__(
        self,
        width: int,
        height: int,
        tube: Tube | None = None,
        glass: Glass | None = None,
        *,
        curved: bool = True,
        seen: Response | None = None,
    ) -> None:
        if width < 1 or height < 1:
            raise ValueError(f"a picture of {width} x {height} pixels cannot be drawn; it needs at least 1")
        tube, glass = tube or Tube(), glass or Glass()
        self.width, self.height = width, height
        self._curved = curved
        self._seen = seen or tube.phosphor.seen(tube.eye)
        planes, lanes = self._seen.mix.shape
        self._many, self._two = (0,) * lanes, (0,) * planes
        size = min(width, height)
        self._taps_x, self._taps_y, self._taps_halo = tube.spot.kernels(size)
        reach = max(len(self._taps_x), len(self._taps_y)) - 1
        self._reach = (reach + 2) // CELL + 1
        self._pad = CELL * (self._reach + 1)
        self._cell_rows = -(-(height + 2 * self._pad) // CELL)
        self._cell_columns = -(-(width + 2 * self._pad) // CELL)
        self._rows, self._columns = CELL * self._cell_rows, CELL * self._cell_columns
        self._fine = np.zeros(self._rows * self._columns * lanes, np.float32)
        self._coarse = np.zeros((self._cell_rows + 2) * (self._cell_columns + 2) * lanes, np.float32)
        self._glow = np.zeros((planes, self._cell_rows + 2, self._cell_columns + 2), np.float32)
        self._cells = np.zeros((self._cell_rows, self._cell_columns), np.uint8)
        self._shown = np.zeros_like(self._cells)
        self._matrix = glass.matrix(width, height, self._pad)
        self._remembered = np.zeros(REMEMBERED)
        self._gain = tube.spot.intensity * EXPOSURE * size * sharp_sigma(size) * math.sqrt(2 * math.pi)
        self._halo = tube.spot.halo
        self._marks = glass.marks(width, height)
        primaries = whitened(tube.phosphor.colours(planes))
        self._primaries = primaries.astype(np.float32)
        self._tone = channel_tables(primaries[0], tube.spot.saturation, glass.linear_background(), together=planes == 1)
        self._ground = int(self._tone[0]) if planes == 1 else 0xFF000000 | int(sum(self._tone[:: len(self._tone) // 3]))
        self._scale = np.ones(lanes)
        self._untidy = 0.0

    @property
    def energy(self) -> npt.NDArray[np.float64]:
        """Light of each pixel before the spot widens it [shape=(height, width)], row 0 at the top."""
        lanes = self._fine.reshape(self._rows, self._columns, -1)
        pad = self._pad
        inside = lanes[pad : pad + self.height, pad : pad + self.width].astype(np.float64)
        return np.asarray(inside @ (self._seen.mix.sum(axis=0) * self._scale))

    @property
    def memory(self) -> float:
        """Seconds after which nothing that was drawn before can change a pixel by half a step of 255.

        The worst there can be is a beam that had rested on one pixel for ever: what it leaves is the sum of the
        exponentials, each at its steady state, under the middle of the spot and its halo.
        """
        own, wide = self._taps_x[0] * self._taps_y[0], (self._taps_halo[0] / CELL) ** 2
        brightest = self._gain * float((1 - self._halo) * own + self._halo * wide)
        steady = self._seen.mix.sum(axis=0) * self._seen.times

        def left(seconds: float) -> float:
            return brightest * float(steady @ np.exp(-seconds / self._seen.times))

        shortest, longest = 0.0, 1.0
        while left(longest) > GLOWING:
            shortest, longest = longest, 2 * longest
        while longest - shortest > 1e-3:
            middle = 0.5 * (shortest + longest)
            shortest, longest = (middle, longest) if left(middle) > GLOWING else (shortest, middle)
        return longest

    def advance(self, points: npt.ArrayLike, rate: float) -> None:
        """Let light fade and add what the beam draws meanwhile.

        Parameters
        ----------
        points : np.ndarray [shape=(n, 2)]
            Left channel to the right, right channel upwards. Full scale is -1 to 1; a point that is not
            finite lights nothing and joins nothing.
        rate : float
            Points in a second.
        """
        path = as_path(points)
        most = max(int(min(_LONGEST * self._seen.times.min() * rate, len(path))), 1)
        for first in range(0, len(path), most):
            self._draw(path[first : first + most], rate)

    def rest(self, seconds: float) -> None:
        """Let light fade while there is no beam."""
        self._fade(max(seconds, 0.0))

    def finish(self, rate: float) -> None:
        """Draw the last piece, which otherwise waits for the point after it."""
        self._draw(np.empty((0, 2), np.float32), rate, finish=True)

    def _draw(self, path: npt.NDArray[np.float32], rate: float, *, finish: bool = False) -> None:
        self._fade(len(path) / rate)
        growth = np.exp(1 / (rate * self._seen.times))
        # What a piece still has at its end, on average over its time; an endless exponential keeps all.
        with np.errstate(invalid="ignore"):
            piece = -self._seen.times * np.expm1(-1 / (rate * self._seen.times))
        piece = np.where(np.isfinite(piece), piece, 1 / rate)
        first = piece * np.exp(-(max(len(path), 1) - 1) / (rate * self._seen.times)) / self._scale
        deposit(
            self._fine,
            self._rows,
            self._columns,
            self._coarse,
            self._cell_columns + 2,
            path,
            self._matrix,
            first,
            growth,
            self._curved,
            finish,
            self._remembered,
            self._many,
        )

    def _fade(self, seconds: float) -> None:
        self._scale *= np.exp(-seconds / self._seen.times)
        self._untidy += seconds
        if self._untidy > _TIDY or self._scale.min() < _SMALLEST_SCALE:
            self._tidy()

    def _tidy(self) -> None:
        if find_lit(self._coarse, self._cell_rows, self._cell_columns, self._reach, self._cells, self._many):
            strongest = np.maximum(np.abs(self._seen.mix).max(axis=0) * self._gain, 1e-9)
            dark = (DARK / strongest).astype(np.float32)
            scale = self._scale.astype(np.float32)
            forget_dark(
                self._fine,
                self._coarse,
                self._cell_rows,
                self._cell_columns,
                self._cells,
                scale,
                dark,
                self._many,
            )
        self._scale[:] = 1.0
        self._untidy = 0.0

    def snapshot(self) -> Fields:
        """Return copies of both fields as they are now, for `subtract_from`."""
        self._tidy()
        return self._fine.copy(), self._coarse.copy()

    def subtract_from(self, earlier: Fields) -> None:
        """Put in place of the light what it has lost since a snapshot."""
        self._tidy()
        np.subtract(earlier[0], self._fine, out=self._fine)
        np.subtract(earlier[1], self._coarse, out=self._coarse)

    def negate(self) -> None:
        """As `subtract_from` a snapshot of darkness, without its memory."""
        self._tidy()
        np.negative(self._fine, out=self._fine)
        np.negative(self._coarse, out=self._coarse)

    def clear(self) -> None:
        """Put all light out at once; where the beam is stays known."""
        self._fine[:] = 0.0
        self._coarse[:] = 0.0
        self._scale[:] = 1.0

    def blank(self) -> npt.NDArray[np.uint32]:
        """Return the pixels of dark glass that `develop` starts from [shape=(height, width)], 0xFFRRGGBB."""
        self._shown[:] = 1
        return np.full((self.height, self.width), self._ground, np.uint32)

    def develop(self, pixels: npt.NDArray[np.uint32]) -> tuple[int, int, int, int]:
        """Bring pixels up to date and return what part of them may have changed.

        Parameters
        ----------
        pixels : np.ndarray [shape=(height, width), dtype=uint32]
            0xFFRRGGBB, row 0 at the top; the same array every time, at first from `blank`.

        Returns
        -------
        tuple of int
            Left, top, width, height; width 0 where nothing is or was lit.

        Raises
        ------
        ValueError
            If the array has another shape, type or order.
        """
        shape = (self.height, self.width)
        if pixels.shape != shape or pixels.dtype != np.uint32 or not pixels.flags.c_contiguous:
            raise ValueError(f"pixels must be uint32 of shape {shape} in rows, not {pixels.dtype} {pixels.shape}")
        return self._develop(pixels, np.zeros((0, 0, 0), np.float32))

    def luminance(self) -> npt.NDArray[np.float32]:
        """Return the light of each colour that is about to become pixels [shape=(colours, height, width)].

        In units of the tone curve: 1 gives half of the display's light. Divided by `gain` the sum of a
        signal that goes on is 1.
        """
        light = np.zeros((len(self._two), self.height, self.width), np.float32)
        shown = self._shown.copy()
        self._develop(np.zeros((self.height, self.width), np.uint32), light)
        self._shown[:] = shown
        return light

    @property
    def gain(self) -> float:
        """Brightness of a pixel for each unit of energy on it."""
        return self._gain

    def _develop(self, pixels: npt.NDArray[np.uint32], light: npt.NDArray[np.float32]) -> tuple[int, int, int, int]:
        mix = self._gain * self._seen.mix * self._scale
        own = mix * (1 - self._halo)
        taps_x = self._taps_x
        if len(self._many) == 1:
            # With one number for each pixel, its amplitude goes into the spot.
            taps_x = (taps_x * own[0, 0]).astype(np.float32)
        lit = find_lit(self._coarse, self._cell_rows, self._cell_columns, self._reach, self._cells, self._many)
        if not lit and not self._shown.any():
            return (0, 0, 0, 0)
        if lit and self._halo > 0:
            spread_glow(
                self._coarse,
                self._cell_rows + 2,
                self._cell_columns + 2,
                (mix * self._halo / CELL**2).astype(np.float32),
                self._taps_halo,
                self._glow,
                self._many,
                self._two,
            )
            find_glow(self._glow, self._cell_rows, self._cell_columns, np.float32(GLOWING), self._cells)
        else:
            self._glow[:] = 0.0
        left, top, right, bottom = develop(
            self._fine,
            self._columns,
            own.astype(np.float32),
            taps_x,
            self._taps_y,
            self._glow,
            self._cells,
            self._shown,
            (self._pad, self._pad),
            self._tone,
            self._primaries,
            self._marks,
            pixels,
            light,
            self._many,
            self._two,
        )
        if right <= left or bottom <= top:
            return (0, 0, 0, 0)
        return (left, top, right - left, bottom - top)


def as_rgb(pixels: npt.NDArray[np.uint32]) -> npt.NDArray[np.uint8]:
    """Return 0xFFRRGGBB pixels as red, green and blue bytes [shape=(height, width, 3)]."""
    return np.stack([(pixels >> shift & 0xFF).astype(np.uint8) for shift in (16, 8, 0)], axis=2)
