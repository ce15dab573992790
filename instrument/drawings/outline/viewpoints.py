"""Directions that a model is seen from: evenly about it, and the order in which neighbours follow one another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.sampling import aligned, best_alignment
from instrument.drawings.routing.whole_strokes import turned_leaps

if TYPE_CHECKING:
    from numpy.typing import NDArray

NEAREST_EYE = 1.25
"""Distance of the eye at least, of the model's radius: nearer, parts of the model would be behind it."""


@dataclass(frozen=True)
class Viewpoints:
    """Places of the eye, all equally far from the middle of the model.

    Attributes
    ----------
    directions : tuple of (float, float, float)
        Towards the eye, in the model's own axes; of any length but 0.
    distance : float
        In units of the drawing as it is played, so that 1 is half of its largest extent; infinite without
        perspective. One within the model is moved out of it.
    """

    directions: tuple[tuple[float, float, float], ...] = ((0.0, 0.0, 1.0),)
    distance: float = math.inf

    def __post_init__(self) -> None:
        """Refuse directions that lead nowhere."""
        table = np.asarray(self.directions, np.float64)
        if table.ndim != 2 or table.shape[1:] != (3,) or not np.isfinite(table).all():
            raise ValueError("a direction is three finite numbers")
        if not np.any(table != 0.0, axis=1).all() or math.isnan(self.distance):
            raise ValueError("a direction and a distance are more than nothing")

    def units(self) -> NDArray[np.float64]:
        """Return the directions as unit vectors [shape=(d, 3)]."""
        table = np.asarray(self.directions, np.float64)
        return np.asarray(table / np.linalg.norm(table, axis=1, keepdims=True))


def sphere_directions(count: int) -> NDArray[np.float64]:
    """Spread directions evenly over a sphere.

    Points of a spiral at the golden angle (R. Swinbank and R. J. Purser, 2006, from memory). The widest gap between a
    direction and the nearest of them is at most 2.75 / sqrt(count) radians.

    Parameters
    ----------
    count : int

    Returns
    -------
    ndarray of float64, shape (count, 3)

    Examples
    --------
    >>> bool(np.allclose(np.linalg.norm(sphere_directions(100), axis=1), 1.0))
    True
    """
    k = np.arange(count)
    height = 1.0 - (2.0 * k + 1.0) / max(count, 1)
    radius = np.sqrt(1.0 - height * height)
    angle = k * (math.pi * (3.0 - math.sqrt(5.0)))
    return np.stack([radius * np.cos(angle), height, radius * np.sin(angle)], axis=1)


def aligned_views(
    paths: NDArray[np.float64], leaps: NDArray[np.bool_], directions: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Let each direction's line begin, and run, as that of the direction nearest to it.

    The pen then goes on where it was when the engine changes from one direction to a neighbour of it.

    Parameters
    ----------
    paths : ndarray of float64, shape (d, n, 3)
    leaps : ndarray of bool, shape (d, n)
        Where the way to the next point is a jump.
    directions : ndarray of float64, shape (d, 3)
        Unit vectors.

    Returns
    -------
    ndarray of float64, shape (d, n, 3)
    ndarray of bool, shape (d, n)
    """
    found, leaping = np.array(paths), np.array(leaps)
    waiting = np.ones(len(paths), bool)
    likeness = np.full(len(paths), -np.inf)
    towards = np.zeros(len(paths), np.int64)
    # A tree of nearest neighbours, grown from the first (R. C. Prim, 1957): no line is far from the one it goes by.
    here = 0
    for _ in range(len(paths)):
        waiting[here] = False
        near = directions @ directions[here]
        closer = waiting & (near > likeness)
        likeness[closer], towards[closer] = near[closer], here
        if not waiting.any():
            break
        here = int(np.argmax(np.where(waiting, likeness, -np.inf)))
        shift, backwards = best_alignment(found[here], found[towards[here]])
        found[here] = aligned(found[here], shift, backwards=backwards)
        leaping[here] = turned_leaps(leaping[here], shift, backwards=backwards)
    return found, leaping
