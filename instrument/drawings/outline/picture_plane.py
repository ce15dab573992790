"""Eye of an outline, and the plane in which it sees a model: where lines stay lines and what is nearer stays nearer."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Eye:
    """Place that a model is seen from.

    Attributes
    ----------
    direction : ndarray of float64, shape (3,)
        Unit vector from the origin towards the eye.
    distance : float
        Of the eye from the origin; infinite without perspective.
    """

    direction: NDArray[np.float64]
    distance: float = math.inf

    def rays(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return unit vectors from points [shape=(..., 3)] towards the eye."""
        if math.isinf(self.distance):
            return np.broadcast_to(self.direction, points.shape)
        away = self.direction * self.distance - points
        return np.asarray(away / np.linalg.norm(away, axis=-1, keepdims=True))

    def projected(self, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Project points as the place of a layer does: x / (1 - z / distance).

        The depth goes with them, z / (1 - z / distance), which keeps planes plane and the order along each ray.

        Parameters
        ----------
        points : ndarray of float64, shape (..., 3)

        Returns
        -------
        projected : ndarray of float64, shape (..., 3)
            Third coordinate towards the eye.
        nearness : ndarray of float64, shape (...,)
            1 - z / distance, by which they were divided.
        """
        flat = points @ self._axes()
        nearness = 1.0 - flat[..., 2] / self.distance
        return np.ascontiguousarray(flat / nearness[..., None]), nearness

    def _axes(self) -> NDArray[np.float64]:
        # Any two axes at right angles to the direction do: pictures that differ by rolling have the same lines.
        helper = np.zeros(3)
        helper[int(np.argmin(np.abs(self.direction)))] = 1.0
        across = np.cross(helper, self.direction)
        across /= np.linalg.norm(across)
        return np.stack([across, np.cross(self.direction, across), self.direction], axis=1)


def place_along(
    projected: NDArray[np.float64], begin: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how far along segments in space the places lie that are so far along them in the picture.

    Parameters
    ----------
    projected : ndarray of float64, shape (n,)
        Share of the way in the picture, 0 to 1.
    begin, end : ndarray of float64, shape (n,)
        Nearness of both ends, as `Eye.projected` gives it.

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    # The picture's point is the mean of the projected ends by share; in space each end weighs less the more it is enlarged.
    there = projected / end
    return np.asarray(there / ((1.0 - projected) / begin + there))
