"""Usual ranges of knobs: the range and curve proposed for a parameter where nobody has given one.

A proposal and no limit: parameters take any number, and a control's range can be written at will. The ranges are common
practice, no source.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from instrument.engine.parameters import ROWS, Parameter, index_of


class UsualRange(NamedTuple):
    """Both ends of a knob's way, and its curve: ``lin``, or ``exp`` for equal ratios."""

    low: float
    high: float
    curve: str = "lin"


_BY_NAME = {
    "pen.frequency": UsualRange(27.5, 1760.0, "exp"),
    "rate": UsualRange(0.05, 20.0, "exp"),
    "output.corner": UsualRange(1.0, 100.0, "exp"),
    "place.camera": UsualRange(1.25, 20.0, "exp"),
    "place.size": UsualRange(0.0, 2.0),
    "output.level": UsualRange(0.0, 1.0),
    "tempo.bpm": UsualRange(40.0, 240.0),
    "source.gain": UsualRange(0.0, 4.0),
    "source.gate": UsualRange(0.0, 0.5),
    "source.n1": UsualRange(0.1, 10.0, "exp"),
    "source.rolling": UsualRange(-12.0, 12.0),
    "source.reach": UsualRange(0.0, 2.0),
    "source.florets": UsualRange(10.0, 400.0, "exp"),
    "source.parallels": UsualRange(0.0, 12.0),
    "source.meridians": UsualRange(1.0, 12.0),
    "source.second": UsualRange(0.0, 1.0),
    "output.knee": UsualRange(0.0, 1.0),
    "output.limit": UsualRange(0.0, 1.0),
}
_BY_LAST_WORD = {
    "drive": UsualRange(0.0, 8.0),
    "amplitude": UsualRange(0.0, 1.0),
    "ratio": UsualRange(0.0, 8.0),
    "pitch": UsualRange(0.0, 0.5),
    "radius": UsualRange(0.05, 2.0),
    "edge": UsualRange(0.05, 1.0),
    "scale": UsualRange(-1.0, 1.0),
    "feedback": UsualRange(-1.0, 1.0),
    "gain": UsualRange(0.0, 1.0),
    "amount": UsualRange(0.0, 1.0),
    "seed": UsualRange(1.0, 128.0),
}
_BY_UNIT = {
    "gain": UsualRange(0.0, 1.0),
    "Hz": UsualRange(20.0, 20_000.0, "exp"),
    "MIDI key": UsualRange(24.0, 96.0),
    "MIDI channel": UsualRange(0.0, 16.0),
    "velocity": UsualRange(0.0, 127.0),
    "voices": UsualRange(1.0, 16.0),
    "semitones": UsualRange(-12.0, 12.0),
    "turns": UsualRange(0.0, 1.0),
    "turns/s": UsualRange(-2.0, 2.0),
    "turns per full scale": UsualRange(-1.0, 1.0),
    "waves": UsualRange(0.0, 32.0),
    "copies": UsualRange(1.0, 12.0),
    "per round": UsualRange(1.0, 64.0),
    "s": UsualRange(0.0, 1.0),
    "s or beats": UsualRange(0.001, 10.0, "exp"),
    "Q": UsualRange(0.5, 20.0, "exp"),
    "frames": UsualRange(0.0, 16.0),
    "beats": UsualRange(0.25, 16.0, "exp"),
    "steepness": UsualRange(-4.0, 4.0),
    "of the parameter": UsualRange(-1.0, 1.0),
    "of full scale": UsualRange(-1.0, 1.0),
    "per full scale": UsualRange(-1.0, 1.0),
    "of the first": UsualRange(-1.0, 1.0),
    "samples": UsualRange(0.0, 64.0),
    "snapshot": UsualRange(1.0, 8.0),
    "lobes": UsualRange(0.0, 12.0),
    "exponent": UsualRange(0.0, 10.0),
    "teeth": UsualRange(1.0, 24.0),
    "windings": UsualRange(-12.0, 12.0),
    "rows": UsualRange(2.0, 40.0),
    "hills": UsualRange(-8.0, 8.0),
    "strings": UsualRange(1.0, 120.0),
    "times": UsualRange(-8.0, 8.0),
    "number": UsualRange(0.0, 1.0),
    "value": UsualRange(-1.0, 1.0),
}
_SHARE = UsualRange(0.0, 1.0)
"""Everything else is a share of something."""


def usual_range(address: str) -> UsualRange:
    """Return the range that a knob on a parameter usually has.

    Parameters
    ----------
    address : str
        As ``layer.1.place.spin.y``.

    Raises
    ------
    KeyError
        If there is no such parameter.

    Examples
    --------
    >>> usual_range("layer.2.place.spin.y")
    UsualRange(low=-2.0, high=2.0, curve='lin')
    """
    row = ROWS[index_of(address)]
    if row.choices:
        return UsualRange(0.0, float(len(row.choices) - 1))
    words = [word for word in row.name.split(".") if word not in {"x", "y", "z"}]
    return _BY_NAME.get(row.name) or _BY_LAST_WORD.get(words[-1]) or _BY_UNIT.get(row.unit, _SHARE)


def range_around(address: str, value: float) -> UsualRange:
    """Return the usual range, widened so that it holds the value that the parameter has now."""
    usual = usual_range(address)
    if not math.isfinite(value) or usual.low <= value <= usual.high:
        return usual
    low, high = min(usual.low, value), max(usual.high, value)
    # Equal ratios cannot begin at 0 or pass it.
    curve = usual.curve if low > 0.0 else "lin"
    return UsualRange(low, high, curve)


def is_switch(address: str) -> bool:
    """Return whether a parameter is off or on: one of two choices, or 0 and 1."""
    row: Parameter = ROWS[index_of(address)]
    return len(row.choices) == 2 or row.unit == "0 or 1"
