"""Closed lines: the options by which one is chosen, its figures, its steps and its corners."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import IntEnum
from typing import TYPE_CHECKING, Literal

import numpy as np

from instrument.drawings.limits import DEFAULT_TOLERANCES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.strokes import Drawing


class StepKind(IntEnum):
    """Kind of a step of the line."""

    DRAWN = 0
    REPEATED = 1
    JUMP = 2
    BRIDGE = 3


@dataclass(frozen=True)
class RouteOptions:
    """Options by which the line is chosen.

    Attributes
    ----------
    jump_cost : float
        A jump counts this many times its length against running again over lines already drawn, 0 or more.
        Infinity: only retrace, and jump only between pieces that do not touch.
    bridge_cost : float or None
        The same for running along a mesh's undrawn edges. None: three quarters of `jump_cost`, since a bridge
        keeps to the surface.
    neighbours : int
        To how many of the nearest odd vertices a jump is considered.
    straight : bool
        Flow straight on through crossings instead of turning back.
    order : {"near", "drawn"}
        Pieces that do not touch: visited with short jumps, or in the order they were drawn.
    start : tuple of float, optional
        The line begins at the vertex nearest to this place; by default at the first point drawn.
    reverse : bool
        Run the line the other way round.
    time_limit : float
        Seconds for the matching, before the best found so far is taken; small drawings are always solved.
    tour_time : float
        Seconds for shortening the jumps.
    """

    jump_cost: float = 4.0
    bridge_cost: float | None = None
    neighbours: int = 6
    straight: bool = True
    order: Literal["near", "drawn"] = "near"
    start: tuple[float, ...] | None = None
    reverse: bool = False
    time_limit: float = 10.0
    tour_time: float = 0.5

    def __post_init__(self) -> None:
        """Refuse costs and limits that mean nothing."""
        for name in ("jump_cost", "bridge_cost", "time_limit", "tour_time"):
            value = getattr(self, name)
            if value is not None and not value >= 0:
                raise ValueError(f"{name} must be a number of at least 0 (got {value})")
        if self.neighbours < 1:
            raise ValueError(f"neighbours must be at least 1 (got {self.neighbours})")
        if self.order not in {"near", "drawn"}:
            raise ValueError(f"order must be 'near' or 'drawn' (got {self.order!r})")


@dataclass(frozen=True)
class Figures:
    """Lengths and counts of a line, in the drawing's own units.

    Attributes
    ----------
    edges, vertices, components, odd_vertices : int
        Of the drawing, after welding.
    length : float
        All edges, each once.
    repeated_length : float
        What the line draws again.
    lower_bound : float
        The proven least repetition when only retracing is allowed (between pieces jumping costs nothing).
    jump_length, bridge_length : float
        What the line runs without drawing.
    jumps : int
    corners : int
        Places where the closed line has turned 10 degrees since the last such place.
    exact : bool
        Whether the repetition is the least there is for these options.
    slack : float
        By how much rounding in the matching could at most have missed the least.
    seconds : float
        Time taken by routing.
    """

    edges: int
    vertices: int
    components: int
    odd_vertices: int
    length: float
    repeated_length: float
    lower_bound: float
    jump_length: float
    bridge_length: float
    jumps: int
    corners: int
    exact: bool
    slack: float
    seconds: float


def no_lines() -> NDArray[np.float64]:
    """Empty list of lines."""
    return np.zeros((0, 2, 3))


@dataclass(frozen=True)
class LeftOut:
    """Parts of a drawing that were left out so that a cycle of some points shows the rest.

    Attributes
    ----------
    words : str
        Parts of a sentence; empty where nothing was.
    lines : ndarray of float64, shape (m, 2, 3)
        Lines of the whole drawing by their two ends, of which some are missing.
    """

    words: str = ""
    lines: NDArray[np.float64] = field(default_factory=no_lines)


@dataclass(frozen=True)
class Timing:
    """The time of a line's steps where they are not simply as long as they are, so that many frames can share it.

    Attributes
    ----------
    lasts : ndarray of float64, shape (k,)
        Each step's time, as a length at the speed on the line; jumps and bridges then go faster as anywhere.
    rests : ndarray of bool, shape (k,)
        The points that count as corners to rest on.
    """

    lasts: NDArray[np.float64]
    rests: NDArray[np.bool_]


@dataclass(frozen=True)
class Route:
    """One closed line over a drawing.

    Attributes
    ----------
    drawing : Drawing
        As it was welded; the route's vertices are its points.
    walk : ndarray of int64, shape (k,)
        Rows of the drawing's points. Step i runs from `walk[i]` to `walk[i + 1]`, the last one back to `walk[0]`.
    kinds : ndarray of uint8, shape (k,)
        The `StepKind` of each step.
    figures : Figures
    warnings : tuple of str
    left_out : LeftOut
    timing : Timing, optional
        For a frame of many that are run along in step. It is not sent from process to process: only sampling asks for it.
    """

    drawing: Drawing
    walk: NDArray[np.int64]
    kinds: NDArray[np.uint8]
    figures: Figures
    warnings: tuple[str, ...] = field(default=())
    left_out: LeftOut = field(default_factory=LeftOut)
    timing: Timing | None = None

    @property
    def line(self) -> NDArray[np.float64]:
        """Corner points of the closed line, float64, shape (k, 3), the first not repeated."""
        return self.drawing.points[self.walk]


def corner_steps(line: NDArray[np.float64], angle: float) -> NDArray[np.bool_]:
    """Mark the points at which a closed line has turned by `angle` since the last such point.

    Counted like this, a curve has as many corners as it needs straight pieces, however finely it is sampled.

    Parameters
    ----------
    line : ndarray of float64, shape (k, 3)
        The first point is not repeated. Points that coincide with the one before are no corners.
    angle : float
        Degrees, more than 0 and less than 180.

    Returns
    -------
    ndarray of bool, shape (k,)

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    >>> int(corner_steps(square, 10.0).sum())
    4
    """
    step = np.roll(line, -1, axis=0) - line
    length = np.sqrt(np.einsum("ij,ij->i", step, step))
    moves = np.flatnonzero(length > 0)
    corner = np.zeros(len(line), bool)
    if len(moves) < 2:
        return corner
    heading = step[moves] / length[moves, None]
    limit = math.cos(math.radians(angle))
    # A sharp turn is a corner whatever came before; only the gentle stretches between are followed one by one.
    sharp = np.einsum("ij,ij->i", heading, np.roll(heading, 1, axis=0)) < limit
    corner[moves[sharp]] = True
    gentle = ~sharp
    begin = int(np.argmax(sharp)) if sharp.any() else 0
    places = np.flatnonzero(gentle)
    places = np.roll(places, -int(np.searchsorted(places, begin)))
    headings = heading[places].tolist()
    # Behind a sharp turn its heading is the one to hold against.
    fresh = sharp[places - 1].tolist()
    hx, hy, hz = heading[-1].tolist()
    for place, new, (x, y, z) in zip(places.tolist(), fresh, headings, strict=True):
        if new:
            hx, hy, hz = heading[place - 1].tolist()
        if hx * x + hy * y + hz * z < limit:
            corner[moves[place]] = True
            hx, hy, hz = x, y, z
    return corner


SHARP_DEGREES = 10.0
"""Less than this is no corner, however long its sides are."""

FLATTENED = 1.5
"""Times the tolerance of flattening that the arc through two sides may stand out from them, and still be a curve that was made
straight: its pieces are of unequal length, and the last one is cut short."""


def sharp_corners(line: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark the points where a closed line bends at once, and not along a curve that was made straight.

    A curve that was flattened keeps within a tolerance of its pieces. So a point is one of a curve where the arc with the sides
    at the point as chords would keep as near to them: by half a side times the tangent of a quarter of the turn.

    Parameters
    ----------
    line : ndarray of float64, shape (k, 3)
        The first point is not repeated. Points that coincide with the one before are no corners.

    Returns
    -------
    ndarray of bool, shape (k,)

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    >>> turns = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    >>> circle = np.column_stack([np.cos(turns), np.sin(turns), 0 * turns])
    >>> int(sharp_corners(square).sum()), int(sharp_corners(circle).sum())
    (4, 0)
    """
    corner = np.zeros(len(line), bool)
    diagonal = float(np.linalg.norm(np.ptp(line, axis=0))) if len(line) else 0.0
    step = np.roll(line, -1, axis=0) - line
    length = np.sqrt(np.einsum("ij,ij->i", step, step))
    moves = np.flatnonzero(length > 0)
    if len(moves) < 2 or not diagonal > 0:
        return corner
    heading, side = step[moves] / length[moves, None], length[moves]
    cosine = np.einsum("ij,ij->i", heading, np.roll(heading, 1, axis=0))
    turn = np.arccos(np.clip(cosine, -1.0, 1.0))
    stands_out = 0.5 * np.minimum(side, np.roll(side, 1)) * np.tan(turn / 4)
    sharp = (turn > math.radians(SHARP_DEGREES)) & (stands_out > FLATTENED * DEFAULT_TOLERANCES.flatten * diagonal)
    corner[moves[sharp]] = True
    return corner
