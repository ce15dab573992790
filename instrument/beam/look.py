"""Looks of the picture as settings by name: one table that the command line, files and the window read."""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.beam.decay import EYE, LAWS
from instrument.beam.glass import MIRRORS, SHAPES, Glass
from instrument.beam.light import Light, Tube
from instrument.beam.phosphor import DEFAULT, TYPES, Layer, Phosphor, phosphor
from instrument.beam.reconstruction import Reconstruction
from instrument.beam.spot import Spot

if TYPE_CHECKING:
    from collections.abc import Mapping

    from instrument.beam.decay import Response


OVERSAMPLING = 4

_STRAY = 1e-6
"""Of full scale, how far a filter may still be from where it would be had it run from the beginning."""


@dataclass(frozen=True)
class Look:
    """Settings of everything between samples and pixels.

    Attributes
    ----------
    phosphor : Phosphor
    spot : Spot
    glass : Glass
    eye : float
        Seconds of the eye's own persistence.
    oversampling : int
        Points of the path for each sample.
    coupling : float
        Corner frequency of the sound interface in hertz, 0 for direct coupling.
    bandwidth : float
        Of the display's input in hertz, 0 for no limit.
    """

    phosphor: Phosphor = TYPES[DEFAULT]
    spot: Spot = field(default_factory=Spot)
    glass: Glass = field(default_factory=Glass)
    eye: float = EYE
    oversampling: int = OVERSAMPLING
    coupling: float = 0.0
    bandwidth: float = 0.0

    def __post_init__(self) -> None:
        for name in ("coupling", "bandwidth"):
            if not 0 <= getattr(self, name) <= 1e9:
                raise ValueError(f"a {name} of {getattr(self, name):g} Hz is not possible; it is 0 or more")
        Tube(self.phosphor, self.spot, self.eye)
        Reconstruction(1e9, self.oversampling)

    @property
    def settling(self) -> float:
        """Seconds after which coupling and bandwidth are where they would be had they run from the beginning."""
        slowest = min((corner for corner in (self.coupling, self.bandwidth) if corner > 0), default=math.inf)
        return -math.log(_STRAY) / (2 * math.pi * slowest)

    def light(self, width: int, height: int, seen: Response | None = None) -> Light:
        """Return the light on a glass of so many pixels."""
        tube = Tube(self.phosphor, self.spot, self.eye)
        return Light(width, height, tube, self.glass, curved=self.oversampling > 1, seen=seen)

    def reconstruction(self, rate: float) -> Reconstruction:
        """Return the way of a signal from its samples to the beam.

        Raises
        ------
        ValueError
            If the coupling's corner is too high for the sample rate.
        """
        return Reconstruction(rate, self.oversampling, self.coupling or None, self.bandwidth or None)

    def with_setting(self, name: str, value: object) -> Look:
        """Return this look with one of `SETTINGS` changed.

        Parameters
        ----------
        name : str
        value : str, int, float or list
            Text is read as the setting needs it.

        Raises
        ------
        ValueError
            If there is no such setting or it cannot have this value.

        Examples
        --------
        >>> Look().with_setting("phosphor", "P7").with_setting("zoom", "1.5").glass.zoom
        1.5
        """
        setting = SETTINGS.get(name)
        if setting is None:
            near = difflib.get_close_matches(name, SETTINGS, n=1)
            guess = f"did you mean {near[0]}? " if near else ""
            raise ValueError(f"a look has no setting called {name}; {guess}it has {', '.join(SETTINGS)}")
        read = setting.read(name, value)
        if setting.part:
            part = dataclasses.replace(getattr(self, setting.part), **{setting.field: read})
            return dataclasses.replace(self, **{setting.part: part})
        return dataclasses.replace(self, **{setting.field: read})

    def as_settings(self) -> dict[str, Any]:
        """Return every one of `SETTINGS` as plain values, which `with_settings` makes the same look of.

        Examples
        --------
        >>> look = Look().with_setting("phosphor", "P7").with_setting("focus", 1.5)
        >>> Look().with_settings(look.as_settings()) == look
        True
        """
        found: dict[str, Any] = {}
        for name, setting in SETTINGS.items():
            value = getattr(getattr(self, setting.part) if setting.part else self, setting.field)
            if isinstance(value, Phosphor):
                layers = [
                    {**dataclasses.asdict(layer), "chromaticity": list(layer.chromaticity)} for layer in value.layers
                ]
                value = {"name": value.name, "about": value.about, "layer": layers}
            found[name] = list(value) if isinstance(value, tuple) else value
        return found

    def with_settings(self, settings: Mapping[str, object]) -> Look:
        """Return this look with several of `SETTINGS` changed (`with_setting`)."""
        look = self
        for name, value in settings.items():
            look = look.with_setting(name, value)
        return look


