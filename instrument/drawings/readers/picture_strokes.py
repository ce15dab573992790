"""Pictures as single lines: edges between light and dark, and the middles of brush strokes."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import Limits, check_count
from instrument.drawings.readers.pixel_chains import chains_of, smoothed

if TYPE_CHECKING:
    from numpy.typing import NDArray

_STEEPEST = 0.4
"""Change of brightness that the least sensitive tracing of edges still asks for; at half the sensitivity it is 0.2, the
default of scikit-image's Canny detector."""

_LEAST_BLUR = 0.5
"""Pixels of softening that belong to the detector itself."""

_SMOOTHING = 2.0
"""Pixels along a line over which its steps are taken out."""


def edge_lines(brightness: NDArray[np.float64], sensitivity: float, limits: Limits) -> list[NDArray[np.float64]]:
    """Follow the edges of a picture, where its brightness changes most.

    J. Canny, A computational approach to edge detection, IEEE Transactions on Pattern Analysis and Machine
    Intelligence 8 (1986), 679 to 698, as scikit-image has it.

    Parameters
    ----------
    brightness : ndarray of float64, shape (rows, columns)
        0 (black) to 1 (white), softened already.
    sensitivity : float
        0 finds the hardest edges only, 1 every one.
    limits : Limits

    Returns
    -------
    list of ndarray of float64, shape (k, 2)
        Columns and rows.
    """
    from skimage import feature

    detector: Any = feature.canny

    high = _STEEPEST * (1.0 - sensitivity)
    # The detector sees no edge in the outermost pixels; with a border those of the picture are inside. The least
    # softening only steadies the direction of its steepest way.
    padded = np.pad(brightness, 2, mode="edge")
    mask = np.asarray(detector(padded, sigma=_LEAST_BLUR, low_threshold=0.5 * high, high_threshold=high))[2:-2, 2:-2]
    check_count(int(mask.sum()), "points", limits)
    return [smoothed(line, _SMOOTHING) for line in chains_of(mask)]


def centre_lines(brightness: NDArray[np.float64], level: float, limits: Limits) -> list[NDArray[np.float64]]:
    """Follow the middles of what is darker than a level: of handwriting, or of lines drawn with a brush.

    Thinning: T. Y. Zhang and C. Y. Suen, A fast parallel algorithm for thinning digital patterns, Communications of the
    ACM 27 (1984), 236 to 239, as scikit-image has it.

    Parameters
    ----------
    brightness : ndarray of float64, shape (rows, columns)
    level : float
    limits : Limits

    Returns
    -------
    list of ndarray of float64, shape (k, 2)
        Columns and rows.
    """
    from scipy.ndimage import distance_transform_edt
    from skimage import morphology

    thinned: Any = morphology.skeletonize

    # Ink that touches the border ends there; a white margin lets the skeleton see that.
    ink = np.pad(brightness < level, 1)
    mask = np.asarray(thinned(ink))
    check_count(int(mask.sum()), "points", limits)
    width = np.asarray(distance_transform_edt(ink), np.float64)
    return [smoothed(line, _SMOOTHING) - 1.0 for line in chains_of(mask, width)]
