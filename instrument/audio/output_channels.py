"""Channels of a device: the display's two, corrected for it, and on request loudspeakers' and brightness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from instrument.audio.driver import DeviceError

if TYPE_CHECKING:
    from instrument.audio.correction_table import Correction

WORDS = ("xy", "pa", "z", "z-")


@dataclass(frozen=True)
class Outputs:
    """Channels in their order: the display's x and y first, then the pair for loudspeakers, then brightness.

    Attributes
    ----------
    pa : bool
        Channels 3 and 4 carry the display's without direct voltage.
    z : float
        Level of the last channel where there is light: 1, or -1 for a display that darkens with a higher voltage; 0
        for no such channel.
    correction : Correction or None
        What the display needs; None where that is nothing and nobody is going to adjust it.
    """

    pa: bool = False
    z: float = 0.0
    correction: Correction | None = None

    def __str__(self) -> str:
        light = {0.0: "", 1.0: "+z"}.get(self.z, "+z-")
        return f"xy{'+pa' if self.pa else ''}{light}"

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each channel's port."""
        pair = ("pa_1", "pa_2") if self.pa else ()
        return ("out_1", "out_2", *pair, *(("z",) if self.z else ()))

    @property
    def channels(self) -> int:
        """Number of channels, 2 to 5."""
        return len(self.names)


XY = Outputs()
"""The display alone."""


def outputs_of(text: str) -> Outputs:
    """Return what words like ``xy+pa+z`` ask for.

    Raises
    ------
    DeviceError
        If a word is unknown or comes twice.

    Examples
    --------
    >>> outputs_of("xy+pa").names
    ('out_1', 'out_2', 'pa_1', 'pa_2')
    """
    words = [word.strip().casefold() for word in text.split("+")]
    if words[0] != "xy" or not set(words) <= set(WORDS) or len({word[0] for word in words}) < len(words):
        raise DeviceError(f"outputs {text!r} are not possible; choose xy, and after it +pa, +z (or +z-), or both.")
    return Outputs("pa" in words, 1.0 if "z" in words else -1.0 if "z-" in words else 0.0)
