"""Every tolerance of the drawing room in one record, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Tolerances:
    """Lengths are fractions of the drawing's bounding diagonal, so that units do not matter.

    Attributes
    ----------
    coincident : float
        Points closer than this are one point. About 16 steps of float32, which STL, PLY and glTF store: the
        same corner written by two faces may differ in its last bits.
    ends : float
        A stroke's loose end closer than this to another point or stroke touches it. A ten-thousandth of the
        drawing is less than one pixel on a screen of 4,000, so nobody drew that gap on purpose.
    flatten : float
        Curves leave their straight pieces by at most this much: half a pixel on a screen of 1,080.
    simplify : float
        Points that matter less than this may be taken out; 0 keeps all, and is the default.
    corner_degrees : float
        A corner is counted each time the line has turned this far; a circle counts 36.
    largest : float
        Coordinates beyond this are refused: their squares must stay finite with room to spare.
    offset : float
        A drawing further than this many of its own sizes from the origin has lost digits (float64 has 15.9).
    """

    coincident: float = 1e-6
    ends: float = 1e-4
    flatten: float = 5e-4
    simplify: float = 0.0
    corner_degrees: float = 10.0
    largest: float = 1e100
    offset: float = 1e9


DEFAULT = Tolerances()
