"""Whether a drawing is legible at the pitch it is played: the samples of one cycle beside its corners."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.parameters import index_of

if TYPE_CHECKING:
    import numpy.typing as npt

A4_KEY = 69.0
"""Key at which `pen.frequency` sounds as written."""

SEMITONES = 12.0

WIDEST = "blurred: 99,999 points for {corners:,} corners"
"""The room kept for the words; beyond it nobody reads on."""


def legibility(record: npt.NDArray[np.void], rate: float, drawings: Any) -> tuple[str, str]:
    """Say how many samples draw one cycle of the drawing that has fewest for its corners.

    A drawing with more corners than samples in a cycle blurs (common practice, no source).

    Parameters
    ----------
    record : np.ndarray
        The engine's memory; links are not heeded.
    rate : float
        Samples a second.
    drawings : list of dict
        What the stage says under ``legible``: `layer`, from 1, and `corners`. Anything else gives no words.

    Returns
    -------
    words, widest : str
        Nothing where nothing is drawn; the longest that the words may become.
    """
    values = record["instances"][int(record["active"])]["value"]
    found: list[tuple[float, float, int]] = []
    for drawing in drawings if isinstance(drawings, list) else []:
        try:
            layer, corners = int(drawing["layer"]), int(drawing["corners"])
            names = (f"layer.{layer}.pen.{name}" for name in ("frequency", "key", "bend"))
            frequency, key, bend = (values[index_of(name)] for name in names)
        except (KeyError, TypeError, ValueError):
            continue
        with np.errstate(all="ignore"):
            points = rate / abs(frequency * np.exp2((key + bend - A4_KEY) / SEMITONES))
        if corners > 0 and np.isfinite(points):
            found.append((float(points) / corners, float(points), corners))
    if not found:
        return "", ""
    share, points, corners = min(found)
    words = f"{min(int(points), 99_999):,} points for {corners:,} corners"
    return f"blurred: {words}" if share < 1.0 else words, WIDEST.format(corners=corners)