def _number(name: str, value: object) -> float:
    try:
        if not isinstance(value, bool):
            return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        pass
    raise ValueError(f"{name} is a number, not {value!r}")


def _whole(name: str, value: object) -> int:
    number = _number(name, value)
    if number != round(number):
        raise ValueError(f"{name} is a whole number, not {value!r}")
    return round(number)


def _word(name: str, value: object) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{name} is a word, not {value!r}")
    return value


def _colour(name: str, value: object) -> tuple[float, ...]:
    parts = value.split(",") if isinstance(value, str) else value
    if not isinstance(parts, list | tuple) or len(parts) != 3:
        raise ValueError(f"{name} is red, green and blue from 0 to 1, as in 0.01,0.02,0.02, not {value!r}")
    return tuple(_number(name, part) for part in parts)


def _phosphor(name: str, value: object) -> Phosphor:
    if isinstance(value, str):
        return phosphor(value)
    if not isinstance(value, dict) or not isinstance(value.get("layer"), list) or not value["layer"]:
        raise ValueError(f"{name} is the name of a registered type, or a table with one or two [[{name}.layer]]")
    unknown = sorted(value.keys() - {"name", "about", "layer"})
    if unknown:
        raise ValueError(f"{name} has no field called {unknown[0]}; it has name, about and layer")
    layers = tuple(_layer(f"{name}.layer", entry) for entry in value["layer"])
    return Phosphor(str(value.get("name", "own")), layers, str(value.get("about", "")))


def _layer(name: str, entry: object) -> Layer:
    fields = {each.name for each in dataclasses.fields(Layer)}
    if not isinstance(entry, dict) or not {"chromaticity", "tenth"} <= entry.keys():
        raise ValueError(f"{name} needs chromaticity = [x, y] and tenth, the seconds until a tenth is left")
    unknown = sorted(entry.keys() - fields)
    if unknown:
        raise ValueError(f"{name} has no field called {unknown[0]}; it has {', '.join(sorted(fields))}")
    place = entry["chromaticity"]
    if not isinstance(place, list) or len(place) != 2:
        raise ValueError(f"{name}.chromaticity is [x, y] of CIE 1931, not {place!r}")
    x, y = (_number(f"{name}.chromaticity", part) for part in place)
    law = _word(f"{name}.law", entry.get("law", LAWS[0]))
    tenth, share = _number(f"{name}.tenth", entry["tenth"]), _number(f"{name}.share", entry.get("share", 1))
    return Layer((x, y), tenth, law, share)


@dataclass(frozen=True)
class Setting:
    """One row of the table.

    Attributes
    ----------
    part : str
        Which part of the look it belongs to; empty for the look itself.
    field : str
    read : callable
        From name and value to what the field holds.
    about : str
    """

    part: str
    field: str
    read: Any
    about: str


