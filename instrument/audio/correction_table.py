"""Quantities of a display behind a device, by name: one table that files, commands and the guide read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from instrument.patch.number import NumberError, kind_of, to_number
from instrument.patch.patch_errors import did_you_mean, listed, shown

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True)
class Quantity:
    """One row of the table.

    Attributes
    ----------
    name : str
        As parameters of a patch's output section are called, without ``output.``.
    short : str
        What may be typed instead.
    neutral : float
        Value that changes nothing.
    low, high : float
        Range.
    step : float
        What one + or - adds; 0 for what is only on or off.
    unit, about : str
    """

    name: str
    short: str
    neutral: float
    low: float
    high: float
    step: float
    unit: str
    about: str

    @property
    def switch(self) -> bool:
        """Whether it is only on or off."""
        return self.step == 0.0

    def checked(self, value: object) -> float:
        """Return a value as a number, if it is one that this can have.

        Parameters
        ----------
        value : number, bool or str
            Text may be arithmetic such as ``15/16``; what is only on or off takes the words on and off besides.

        Raises
        ------
        ValueError
            With a sentence that names value and range.
        """
        if self.switch:
            for on, words in enumerate((("off", "false", "no"), ("on", "true", "yes"))):
                if value is bool(on) or (isinstance(value, str) and value.casefold() in words):
                    return float(on)
        try:
            number = to_number(value)
        except NumberError:
            number = math.nan
        said = shown(value).strip('"') if isinstance(value, bool | int | float | str) else kind_of(value)
        if self.switch and number not in {0.0, 1.0}:
            raise ValueError(f"{self.name} is {said}; it takes on or off.")
        if not self.low <= number <= self.high:
            unit = f" {self.unit}" if self.unit else ""
            raise ValueError(f"{self.name} is {said}; it takes a number from {self.low:g} to {self.high:g}{unit}.")
        return number

    def shown(self, value: float) -> str:
        """Return the quantity with a value, for the eyes."""
        if self.switch:
            return f"{self.name} {'on' if value else 'off'}"
        return f"{self.name} {value:.6g}{' us' if self.unit == 'microseconds' else ''}"


QUANTITIES = (
    Quantity("swap", "sw", 0, 0, 1, 0, "", "exchange the two channels"),
    Quantity("invert.x", "ix", 0, 0, 1, 0, "", "turn the first channel over, left to right"),
    Quantity("invert.y", "iy", 0, 0, 1, 0, "", "turn the second channel over, top to bottom"),
    Quantity("gain.x", "gx", 1, 0, 4, 0.01, "", "width of the picture"),
    Quantity("gain.y", "gy", 1, 0, 4, 0.01, "", "height of the picture"),
    Quantity("offset.x", "ox", 0, -1, 1, 0.005, "of full scale", "move the picture to the right"),
    Quantity("offset.y", "oy", 0, -1, 1, 0.005, "of full scale", "move the picture upwards"),
    Quantity("delay.x", "dx", 0, 0, 5000, 0.5, "microseconds", "hold the first channel back"),
    Quantity("delay.y", "dy", 0, 0, 5000, 0.5, "microseconds", "hold the second channel back"),
)
"""In the order in which they act: swap, then each channel turned over and scaled, moved, and held back. As in a patch's
output section, x and y are the device's channels, whatever was exchanged before them."""

INDEX = {word: place for place, row in enumerate(QUANTITIES) for word in (row.name, row.short)}

_NEUTRAL = tuple(float(row.neutral) for row in QUANTITIES)


def quantity_named(name: str) -> Quantity:
    """Return the quantity of a name, as ``gain.x`` or ``gx``.

    Raises
    ------
    ValueError
        If there is none.
    """
    place = INDEX.get(name.casefold())
    if place is None:
        names = [row.name for row in QUANTITIES]
        hint = did_you_mean(name.casefold(), names)
        raise ValueError(f"{name} is nothing that a display is corrected by; {listed(names)} is. {hint}".strip())
    return QUANTITIES[place]


@dataclass(frozen=True)
class Correction:
    """A value for each of `QUANTITIES`, in their order; neutral ones change no bit of the sound.

    Examples
    --------
    >>> Correction().with_value("gain.x", "15/16").in_words()
    'gain.x 0.9375'
    """

    values: tuple[float, ...] = _NEUTRAL

    def __getitem__(self, name: str) -> float:
        return self.values[INDEX[name]]

    @property
    def neutral(self) -> bool:
        """Whether it changes nothing."""
        return self.values == _NEUTRAL

    def with_value(self, name: str, value: object) -> Correction:
        """Return it with one value changed.

        Raises
        ------
        ValueError
            If there is no such quantity, or it cannot have this value.
        """
        row = quantity_named(name)
        place = INDEX[row.name]
        return Correction((*self.values[:place], row.checked(value), *self.values[place + 1 :]))

    def with_values(self, values: Mapping[str, object]) -> Correction:
        """Return it with several values changed (`with_value`)."""
        changed = self
        for name, value in values.items():
            changed = changed.with_value(name, value)
        return changed

    def as_dict(self) -> dict[str, Any]:
        """Return every value by its name: numbers, and true or false for what is only on or off."""
        pairs = zip(QUANTITIES, self.values, strict=True)
        return {row.name: bool(value) if row.switch else value for row, value in pairs}

    def in_words(self) -> str:
        """Return what it changes, for the eyes."""
        pairs = zip(QUANTITIES, self.values, strict=True)
        return ", ".join(row.shown(value) for row, value in pairs if value != row.neutral) or "all neutral"

    def cut_off(self) -> list[str]:
        """Return a sentence for each channel that would leave full scale where the picture reaches it."""
        sentences = []
        for axis in "xy":
            reach = self[f"gain.{axis}"] + abs(self[f"offset.{axis}"])
            if reach > 1.0 + 1e-9:
                sentences.append(
                    f"{axis} reaches up to {reach:.3g} of full scale, and what is beyond 1 is cut off: lower gain.{axis}, "
                    f"or bring offset.{axis} nearer to 0."
                )
        return sentences
