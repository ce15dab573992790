"""Legibility of a drawing: how much of its lines the light on the screen shows, and how much of the light lies on them."""

# ruff: noqa: PLC0415 (scipy is loaded when it is first needed)

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.beam.decay import Response
from instrument.beam.glass import Glass
from instrument.beam.light import Light
from instrument.beam.reconstruction import Reconstruction, as_path

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

TOLERANCE = 0.015
"""Distance, as a share of the drawing's longer side, within which light and line count as one. At the size of a hand this is
a millimetre and a half in ten centimetres (our choice, no source)."""

PIXELS = 768
"""Height of the screen on which light is compared: the tolerance is then about five pixels for a drawing of full scale."""

FAINT = 0.1
"""Light below this share of what an even line would have is no line; a jump at sixteen times the speed leaves 0.06."""

_PER_PIXEL = 2.0
"""Points by which ideal lines are laid out, for each pixel of their length."""


@dataclass(frozen=True)
class Legibility:
    """Agreement of light and lines.

    Attributes
    ----------
    shown : float
        Share of the length of the ideal lines that has light within the tolerance, 0 to 1.
    on_lines : float
        Share of the light, jumps apart, that has an ideal line within the tolerance, 0 to 1.
    """

    shown: float
    on_lines: float


def legibility(
    samples: npt.ArrayLike,
    rate: float,
    lines: Floats,
    jumps: Floats | None = None,
    tolerance: float = TOLERANCE,
    pixels: int = PIXELS,
) -> Legibility:
    """Compare the light that samples leave on a screen with ideal lines, both ways.

    The samples pass the converter's reconstruction and the beam deposits their energy; afterglow and spot play no part, and
    neither does the light of jumps: it is faint, and left out where only a jump is near.

    Parameters
    ----------
    samples : array_like, shape (n, 2)
        A few whole cycles, full scale at -1 to 1.
    rate : float
        Samples a second, above 0.
    lines : ndarray of float64, shape (m, 2, 2)
        Ideal lines by their two ends, in the units of the samples; at least one of some length.
    jumps : ndarray of float64, shape (j, 2, 2), optional
        Ways of the beam that are not meant to be seen.
    tolerance : float
        Share of the longer side of the box around the lines, above 0.
    pixels : int
        Height and width of the screen.

    Returns
    -------
    Legibility

    Raises
    ------
    ValueError
        If the lines have no size, or are not finite.

    Notes
    -----
    Distances are those of the Euclidean distance transform: C. R. Maurer, R. Qi and V. Raghavan (2003), as scipy has it. Both
    shares together are what is called completeness and correctness where extracted lines are compared with a map
    (C. Wiedemann and others, Empirical Evaluation of Automatically Extracted Road Axes, 1998, from memory).
    """
    lines = np.asarray(lines, np.float64).reshape(-1, 2, 2)
    side = float(np.ptp(lines.reshape(-1, 2), axis=0).max()) if len(lines) else 0.0
    if not 0.0 < side < math.inf:
        raise ValueError("the ideal lines have no size; give at least one line with two different, finite ends")
    from scipy.ndimage import distance_transform_edt

    unit = float(Glass().matrix(pixels, pixels, 0)[0])
    reach = tolerance * side * unit
    light = _light_of(samples, rate, pixels)
    points = _points_on(lines, unit, pixels)
    to_line = distance_transform_edt(~_marked(points, pixels))
    near = to_line <= reach
    counted = np.ones_like(near)
    if jumps is not None and len(jumps):
        to_jump = distance_transform_edt(~_marked(_points_on(np.asarray(jumps, np.float64), unit, pixels), pixels))
        counted = near | (to_jump > reach)
    total = float(light[counted].sum())
    if not total > 0.0:
        return Legibility(0.0, 0.0)
    # Of an even line every pixel holds the same energy.
    length = float(np.linalg.norm(np.diff(lines, axis=1), axis=2).sum()) * unit
    lit = light > FAINT * total / max(length, 1.0)
    row, column = _pixel_of(points, pixels)
    shown = (distance_transform_edt(~lit) <= reach)[row, column] if lit.any() else np.zeros(len(points), bool)
    return Legibility(float(shown.mean()), float(light[near].sum()) / total)


def _light_of(samples: npt.ArrayLike, rate: float, pixels: int) -> Floats:
    """Energy in each pixel, of a phosphor that keeps all."""
    path = as_path(samples)
    light = Light(pixels, pixels, seen=Response(np.array([math.inf]), np.ones((1, 1))))
    way = Reconstruction(rate)
    if len(path):
        way.start_at(path[0])
    late = round(way.delay * rate * way.factor)
    points = np.concatenate([way.process(path), way.finish()])[late:]
    light.advance(points, rate * way.factor)
    light.finish(rate * way.factor)
    return light.energy


def _points_on(lines: Floats, unit: float, pixels: int) -> Floats:
    """Points in pixels, evenly along lines; each line has one at least."""
    ends = np.empty_like(lines)
    middle = 0.5 * pixels - 0.5
    ends[..., 0] = middle + unit * lines[..., 0]
    ends[..., 1] = middle - unit * lines[..., 1]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    count = np.ceil(_PER_PIXEL * length).astype(np.int64)
    owner = np.repeat(np.arange(len(ends)), count)
    within = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    share = ((within + 0.5) / count[owner])[:, None]
    return np.asarray(ends[owner, 0] + share * (ends[owner, 1] - ends[owner, 0]))


def _pixel_of(points: Floats, pixels: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    at = np.clip(np.rint(points), 0, pixels - 1).astype(np.int64)
    return at[:, 1], at[:, 0]


def _marked(points: Floats, pixels: int) -> npt.NDArray[np.bool_]:
    marked = np.zeros((pixels, pixels), bool)
    marked[_pixel_of(points, pixels)] = True
    return marked
