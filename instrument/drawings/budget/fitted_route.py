"""Routes that fit the points of a cycle: a drawing, or the mesh it is made of, reduced until the line is short enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from instrument.drawings.budget.mesh_collapse import FEWEST_FACES, collapsed, triangle_count
from instrument.drawings.budget.points_needed import points_expected, points_needed
from instrument.drawings.budget.stroke_budget import Budgeted, within_budget
from instrument.drawings.limits import DEFAULT_TOLERANCES, Tolerances
from instrument.drawings.routing.closed_line import LeftOut, Route, RouteOptions
from instrument.drawings.routing.route import route
from instrument.drawings.routing.weld import weld

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from instrument.drawings.readers.mesh_edges import Mesh
    from instrument.drawings.strokes import Drawing

    Progress = Callable[[str], None]

ROUNDS = 4
"""Times that a goal is corrected by what the routed line really needs; the second is within a tenth as a rule."""

FACE_ROUNDS = 7
"""Meshes that are tried, with more faces or fewer."""

ENOUGH = 0.9
"""A line that needs this share of the points is near enough, and none richer is looked for."""

FEWEST_POINTS = 8
"""A budget of fewer points is taken as this."""

CONSIDERED = 40.0
"""Times the budget that strokes are routed at; a drawing that needs more is reduced first, which is quicker."""


def fitted_route(
    drawing: Drawing,
    points: float,
    options: RouteOptions | None = None,
    tolerances: Tolerances = DEFAULT_TOLERANCES,
    progress: Progress | None = None,
) -> Route:
    """Route a drawing so that a cycle of so many points shows it; what matters least is left out.

    Parameters
    ----------
    drawing : Drawing
    points : float
        Of one cycle: the sample rate over the pitch.
    options, tolerances, progress
        As for `route`.

    Returns
    -------
    Route
        Its `left_out` says what is missing.

    Raises
    ------
    DrawingError
        If there is nothing to draw.
    """
    points = max(points, FEWEST_POINTS)
    welded = weld(drawing, tolerances)
    if points_expected(welded) <= CONSIDERED * points:
        found = route(welded, options, tolerances, progress)
        if points_needed(found) <= points:
            return found
    best: tuple[Budgeted, Route] | None = None
    goal = float(points)
    for _ in range(ROUNDS):
        kept = within_budget(welded, goal, tolerances)
        found = route(kept.drawing, options, tolerances, progress)
        needs = points_needed(found)
        best = _better(best, (kept, found), points)
        if ENOUGH * points <= needs <= points or (needs < points and not kept.detail):
            break
        goal *= 0.5 * (1 + ENOUGH) * points / needs
    assert best is not None  # noqa: S101 (there is at least one round)
    return _told(welded, *best)


def fitted_mesh_route(
    mesh: Mesh,
    draw: Callable[[Mesh], Drawing],
    creases: Callable[[Mesh], Drawing],
    points: float,
    options: RouteOptions | None = None,
    tolerances: Tolerances = DEFAULT_TOLERANCES,
    progress: Progress | None = None,
) -> Route:
    """Route the edges of a mesh so that a cycle of so many points shows them; the mesh gets fewer faces first.

    Parameters
    ----------
    mesh : Mesh
    draw : callable
        Edges that are drawn of a mesh.
    creases : callable
        Those of them that do not lie within a flat part of the surface; drawn where all are too many.
    points, options, tolerances, progress
        As for `fitted_route`.

    Returns
    -------
    Route

    Raises
    ------
    DrawingError
        If there is nothing to draw.
    """
    points = max(points, FEWEST_POINTS)
    attempt = _Attempt(points, options, tolerances, progress)
    whole = attempt.of(draw(mesh))
    if whole.fits and whole.route is not None:
        return whole.route
    # What lies within a flat part of the surface shows nothing of its shape, and leaves before anything else.
    best, words = attempt.of(creases(mesh)), "lines within flat faces"
    faces = triangle_count(mesh)
    if not best.fits and faces > FEWEST_FACES:
        best, left = _of_fewer_faces(mesh, creases, best, attempt)
        words = f"{faces - left:,} of {faces:,} triangles" if left < faces else words
    found = best.route
    if found is None or not best.fits:
        # Parts that do not hang together cannot be collapsed below a few faces each.
        found = fitted_route(best.drawing, points, options, tolerances, progress)
        words = ", then ".join(part for part in (words, found.left_out.words) if part)
    return replace(found, left_out=LeftOut(words, _lines(whole.drawing)))


@dataclass(frozen=True)
class _Tried:
    """Drawing with the points that it needs, and its route where finding one was worth while."""

    drawing: Drawing
    needs: float
    fits: bool
    route: Route | None


@dataclass(frozen=True)
class _Attempt:
    """Everything that a drawing is routed by, and the points that it has."""

    points: float
    options: RouteOptions | None
    tolerances: Tolerances
    progress: Progress | None

    def of(self, drawing: Drawing) -> _Tried:
        """Weld a drawing, and route it unless it is far too rich: that would take long, and be thrown away."""
        welded = weld(drawing, self.tolerances)
        needs = points_expected(welded)
        if needs > CONSIDERED * self.points:
            return _Tried(welded, needs, fits=False, route=None)
        found = route(welded, self.options, self.tolerances, self.progress)
        needs = float(points_needed(found))
        return _Tried(welded, needs, needs <= self.points, found)


def _of_fewer_faces(mesh: Mesh, draw: Callable[[Mesh], Drawing], rich: _Tried, attempt: _Attempt) -> tuple[_Tried, int]:
    """Find the most faces that fit, or the fewest there can be; return how many triangles they are besides."""
    points, best, left_of_best = attempt.points, rich, triangle_count(mesh)
    fits, exceeds = FEWEST_FACES - 1, left_of_best
    goal, needs = float(exceeds), rich.needs
    for _ in range(FACE_ROUNDS):
        # The edges of a surface are as long together as the root of their number.
        goal *= (0.5 * (1 + ENOUGH) * points / needs) ** 2
        if not fits < goal < exceeds:
            goal = math.sqrt(max(fits, 1) * exceeds)
        wanted = min(max(round(goal), fits + 1), exceeds - 1)
        if not fits < wanted < exceeds:
            break
        if attempt.progress is not None:
            attempt.progress("reduce")
        fewer = collapsed(mesh, wanted, attempt.tolerances)
        tried, left = attempt.of(draw(fewer)), triangle_count(fewer)
        needs = tried.needs
        if _fits_better(needs, best.needs, points):
            best, left_of_best = tried, left
        if ENOUGH * points <= needs <= points:
            break
        # A mesh may not let itself be collapsed as far as was wanted.
        if needs <= points:
            fits = max(wanted, left)
        elif left <= 2 * wanted:
            exceeds = wanted
        else:
            break
    return best, left_of_best


def _better(
    best: tuple[Budgeted, Route] | None, other: tuple[Budgeted, Route], points: float
) -> tuple[Budgeted, Route]:
    if best is None or _fits_better(points_needed(other[1]), points_needed(best[1]), points):
        return other
    return best


def _fits_better(needs: float, others: float, points: float) -> bool:
    """Whether one need fits a budget better than another: the richest within it, else the least above."""
    if needs <= points:
        return others > points or needs > others
    return needs < others


def _told(whole: Drawing, kept: Budgeted, found: Route) -> Route:
    words = []
    if kept.strokes:
        words.append(f"{kept.strokes:,} of {kept.of_strokes:,} strokes")
    if kept.points:
        words.append(f"{kept.points:,} points of lines")
    if kept.detail and words:
        words[-1] += f" (details below {100 * kept.detail:.2g} percent of its size)"
    return replace(found, left_out=LeftOut(" and ".join(words), _lines(whole))) if words else found


def _lines(drawing: Drawing) -> NDArray[np.float64]:
    """Lines of a drawing by their ends [shape=(m, 2, 3)]."""
    return drawing.points[drawing.edges]
