"""Routes: a drawing as one closed line, with as little repetition and jumping as can be proven."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_TOLERANCES, Tolerances
from instrument.drawings.routing.closed_line import Figures, Route, RouteOptions, StepKind, corner_steps
from instrument.drawings.routing.closing_edges import ClosingGraph
from instrument.drawings.routing.component_jumps import jumps_between
from instrument.drawings.routing.edge_arrays import component_labels, degrees, first_occurrences
from instrument.drawings.routing.euler_circuit import euler_circuit, snapped_to_grid
from instrument.drawings.routing.jump_order import walk_steps
from instrument.drawings.routing.weld import simplify, weld
from instrument.drawings.strokes import Drawing, edge_lengths

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.drawings.routing.t_join import TJoin

    Progress = Callable[[str], None]


def route(
    drawing: Drawing,
    options: RouteOptions | None = None,
    tolerances: Tolerances = DEFAULT_TOLERANCES,
    progress: Progress | None = None,
) -> Route:
    """Run over every edge of a drawing and return to the start.

    Parameters
    ----------
    drawing : Drawing
    options : RouteOptions, optional
    tolerances : Tolerances
    progress : callable, optional
        Called with the name of each stage as it begins: weld, match, join, walk.

    Returns
    -------
    Route

    Raises
    ------
    DrawingError
        If there is nothing to draw.

    See Also
    --------
    instrument.drawings.load.find_routes : the same from files.
    instrument.drawings.routing.sampling.sample : the line as a table of points.
    """
    began = time.perf_counter()
    (progress or _silent)("weld")
    found = route_welded(simplify(weld(drawing, tolerances), tolerances), options, tolerances, progress)
    return replace(found, figures=replace(found.figures, seconds=time.perf_counter() - began))


def route_welded(
    welded: Drawing,
    options: RouteOptions | None = None,
    tolerances: Tolerances = DEFAULT_TOLERANCES,
    progress: Progress | None = None,
) -> Route:
    """Run over every edge of a drawing whose points are to stay as they are; else as `route`.

    Parameters
    ----------
    welded : Drawing
        Every point is used; no edge is there twice, or from a point to itself.
    options, tolerances, progress
        As for `route`.

    Returns
    -------
    Route
        Its drawing has the points of `welded`, in their order.
    """
    options = options or RouteOptions()
    report = progress or _silent
    began = time.perf_counter()
    # From here on the drawing lies within the unit box. Lengths are taken in units of its size: squares of very large or small numbers stay numbers.
    low, size = _bounding_frame(welded)
    points = (welded.points - low) / size
    # Costs and bends are weighed on a grid on which they are exact, so that ties are ties on every machine and the same
    # drawing is the same line everywhere; lengths in the report are those of the points as they are.
    places = snapped_to_grid(points)
    report("match")
    graph = ClosingGraph(places, welded.edges, welded.bridges, options)
    report("join")
    chosen, kinds, join, bound = graph.close()
    chosen, kinds = _with_jumps(places, chosen, kinds, len(points), options)
    report("walk")
    halves = euler_circuit(chosen, places, kinds == StepKind.JUMP, straight=options.straight)
    walk, kind, edge = walk_steps(points, chosen, kinds, halves, options)
    start = None if options.start is None else (_start_point(options.start) - low) / size
    walk, kind = _rotated_to_start(points, walk, kind, edge, int(welded.edges[0, 0]), start, reverse=options.reverse)
    lengths = edge_lengths(points, np.stack([walk, np.roll(walk, -1)], axis=1)) * size
    figures = Figures(
        edges=len(welded.edges),
        vertices=int((degrees(welded.edges, len(points)) > 0).sum()),
        components=graph.components,
        odd_vertices=int(graph.odd.sum()),
        length=float(lengths[kind == StepKind.DRAWN].sum()),
        repeated_length=float(lengths[kind == StepKind.REPEATED].sum()),
        lower_bound=bound.bound * size,
        jump_length=float(lengths[kind == StepKind.JUMP].sum()),
        bridge_length=float(lengths[kind == StepKind.BRIDGE].sum()),
        jumps=int((kind == StepKind.JUMP).sum()),
        corners=int(corner_steps(points[walk], tolerances.corner_degrees).sum()),
        exact=join.exact,
        slack=join.slack * size,
        seconds=time.perf_counter() - began,
    )
    return Route(welded, walk, kind, figures, welded.warnings + _bound_warning(figures, join, options))


def _silent(stage: str) -> None:
    del stage


def _bounding_frame(drawing: Drawing) -> tuple[NDArray[np.float64], float]:
    drawn = drawing.points[drawing.edges.ravel()]
    low, high = drawn.min(axis=0), drawn.max(axis=0)
    return low, float(np.linalg.norm(high - low))


def _start_point(start: tuple[float, ...]) -> NDArray[np.float64]:
    return np.asarray((*start, 0.0, 0.0)[:3], np.float64)


def _bound_warning(figures: Figures, join: TJoin, options: RouteOptions) -> tuple[str, ...]:
    if join.exact:
        return ()
    above = 100 * (join.weight / join.bound - 1) if join.bound > 0 else math.inf
    words = (
        f"the best line was not found within {options.time_limit:g} s for {figures.edges} edges; this one is at "
        f"most {above:.0f} percent above the proven bound. Allow more time, or simplify the drawing"
    )
    return (words,)


def _with_jumps(
    points: NDArray[np.float64],
    edges: NDArray[np.int64],
    kinds: NDArray[np.uint8],
    count: int,
    options: RouteOptions,
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Add jumps between the pieces."""
    used = np.flatnonzero(degrees(edges, count))
    label = component_labels(edges, count)[used]
    _, label = np.unique(label, return_inverse=True)
    jumps = used[jumps_between(points[used], label, options.order, options.tour_time)]
    more = np.full(len(jumps), StepKind.JUMP, np.uint8)
    return np.concatenate([edges, jumps]), np.concatenate([kinds, more])


def _rotated_to_start(
    points: NDArray[np.float64],
    walk: NDArray[np.int64],
    kind: NDArray[np.uint8],
    edge: NDArray[np.int64],
    first_vertex: int,
    start: NDArray[np.float64] | None,
    *,
    reverse: bool,
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Turn the walk so that it begins where it should, the way the first edge was drawn; name repetitions."""
    first = int(np.flatnonzero(edge == 0)[0])
    if walk[first] != first_vertex:
        walk, kind = _backwards(walk, kind)
        first = int(np.flatnonzero(edge[::-1] == 0)[0])
    begin = first if start is None else int(np.argmin(np.linalg.norm(points[walk] - start, axis=1)))
    walk, kind = np.roll(walk, -begin), np.roll(kind, -begin)
    if reverse:
        walk, kind = _backwards(walk, kind)
    return walk, _name_repeated(walk, kind)


def _backwards(walk: NDArray[np.int64], kind: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Run a closed walk the other way; it begins at the same vertex."""
    return np.roll(walk, -1)[::-1], kind[::-1]


def _name_repeated(walk: NDArray[np.int64], kind: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Call the first run over an edge drawn and the second repeated."""
    kind = kind.copy()
    rows = np.flatnonzero(kind <= StepKind.REPEATED)
    here, there = walk[rows], np.roll(walk, -1)[rows]
    first = first_occurrences(np.minimum(here, there) * (int(walk.max()) + 1) + np.maximum(here, there))
    kind[rows] = StepKind.REPEATED
    kind[rows[first]] = StepKind.DRAWN
    return kind
