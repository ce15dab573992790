"""Drawings that are too rich for their pitch: more corners than one cycle has points, and what mends that."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.route_report import highest_legible
from instrument.patch.patch_drawings import corner_counts, cycle_points
from instrument.patch.schema.sources import Drawing, Lettering

if TYPE_CHECKING:
    from collections.abc import Mapping

    from instrument.patch.drawing_cache import SampledDrawing
    from instrument.patch.schema.patch_schema import Patch


def rich_layers(patch: Patch, drawings: Mapping[int, SampledDrawing], rate: float) -> list[str]:
    """Say of each layer whose path has more corners than a cycle has points what to do about it.

    Parameters
    ----------
    patch : Patch
    drawings : mapping of int to SampledDrawing
        Its drawings by layer, counted from 0.
    rate : float
        Sample rate in hertz.

    Returns
    -------
    list of str
        One sentence for each such layer, or two.
    """
    found = []
    for number, corners in corner_counts(patch, drawings):
        points = cycle_points(patch, number - 1, rate)
        if not np.isfinite(points) or corners <= points:
            continue
        source = patch.layer[number - 1].source
        lower = f"play it at {highest_legible(corners, rate):.3g} Hz or lower"
        fits = isinstance(source, Drawing | Lettering) and source.points is None
        mend = f'Write points = "auto" in its source, or {lower}.' if fits else f"{lower[0].upper()}{lower[1:]}."
        found.append(
            f"layer {number} has {corners:,} corners, and at {rate / points:.4g} Hz one cycle has {points:,.0f} points "
            f"at {rate:g} samples a second, so that it blurs. {mend}"
        )
    return found


def drawing_remarks(drawings: Mapping[int, SampledDrawing]) -> list[str]:
    """Say what was left out of each drawing, on purpose or because it could not be drawn.

    Parameters
    ----------
    drawings : mapping of int to SampledDrawing
        By layer, counted from 0.
    """
    found = []
    for layer, drawn in drawings.items():
        found += [f"layer {layer + 1}: {word}" for word in drawn.warnings]
        found += [f"layer {layer + 1}: left out to fit its points: {word}" for word in drawn.left_out]
    return found
