"""The glass: its shape, how the picture lies on it, and what is ruled on it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt

from instrument.beam.develop import FIRST_STEP, STEP_BITS, STEPS
from instrument.beam.phosphor import linear_rgb

if TYPE_CHECKING:
    Marks: TypeAlias = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.uint32]]

SPAN = 1.06
"""Sample value at the edge of the glass, so that full scale (1) stays clear of it."""

SHAPES = {"square": 1.0, "5:4": 1.25}
"""Width over height."""

MIRRORS = ("none", "x", "y", "both")
"""Axes along which the picture is mirrored: x swaps left and right, as projecting from behind a screen does."""

BACKGROUND = (0.0, 0.0, 0.0)
"""Red, green and blue (0 to 1, sRGB) of the dark glass."""

RULED = (0.34, 0.36)
"""Chromaticity of a lit graticule, a pale daylight that no phosphor here has."""

DIVISION = 0.2
"""Distance of the graticule's dots in sample values: five from the middle to full scale."""

FAR = 64.0
"""Past this many pictures from the middle there is no beam."""

WHITENING = 0.035
"""Share of any colour that strong light adds to every channel, as glare in an eye or a lens does."""


def encode_srgb(linear: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return sRGB values (0 to 1) of linear light (0 to 1).

    Source: IEC 61966-2-1:1999, 5.2 (from memory).

    Examples
    --------
    >>> encode_srgb([0.0, 0.0031308, 0.2140411, 1.0]).round(4).tolist()
    [0.0, 0.0404, 0.5, 1.0]
    """
    light = np.clip(np.asarray(linear, np.float64), 0.0, 1.0)
    encoded: npt.NDArray[np.float64] = np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    )
    return encoded


@dataclass(frozen=True)
class Glass:
    """Glass of a display, and how the picture lies on it.

    Attributes
    ----------
    shape : str
        One of `SHAPES`.
    rotate : float
        Degrees by which the picture is turned against the clock.
    mirror : str
        One of `MIRRORS`, after the turning.
    zoom : float
        Times the size; full scale fits the glass at 1.
    graticule : float
        Brightness of what is ruled on the glass, 0 to 1; 0 leaves it out.
    background : tuple of float
        Red, green, blue of the dark glass, 0 to 1, sRGB.
    """

    shape: str = "square"
    rotate: float = 0.0
    mirror: str = "none"
    zoom: float = 1.0
    graticule: float = 0.0
    background: tuple[float, float, float] = BACKGROUND

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise ValueError(f"there is no glass of shape {self.shape!r}; use {' or '.join(SHAPES)}")
        if self.mirror not in MIRRORS:
            raise ValueError(f"mirror {self.mirror!r} is not possible; use {', '.join(MIRRORS)}")
        if not 0.01 <= self.zoom <= 100:
            raise ValueError(f"a zoom of {self.zoom:g} is not possible; it goes from 0.01 to 100")
        if not 0 <= self.graticule <= 1:
            raise ValueError(f"a graticule of brightness {self.graticule:g} is not possible; it goes from 0 to 1")
        if not math.isfinite(self.rotate):
            raise ValueError(f"{self.rotate} degrees is not an angle")
        if not all(0 <= part <= 1 for part in self.background):
            raise ValueError(f"{self.background} is not a colour; give red, green and blue from 0 to 1")

    def size_in(self, width: int, height: int) -> tuple[int, int]:
        """Return width and height of the largest glass of this shape in a room of some pixels.

        Examples
        --------
        >>> Glass("5:4").size_in(1920, 1080)
        (1350, 1080)
        """
        aspect = SHAPES[self.shape]
        tall = max(min(height, int(width / aspect)), 1)
        return max(int(tall * aspect), 1), tall

    def matrix(self, width: int, height: int, margin: int) -> npt.NDArray[np.float64]:
        """Return how sample values become places in pixels.

        Parameters
        ----------
        width, height : int
            Of the glass in pixels.
        margin : int
            Pixels kept around it on each side.

        Returns
        -------
        np.ndarray [shape=(7,)]
            a, b, c, d, e, f and a limit: x = a left + b right + c, y = d left + e right + f, where whole numbers
            are the middles of pixels and row 0 is at the top; farther than the limit there is no beam.
        """
        unit = self.zoom * 0.5 * min(width, height) / SPAN
        angle = math.radians(self.rotate % 360)
        cos, sin = math.cos(angle), math.sin(angle)
        flip_x = -1 if self.mirror in {"x", "both"} else 1
        flip_y = -1 if self.mirror in {"y", "both"} else 1
        middle_x, middle_y = 0.5 * width - 0.5 + margin, 0.5 * height - 0.5 + margin
        return np.array([
            flip_x * unit * cos, -flip_x * unit * sin, middle_x,
            -flip_y * unit * sin, -flip_y * unit * cos, middle_y,
            FAR * max(width, height),
        ])  # fmt: skip

    def linear_background(self) -> tuple[float, float, float]:
        """Return the linear light of the dark glass."""
        red, green, blue = (
            part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in self.background
        )
        return red, green, blue

    def marks(self, width: int, height: int) -> Marks:
        """Return the graticule as light added to pixels, row by row.

        Returns
        -------
        first : np.ndarray [shape=(height + 1,), dtype=int64]
            Where the marks of each row begin in the other two.
        column : np.ndarray [shape=(n,), dtype=int64]
        colour : np.ndarray [shape=(n,), dtype=uint32]
            0x00RRGGBB, to be added.
        """
        if self.graticule == 0:
            nothing = np.zeros(0, np.int64)
            return np.zeros(height + 1, np.int64), nothing, nothing.astype(np.uint32)
        cover = np.round(ruling(width, height) * 64) / 64
        rows, columns = np.nonzero(cover)
        linear = 0.25 * self.graticule * cover[rows, columns][:, None] * linear_rgb(RULED)
        red, green, blue = np.rint(255 * encode_srgb(linear)).astype(np.uint32).T
        first = np.searchsorted(rows, np.arange(height + 1)).astype(np.int64)
        return first, columns.astype(np.int64), red << np.uint32(16) | green << np.uint32(8) | blue


def ruling(width: int, height: int) -> npt.NDArray[np.float64]:
    """Return how much of each pixel the graticule covers [shape=(height, width)].

    Dots where the divisions cross, the two axes as dashes, a circle through full scale like a compass
    card with a stroke for every 10 degrees, longer at 30, and brackets at the corners of full scale.
    """
    unit = 0.5 * min(width, height) / SPAN
    x = (np.arange(width) - 0.5 * width + 0.5) / unit
    y = (0.5 * height - 0.5 - np.arange(height)) / unit
    across, up = np.meshgrid(x, y)
    thin = max(min(width, height) / 1080, 0.7)

    def line(distance: npt.NDArray[np.float64], thickness: float = 1.0) -> npt.NDArray[np.float64]:
        return np.clip(0.5 + 0.5 * thickness * thin - np.abs(distance) * unit, 0.0, 1.0)

    def within(value: npt.NDArray[np.float64], low: float, high: float) -> npt.NDArray[np.float64]:
        return np.clip(np.minimum(value - low, high - value) * unit + 0.5, 0.0, 1.0)

    def nearest(value: npt.NDArray[np.float64], pitch: float) -> npt.NDArray[np.float64]:
        return value - pitch * np.round(value / pitch)

    dots = np.hypot(nearest(across, DIVISION), nearest(up, DIVISION))
    cover = 0.8 * line(dots, 2.6)
    for along, aside in ((across, up), (up, across)):
        dash = within(np.abs(nearest(along, DIVISION)), -1.0, 0.15 * DIVISION) * within(along, -1.0, 1.0)
        cover = np.maximum(cover, line(aside) * dash)
        tick = line(nearest(along, DIVISION / 5)) * within(np.abs(aside), -1.0, 0.012) * within(along, -1.0, 1.0)
        cover = np.maximum(cover, 0.7 * tick)
    radius, angle = np.hypot(across, up), np.arctan2(up, across)
    for pitch, length in ((math.radians(10), 0.02), (math.radians(30), 0.045)):
        spoke = line(nearest(angle, pitch) * radius) * within(radius, 1.0 - length, 1.0)
        cover = np.maximum(cover, 0.8 * spoke)
    for along, aside in ((np.abs(across), np.abs(up)), (np.abs(up), np.abs(across))):
        cover = np.maximum(cover, line(aside - 1.0) * within(along, 0.92, 1.0))
    return cover


def step_values() -> npt.NDArray[np.float64]:
    """Return the light in the middle of each step of the table [shape=(STEPS,)]."""
    bits = (np.arange(STEPS, dtype=np.int32) + FIRST_STEP) << STEP_BITS
    values = (bits + (1 << (STEP_BITS - 1))).view(np.float32).astype(np.float64)
    values[0] = 0.0
    return values


def channel_tables(
    primaries: npt.NDArray[np.float64],
    saturation: float,
    background: tuple[float, float, float],
    *,
    together: bool,
) -> npt.NDArray[np.uint32]:
    """Return what the kernels look pixels up in.

    Parameters
    ----------
    primaries : np.ndarray [shape=(3,)]
        Linear red, green and blue of one unit of light; ignored unless `together`.
    saturation : float
        Light at which a phosphor gives half of what it should.
    background : tuple of float
        Linear red, green and blue of the dark glass.
    together : bool
        Whether one light sets all channels: the table holds whole pixels. Otherwise each channel has its
        own light and its own third of the table.

    Returns
    -------
    np.ndarray [shape=(STEPS,) or (3 * STEPS,), dtype=uint32]
    """
    light = step_values()
    parts = []
    for channel, shift in enumerate((16, 8, 0)):
        weight = primaries[channel] if together else 1.0
        glowing = weight * light / (1 + light / saturation)
        shown = background[channel] + (1 - background[channel]) * glowing / (1 + glowing)
        parts.append(np.rint(255 * encode_srgb(shown)).astype(np.uint32) << np.uint32(shift))
    if together:
        whole: npt.NDArray[np.uint32] = np.uint32(0xFF000000) | parts[0] | parts[1] | parts[2]
        return whole
    return np.concatenate(parts)


def whitened(primaries: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return colours with the share of white that makes strong light white [shape=(planes, 3)]."""
    mixed: npt.NDArray[np.float64] = WHITENING * primaries.max(axis=1, keepdims=True) + (1 - WHITENING) * primaries
    return mixed