SETTINGS = {
    "phosphor": Setting("", "phosphor", _phosphor, "P1, P2, P4, P7, P11, P31, P39 or P45; in a file, one's own"),
    "eye": Setting("", "eye", _number, "seconds of the eye's own persistence, 0 for none"),
    "focus": Setting("spot", "focus", _number, "times the width of a focused spot, 1 is sharp"),
    "astigmatism": Setting("spot", "astigmatism", _number, "-0.9 to 0.9, above 0 wider across"),
    "intensity": Setting("spot", "intensity", _number, "beam current, 1 as usual"),
    "halo": Setting("spot", "halo", _number, "share of light that the glass scatters, 0 to 0.9"),
    "saturation": Setting("spot", "saturation", _number, "light at which the phosphor gives half"),
    "glass": Setting("glass", "shape", _word, " or ".join(SHAPES)),
    "rotate": Setting("glass", "rotate", _number, "degrees against the clock"),
    "mirror": Setting("glass", "mirror", _word, ", ".join(MIRRORS)),
    "zoom": Setting("glass", "zoom", _number, "times the size"),
    "graticule": Setting("glass", "graticule", _number, "brightness of the ruled glass, 0 to 1"),
    "background": Setting("glass", "background", _colour, "red,green,blue of the dark glass, 0 to 1"),
    "oversampling": Setting("", "oversampling", _whole, "points for each sample: 1, 2, 4 or 8"),
    "coupling": Setting("", "coupling", _number, "corner of an AC-coupled interface in hertz, 0 for direct"),
    "bandwidth": Setting("", "bandwidth", _number, "of the display's input in hertz, 0 for no limit"),
}
"""Name to where a setting lives, how it is read, and what it means."""


def look_of(words: list[str]) -> Look:
    """Return the look that a command line describes.

    Parameters
    ----------
    words : list of str
        One after the other: ``NAME=VALUE``, the name of a file, or the name of a phosphor; empty ones are
        passed over.

    Raises
    ------
    ValueError
        If a setting or a file is refused.
    OSError
        If a file cannot be read.

    Examples
    --------
    >>> look_of(["mirror=x", "", "P1"]).phosphor.name
    'P1'
    """
    look = Look()
    for word in words:
        name, equals, value = word.partition("=")
        if equals:
            look = look.with_setting(name.strip(), value.strip())
        elif word.lower().endswith(".toml"):
            look = read_look(Path(word), look)
        elif word:
            look = look.with_setting("phosphor", word)
    return look


def read_look(path: Path, look: Look | None = None) -> Look:
    """Return a look with the settings of a TOML file made.

    Parameters
    ----------
    path : Path
    look : Look, optional
        What the file does not name stays as it is here.

    Raises
    ------
    ValueError
        If the file is no TOML, or a setting is refused; the message names file, line and setting.
    OSError
        If it cannot be read.
    """
    look = look or Look()
    try:
        text = path.read_text(encoding="utf-8")
        found = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{path}: is not TOML: {error}") from None
    for name, value in found.items():
        try:
            look = look.with_setting(name, value)
        except ValueError as error:
            line = re.search(rf"^[ \t]*(?:\[+[ \t]*)?{re.escape(name)}\b", text, re.MULTILINE)
            number = text.count("\n", 0, line.start()) + 1 if line else 1
            raise ValueError(f"{path}, line {number}: {name}: {error}") from None
    return look


_SIZE = 16


def compile_for(look: Look | None = None) -> None:
    """Run every kernel that a look needs once, so that none is compiled when a frame is due.

    Parameters
    ----------
    look : Look, optional
        Those with as many exponentials and colours need the same kernels (`kernels_of`).
    """
    look = look or Look()
    light, path = look.light(_SIZE, _SIZE), look.reconstruction(48000.0)
    light.advance(path.process(np.zeros((100, 2), np.float32)), 192000.0)
    light.rest(1.0)
    light.advance(np.zeros((2, 2), np.float32), 192000.0)
    light.develop(light.blank())


def kernels_of(look: Look) -> tuple[int, int]:
    """Return what decides which kernels a look needs: its exponentials and colours."""
    colours, exponentials = look.phosphor.seen(look.eye).mix.shape
    return exponentials, colours


def main(names: list[str]) -> None:
    """Compile for phosphors by name, for all by default."""
    for name in names or list(TYPES):
        compile_for(Look(phosphor=phosphor(name)))


if __name__ == "__main__":
    main(sys.argv[1:])
