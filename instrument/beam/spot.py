"""The spot: how wide it is, how it is out of round, and the halo that the glass scatters around it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from instrument.beam.deposit import CELL

WIDTH = 1 / 900
"""Standard deviation of a focused spot as a share of the picture's height: some 380 lines that can be told apart, as
good tubes had (common practice, no source) ..."""

SMALLEST = 1.2
"""... but never below this many pixels: a narrower spot is not band-limited to the pixels, and its lines would bead."""

LARGEST_FOCUS = 12.0

SPLINE = 1 / 4
"""Variance in square pixels that the quadratic B-spline of the deposit brings with it. Source: M. Unser, "Splines: a
perfect fit for signal and image processing", IEEE Signal Processing Magazine, 1999: (degree + 1) / 12 (from memory)."""

COARSE = 1 / 3
"""The same in square cells for the tent of the coarse field and the one between its points: twice 1/6 on average."""

HALO_WIDTH = 0.016
"""Standard deviation of the halo as a share of the picture's height: light that the face plate reflects inside ..."""


SMALLEST_HALO = 1.25
"""... but never below this many cells, or it would be square like them."""


@dataclass(frozen=True)
class Spot:
    """The beam where it lands.

    Attributes
    ----------
    focus : float
        Times the width of a focused spot; 1 is sharp.
    astigmatism : float
        How far it is out of round, -0.9 to 0.9: above 0 wider across, below 0 taller.
    intensity : float
        Beam current, 1 as usual.
    halo : float
        Share of the light that the glass scatters.
    saturation : float
        Light at which the phosphor gives half of what it would; a resting spot of usual intensity reaches some
        thousands, a drawn line about 1.
    """

    focus: float = 1.0
    astigmatism: float = 0.0
    intensity: float = 1.0
    halo: float = 0.08
    saturation: float = 400.0

    def __post_init__(self) -> None:
        for name, low, high in (
            ("focus", 0.1, LARGEST_FOCUS),
            ("astigmatism", -0.9, 0.9),
            ("intensity", 0.0, 1e6),
            ("halo", 0.0, 0.9),
            ("saturation", 1e-3, 1e12),
        ):
            if not low <= getattr(self, name) <= high:
                raise ValueError(
                    f"a {name} of {getattr(self, name):g} is not possible; it goes from {low:g} to {high:g}"
                )

    def sigmas(self, size: int) -> tuple[float, float]:
        """Return the standard deviations across and upwards in pixels for a picture so many pixels high."""
        round_one = max(self.focus * sharp_sigma(size), SMALLEST)
        return round_one * (1 + self.astigmatism), round_one / (1 + self.astigmatism)

    def kernels(self, size: int) -> tuple[npt.NDArray[np.float32], ...]:
        """Return the right halves of the blurs across, upwards, and of the halo over cells."""
        across, up = (half_gaussian(sigma**2 - SPLINE) for sigma in self.sigmas(size))
        return across, up, half_gaussian((halo_sigma(size) / CELL) ** 2 - COARSE, 5.0)


def sharp_sigma(size: int) -> float:
    """Return the standard deviation in pixels of a focused spot."""
    return max(size * WIDTH, SMALLEST)


def halo_sigma(size: int) -> float:
    """Return the standard deviation in pixels of the halo."""
    return max(size * HALO_WIDTH, SMALLEST_HALO * CELL)


def half_gaussian(variance: float, reach: float = 2.75) -> npt.NDArray[np.float32]:
    """Return the middle and right half of a Gaussian that sums to 1 over both halves.

    Parameters
    ----------
    variance : float
        In samples of the kernel, squared.
    reach : float
        Standard deviations after which it is cut off; a halo around a resting spot shows where.

    Examples
    --------
    >>> taps = half_gaussian(1.0)
    >>> bool(abs(taps[0] + 2 * taps[1:].sum() - 1) < 1e-6)
    True
    """
    sigma = math.sqrt(max(variance, 0.02))
    taps = np.exp(-0.5 * (np.arange(max(math.ceil(reach * sigma), 1) + 1) / sigma) ** 2)
    taps /= taps[0] + 2 * taps[1:].sum()
    return taps.astype(np.float32)
