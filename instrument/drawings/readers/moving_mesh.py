"""Meshes that move: one topology, and where its points are in each frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from instrument.drawings.readers.mesh_edges import Mesh

FRAME_RATE = 25.0
"""Frames a second that a clip is sampled at unless it is told: between them points go straight."""


@dataclass(frozen=True)
class MovingMesh:
    """A mesh whose points move.

    Attributes
    ----------
    mesh : Mesh
        Faces and lines, with the points of the first frame.
    frames : int
        At least 1.
    seconds : float
        Time of all frames; 0 where they have none of their own.
    points_at : callable
        `points_at(frame)` gives the points of a frame, float64, shape (n, 3).
    """

    mesh: Mesh
    frames: int
    seconds: float
    points_at: Callable[[int], NDArray[np.float64]]


def of_one_topology(meshes: Sequence[Mesh]) -> MovingMesh | None:
    """Take meshes as the frames of one, if only their points differ; None where anything else does.

    Examples
    --------
    >>> from instrument.drawings.readers.mesh_edges import Mesh
    >>> flat, high = np.zeros((2, 3)), np.ones((2, 3))
    >>> line = np.array([[0, 1]])
    >>> of_one_topology([Mesh(flat, lines=line), Mesh(high, lines=line)]).frames
    2
    >>> of_one_topology([Mesh(flat, lines=line), Mesh(high, lines=line[:0])])
    """
    first = meshes[0]
    for other in meshes[1:]:
        same = len(first.points) == len(other.points) and all(
            np.array_equal(getattr(first, name), getattr(other, name)) for name in ("corners", "sizes", "lines")
        )
        if not same:
            return None
    return MovingMesh(first, len(meshes), 0.0, lambda frame: meshes[frame].points)


def frame_count(seconds: float, frame_rate: float | None, limits: Limits = DEFAULT_LIMITS) -> int:
    """Count the frames of a clip.

    Parameters
    ----------
    seconds : float
    frame_rate : float, optional
        Frames a second; `FRAME_RATE` unless given.
    limits : Limits

    Raises
    ------
    DrawingError
        If there are more than are allowed.

    Examples
    --------
    >>> frame_count(2.0, None)
    50
    """
    rate = frame_rate or FRAME_RATE
    wanted = seconds * rate
    if not wanted <= limits.frames:
        slower = limits.frames / seconds
        raise DrawingError(
            f"it lasts {seconds:,.6g} s, and {rate:g} frames a second are more than {limits.frames:,} frames, which is "
            f"the limit. Set frame_rate to {0.99 * slower:.3g} or less, or raise limits.frames"
        )
    return max(1, round(wanted))
