"""Phosphors by their registered numbers: colour of flash and afterglow, and how long they last."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from instrument.beam.decay import (
    EYE,
    FLOOR,
    Exponentials,
    Response,
    exponentials,
    photograph_response,
    response,
)

REGISTRATIONS = (
    "EIA/JEDEC registrations of cathode-ray tube screens, as collected in TEPAC publication TEP116-C, "
    "Optical Characteristics of Cathode Ray Tube Screens (from memory)"
)
"""Source of chromaticities and of times to a tenth. No copy was at hand: each number below is from memory."""


@dataclass(frozen=True)
class Layer:
    """One light that a phosphor gives.

    Attributes
    ----------
    chromaticity : tuple of float
        CIE 1931 x and y.
    tenth : float
        Seconds until a tenth of the first light is left.
    law : str
        One of `instrument.beam.decay.LAWS`.
    share : float
        Share of all the phosphor's light, from first to last.
    """

    chromaticity: tuple[float, float]
    tenth: float
    law: str = "exponential"
    share: float = 1.0

    def __post_init__(self) -> None:
        x, y = self.chromaticity
        if not (0 <= x <= 1 and 0 < y <= 1 and x + y <= 1):
            raise ValueError(f"({x:g}, {y:g}) is not a colour; x and y are from 0 to 1, together at most 1")
        if not 0 < self.share < math.inf:
            raise ValueError(f"a share of {self.share:g} is not possible; it must be more than 0")
        exponentials(self.law, self.tenth)

    @property
    def decay(self) -> Exponentials:
        """The law as exponentials."""
        return exponentials(self.law, self.tenth)


@dataclass(frozen=True)
class Phosphor:
    """Coating of a screen: one light or two.

    Attributes
    ----------
    name : str
    layers : tuple of Layer
        One or two.
    about : str
        Colour in words, and what it was used for.
    """

    name: str
    layers: tuple[Layer, ...]
    about: str = ""

    def __post_init__(self) -> None:
        if not 1 <= len(self.layers) <= 2:
            raise ValueError(f"{self.name}: a phosphor has one layer or two, not {len(self.layers)}")
        self.seen(EYE)

    def seen(self, eye: float) -> Response:
        """Return what an eye sees of a flash (`instrument.beam.decay.response`)."""
        return response([(layer.share, layer.decay) for layer in self.layers], eye)

    def photographed(self, exposure: float) -> Response:
        """Return what a photograph takes of a flash (`instrument.beam.decay.photograph_response`)."""
        return photograph_response([(layer.share, layer.decay) for layer in self.layers], exposure)

    def memory(self, exposure: float) -> float:
        """Return the seconds before a photograph whose light can still be seen in it."""
        times = self.photographed(exposure).times
        return float(max(times[np.isfinite(times)], default=0.0) * -math.log(FLOOR))

    def colours(self, planes: int) -> npt.NDArray[np.float64]:
        """Return linear sRGB of each colour, the strongest primary 1 [shape=(planes, 3)].

        Parameters
        ----------
        planes : int
            Colours of the response: where the eye cannot part two layers in time, one mixed one.
        """
        own = np.array([linear_rgb(layer.chromaticity) for layer in self.layers])
        if planes < len(own):
            shares = np.array([layer.share for layer in self.layers])
            own = (shares[:, None] * own).sum(axis=0, keepdims=True)
            own /= own.max()
        return np.vstack((own, np.zeros((planes - len(own), 3))))


def linear_rgb(chromaticity: tuple[float, float]) -> npt.NDArray[np.float64]:
    """Return the linear red, green and blue of a colour, the largest 1.

    A colour more saturated than sRGB can show is mixed with just as much white as it takes: its hue stays.
    Source of the matrix: IEC 61966-2-1:1999 (sRGB, D65), from memory; a test checks its white point.
    """
    x, y = chromaticity
    xyz = np.array([x / y, 1.0, (1 - x - y) / y])
    rgb = _RGB_FROM_XYZ @ xyz
    rgb -= min(rgb.min(), 0.0)
    linear: npt.NDArray[np.float64] = rgb / rgb.max()
    return linear


_RGB_FROM_XYZ = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])

TYPES = {
    kind.name: kind
    for kind in (
        Phosphor("P1", (Layer((0.218, 0.712), 0.024),), "green, medium; early oscilloscopes and radar"),
        Phosphor("P2", (Layer((0.279, 0.534), 60e-6, "power 1.5"),), "yellowish green, short with a faint tail"),
        Phosphor(
            "P4",
            (Layer((0.149, 0.066), 22e-6, share=0.55), Layer((0.413, 0.542), 60e-6, share=0.45)),
            "white, short, of a blue and a yellow; television",
        ),
        Phosphor(
            "P7",
            (Layer((0.151, 0.032), 57e-6, share=0.5), Layer((0.357, 0.537), 0.4, "power 1.5", share=0.5)),
            "blue flash, long yellow afterglow; radar and slow sweeps",
        ),
        Phosphor("P11", (Layer((0.139, 0.148), 34e-6),), "blue, short; photographed traces"),
        Phosphor("P31", (Layer((0.226, 0.528), 38e-6),), "bright green, short; most later oscilloscopes"),
        Phosphor("P39", (Layer((0.223, 0.698), 0.15),), "yellowish green, long; low-frequency displays"),
        Phosphor("P45", (Layer((0.253, 0.312), 1.5e-3),), "white, of one rare-earth phosphor; sharp displays"),
    )
}
"""Registered types. The laws, and the shares of the layers, are choices of ours after Leverenz (see `decay.LAWS`)."""

DEFAULT = "P31"


def phosphor(name: str) -> Phosphor:
    """Return a registered type.

    Raises
    ------
    ValueError
        If there is none of that name.

    Examples
    --------
    >>> phosphor("p7").layers[1].tenth
    0.4
    """
    found = TYPES.get(name.strip().upper())
    if found is None:
        near = difflib.get_close_matches(name.strip().upper(), TYPES, n=1)
        guess = f"did you mean {near[0]}? " if near else ""
        raise ValueError(f"there is no phosphor called {name}; {guess}known are {', '.join(TYPES)}")
    return found
