"""The one line of a mesh that moves: found once, and run along the same edges in every frame."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DEFAULT_TOLERANCES, DrawingError, Limits, Tolerances
from instrument.drawings.readers.mesh_edges import Edges, mesh_drawing
from instrument.drawings.routing.closed_line import Route, RouteOptions, StepKind, Timing, corner_steps
from instrument.drawings.routing.edge_arrays import first_occurrences
from instrument.drawings.routing.route import route_welded
from instrument.drawings.routing.weld import representatives
from instrument.drawings.strokes import Drawing, check_finite, edge_lengths, no_edges

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.drawings.readers.moving_mesh import MovingMesh

    Progress = Callable[[str], None]

LOOKED_AT = 16
"""Frames, spread over all, in which points must coincide to be one; and of which the largest is where the line is found."""

APART = 64.0
"""Tolerances by which points that are not one, but meet where the line is found, are held apart there."""

ROOM = 8
"""Points of all frames together, in terms of `Limits.points`: 24 bytes each."""


def moving_routes(
    moving: MovingMesh,
    edges: Edges = "all",
    crease: float = 30.0,
    options: RouteOptions | None = None,
    tolerances: Tolerances = DEFAULT_TOLERANCES,
    limits: Limits = DEFAULT_LIMITS,
    progress: Progress | None = None,
) -> list[Route]:
    """Find one line and lay it over every frame.

    Parameters
    ----------
    moving : MovingMesh
    edges, crease
        As for `mesh_drawing`; creases are those of the frame in which the line is found.
    options, tolerances, limits, progress
        As for `route`.

    Returns
    -------
    list of Route
        One a frame, with the same walk, kinds and timing. A point at the same share of two of them lies on the same edge at
        the same place, so that one bends into the other without a jump.

    Raises
    ------
    DrawingError
        If there is nothing to draw, or a coordinate is not a finite number.
    """
    if not len(moving.mesh.points):
        raise DrawingError("there is nothing to draw: no line, edge or curve was found")
    drawn, rows = _welded(moving, edges, crease, tolerances)
    if len(rows) * moving.frames > ROOM * limits.points:
        raise DrawingError(
            f"{moving.frames:,} frames of {len(rows):,} points; at most {ROOM * limits.points:,} points are allowed together. "
            "Simplify the model, or set frame_rate lower"
        )
    found = route_welded(drawn, options, tolerances, progress)
    if progress is not None:
        progress("frames")
    shapes = []
    for frame in range(moving.frames):
        points = moving.points_at(frame)[rows]
        check_finite(Drawing(points, no_edges()), tolerances)
        shapes.append(points)
    steps = np.stack([found.walk, np.roll(found.walk, -1)], axis=1)
    lengths = np.array([edge_lengths(points, steps) for points in shapes])
    rests = corner_steps(found.line, tolerances.corner_degrees)
    timing = Timing(lengths.mean(axis=0), rests)
    warnings = found.warnings
    if tolerances.simplify > 0.0:
        warnings += ("simplify is not used for a model that moves, whose points all matter somewhere",)
    return [
        replace(
            found,
            drawing=Drawing(points, drawn.edges, drawn.bridges),
            figures=replace(
                found.figures,
                length=float(row[found.kinds == StepKind.DRAWN].sum()),
                repeated_length=float(row[found.kinds == StepKind.REPEATED].sum()),
                jump_length=float(row[found.kinds == StepKind.JUMP].sum()),
                bridge_length=float(row[found.kinds == StepKind.BRIDGE].sum()),
            ),
            warnings=warnings,
            timing=timing,
        )
        for points, row in zip(shapes, lengths, strict=True)
    ]


def _welded(
    moving: MovingMesh, edges: Edges, crease: float, tolerances: Tolerances
) -> tuple[Drawing, NDArray[np.int64]]:
    """Return the drawing in which the line is found, and which points of the mesh its points are."""
    looked_at = sorted({round(k) for k in np.linspace(0, moving.frames - 1, min(LOOKED_AT, moving.frames))})
    poses = [moving.points_at(frame) for frame in looked_at]
    for pose in poses:
        check_finite(Drawing(pose, no_edges()), tolerances)
    sizes = [float(np.linalg.norm(pose.max(axis=0) - pose.min(axis=0))) for pose in poses]
    size = max(sizes)
    to = _one_everywhere(poses, tolerances.coincident * size)
    pose = _held_apart(poses[sizes.index(size)], to, tolerances.coincident * size)
    mesh = replace(moving.mesh, points=pose, corners=to[moving.mesh.corners], lines=to[moving.mesh.lines])
    drawing = mesh_drawing(mesh, edges, crease, tolerances)
    drawn = _once(drawing.edges)
    if not len(drawn):
        raise DrawingError("there is nothing to draw: no line, edge or curve was found")
    bridges = _once(drawing.bridges)
    used = np.zeros(len(pose), bool)
    used[drawn.ravel()] = used[bridges.ravel()] = True
    number = np.cumsum(used) - 1
    welded = Drawing(pose[used], number[drawn], number[bridges], drawing.warnings)
    return welded, np.flatnonzero(used)


def _one_everywhere(poses: list[NDArray[np.float64]], tolerance: float) -> NDArray[np.int64]:
    """Find for each point the first of those that coincide with it in every pose."""
    label = representatives(poses[0], tolerance)
    for pose in poses[1:]:
        pairs = np.stack([label, representatives(pose, tolerance)], axis=1)
        _, first, group = np.unique(pairs, axis=0, return_index=True, return_inverse=True)
        label = first[group.ravel()]
    return np.asarray(label, np.int64)


def _held_apart(pose: NDArray[np.float64], to: NDArray[np.int64], tolerance: float) -> NDArray[np.float64]:
    """Move points that only meet by chance of the pose a little, so that they are not taken for one."""
    own = np.flatnonzero(to == np.arange(len(to)))
    meets = own[representatives(pose[own], tolerance) != np.arange(len(own))]
    apart = pose.copy()
    away = np.random.default_rng(0).normal(size=(len(meets), 3))
    apart[meets] += APART * tolerance * away / np.linalg.norm(away, axis=1, keepdims=True)
    return np.asarray(apart[to])


def _once(edges: NDArray[np.int64]) -> NDArray[np.int64]:
    edges = edges[edges[:, 0] != edges[:, 1]]
    if not len(edges):
        return edges
    return edges[first_occurrences(np.minimum(*edges.T) * (int(edges.max()) + 1) + np.maximum(*edges.T))]
