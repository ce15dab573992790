"""Points that one cycle needs to show a routed line, and what a drawing will need before it is routed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.closed_line import StepKind
from instrument.drawings.routing.edge_arrays import component_labels, degrees
from instrument.drawings.strokes import edge_lengths

if TYPE_CHECKING:
    from instrument.drawings.routing.closed_line import Route
    from instrument.drawings.strokes import Drawing

POINTS_PER_SIZE = 10.0
"""Points that a line needs which is as long as the drawing's longer side. Between samples the beam runs in band-limited curves,
which leave a corner by about a tenth of the way between two of them; with ten points that is a hundredth of the drawing."""

POINTS_PER_JUMP = 4.0
"""Points that a jump needs besides: a converter's filter rings after a jump, and spoils so many points of the line."""

# Both are measured: of 24 icons and 8 drawings of the factory set, each played at 40 to 300 points a cycle, nine in ten are told
# rightly by them as legible or not (95 percent of light and lines agree, `instrument.measure.legibility`).

JUMP_SPEED = 16.0
"""Speed on jumps and bridges, of that on the line, which is usual."""


def longer_side(drawing: Drawing) -> float:
    """Largest extent of the drawn edges along an axis, in the drawing's own units; 0 where nothing is drawn."""
    drawn = drawing.points[drawing.edges.ravel()]
    return float(np.ptp(drawn, axis=0).max()) if len(drawn) else 0.0


def points_needed(found: Route, jump_speed: float = JUMP_SPEED) -> int:
    """Count the points of a cycle that show a routed line: one for each corner, and enough for its length and its jumps.

    Parameters
    ----------
    found : Route
    jump_speed : float
        Speed on jumps and bridges, of that on the line; above 0, may be infinite.

    Returns
    -------
    int
        At least 2.
    """
    figures, side = found.figures, longer_side(found.drawing)
    away = (figures.jump_length + figures.bridge_length) / jump_speed
    length = (figures.length + figures.repeated_length + away) / side if side > 0 else 0.0
    # A bridge is run as fast as a jump, and as many of its steps in a row are one.
    leaps = found.kinds >= StepKind.JUMP
    begun = int((leaps & ~np.roll(leaps, 1)).sum())
    return max(2, figures.corners, math.ceil(POINTS_PER_SIZE * length + POINTS_PER_JUMP * begun))


def points_expected(drawing: Drawing) -> float:
    """Estimate what `points_needed` will say of a welded drawing once it is routed.

    Between two vertices where an odd number of lines meet, about half of a stroke is run again, and a jump leads to each
    further piece; a corner is where the line bends.

    Parameters
    ----------
    drawing : Drawing
        Welded.
    """
    side = longer_side(drawing)
    if not side > 0:
        return 0.0
    count = len(drawing.points)
    degree = degrees(drawing.edges, count)
    odd, pieces = int((degree % 2).sum()), len(np.unique(component_labels(drawing.edges, count)[degree > 0]))
    length = float(edge_lengths(drawing.points, drawing.edges).sum())
    strokes = max(1.0, 0.5 * float(degree[degree != 2].sum()))
    length *= 1 + 0.25 * min(odd / strokes, 1.0)
    by_length = POINTS_PER_SIZE * length / side + POINTS_PER_JUMP * (pieces - 1 if pieces > 1 else 0)
    return max(by_length, float(len(drawing.edges)))
