"""The emulated picture as the eye gets it: relative luminance, frame by frame."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from instrument.beam.light import Light, Tube
from instrument.common.compiled_loops import kernel

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Floats: TypeAlias = npt.NDArray[Any]
    Screen = Callable[[npt.ArrayLike, float], npt.NDArray[np.float32]]

AFTERGLOW = 0.025
"""Seconds in which light fades to 1/e where flashes are counted: a tube with a short afterglow, seen by an eye. The
window's own light fades so slowly that it would hide what flashes more than six times a second. With this one, strobes
of up to 30 a second show, and a figure that is drawn at least 30 times a second stands still (tried, no source)."""

# Share of each channel in relative luminance. Source: WCAG 2.2, definition of relative luminance.
_SHARES = np.array([0.2126, 0.7152, 0.0722], np.float32)


def linear_srgb() -> npt.NDArray[np.float32]:
    """Return the linear light of each sRGB value from 0 to 255 [shape=(256,)].

    Source: WCAG 2.2, definition of relative luminance.

    Examples
    --------
    >>> [round(float(linear_srgb()[value]), 3) for value in (0, 188, 255)]
    [0.0, 0.503, 1.0]
    """
    value = np.arange(256) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


def open_screen(size: int, afterglow: float = AFTERGLOW) -> Screen:
    """Return a dark screen: a function that draws samples and returns what is to be seen.

    This is the one place that asks the room `beam` for light.

    Parameters
    ----------
    size : int
        Width and height in pixels.
    afterglow : float
        Seconds in which light fades to 1/e; more than 0.

    Returns
    -------
    callable
        Takes samples [shape=(n, 2)] and their rate in hertz; returns relative luminance, 0 to 1
        [shape=(size, size)], row 0 at the top. The array is the screen's own and changes with the next call.
    """
    light = Light(size, size, Tube(eye=afterglow))
    pixels = light.blank()
    seen = np.zeros((size, size), np.float32)
    tables = np.outer(_SHARES, linear_srgb())

    def draw(samples: npt.ArrayLike, rate: float) -> npt.NDArray[np.float32]:
        light.advance(samples, rate)
        box = np.array(light.develop(pixels), np.int64)
        relative_luminance(pixels, tables, box, seen)
        return seen

    return draw


compiled = kernel()


@compiled
def relative_luminance(pixels: Floats, tables: Floats, box: Floats, seen: Floats) -> None:
    """Turn a box of pixels into relative luminance."""
    # In: 0xAARRGGBB, what each value of red, green and blue adds, and left, top, width, height. Out: those of `beam_path`.
    # Must touch nothing outside the box.
    left, top, width, height = box
    for y in range(top, top + height):
        for x in range(left, left + width):
            value = pixels[y, x]
            seen[y, x] = tables[0, value >> 16 & 0xFF] + tables[1, value >> 8 & 0xFF] + tables[2, value & 0xFF]
