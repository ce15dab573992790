"""Outlines of a mesh from many directions, each routed and sampled; several processes share the directions."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.budget.fitted_route import fitted_route
from instrument.drawings.limits import DrawingError
from instrument.drawings.load import SampledFrames
from instrument.drawings.outline.forked_tasks import shared_out
from instrument.drawings.outline.picture_plane import Eye
from instrument.drawings.outline.surface import fitted, surface_of
from instrument.drawings.outline.viewpoints import NEAREST_EYE
from instrument.drawings.outline.visible_lines import visible_lines
from instrument.drawings.routing.closed_line import Figures
from instrument.drawings.routing.route import route
from instrument.drawings.routing.sampling import fit_to_box, sample

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.drawings.load import LoadOptions
    from instrument.drawings.outline.surface import Surface
    from instrument.drawings.readers.mesh_edges import Mesh
    from instrument.drawings.routing.closed_line import Route

    Progress = Callable[[str], None]

POINTS = 1024
"""Points of a direction's table unless the patch says how many: twice those of a round at 94 Hz and 48 kHz."""

SMOOTHEST = 1e-3
"""Points of a contour that matter less than this are left out (of the model's size): facets cut it finer than a display shows."""


def surface_to_draw(mesh: Mesh, options: LoadOptions) -> Surface:
    """Make the surface of a mesh, fitted as the drawing will be played.

    Raises
    ------
    DrawingError
        If it has no faces.
    """
    surface = surface_of(mesh, options.read.crease, options.read.tolerances)
    return fitted(surface, fit_to_box(surface.points)) if options.sampling.fit == "box" else surface


def eyes_of(surface: Surface, options: LoadOptions) -> list[Eye]:
    """Return the eyes of the viewpoints, outside of the surface."""
    radius = float(np.linalg.norm(surface.points, axis=1).max())
    distance = max(options.views.distance, NEAREST_EYE * radius)
    return [Eye(direction, distance) for direction in options.views.units()]


def outline_route(surface: Surface, eye: Eye, options: LoadOptions, progress: Progress | None = None) -> Route:
    """Route the outline that one eye sees.

    Raises
    ------
    DrawingError
        If it sees nothing.
    """
    drawing = visible_lines(surface, eye)
    if not len(drawing.edges):
        x, y, z = eye.direction
        raise DrawingError(f"from ({x:.2f}, {y:.2f}, {z:.2f}) there is no line to be seen of it")
    tolerances = replace(options.read.tolerances, simplify=max(options.read.tolerances.simplify, SMOOTHEST))
    if options.points is not None:
        return fitted_route(drawing, options.points, options.route, tolerances, progress)
    return route(drawing, options.route, tolerances, progress)


def outline_frames(
    surface: Surface, options: LoadOptions, progress: Progress | None = None, processes: int = 1
) -> SampledFrames:
    """Draw a surface from every viewpoint.

    Parameters
    ----------
    surface : Surface
    options : LoadOptions
    progress : callable, optional
        Called with words as directions are finished.
    processes : int
        Processes that share the work; more than one where the system can fork, and the caller has no threads.

    Returns
    -------
    SampledFrames
        In the order of the directions, however many processes there are.

    Raises
    ------
    DrawingError
        If nothing is seen from any direction.
    """
    eyes = eyes_of(surface, options)
    sampling = replace(options.sampling, points=options.sampling.points or POINTS, fit="original")

    def one(k: int) -> tuple[dict[str, Any], list[NDArray[Any]]]:
        try:
            found = outline_route(surface, eyes[k], options)
        except DrawingError as error:
            return {"refused": error.reason}, []
        line = sample(found, sampling)
        words = {"figures": asdict(found.figures), "warnings": found.warnings, "left_out": found.left_out.words}
        return words, [
            line.points,
            line.kinds,
            line.leaps.view(np.uint8),
        ]

    def tell(done: int) -> None:
        if progress is not None:
            progress(f"outline {done} of {len(eyes)}")

    answers = shared_out(one, len(eyes), processes, tell)
    seen = [k for k, (words, _) in enumerate(answers) if "refused" not in words]
    if not seen:
        raise DrawingError(answers[0][0]["refused"])
    # From where nothing is seen, such as a flat sheet from its edge, the beam takes the line of a neighbour.
    units = options.views.units()
    near = [seen[int(np.argmax(units[seen] @ units[k]))] for k in range(len(eyes))]
    warnings = dict.fromkeys(word for k in seen for word in answers[k][0]["warnings"])
    # One direction's words stand for all: each loses something else, and hundreds of sentences help nobody.
    fitted_ones = [words for k in seen if (words := answers[k][0]["left_out"])]
    left_out = tuple(f"{words} (from one direction)" for words in fitted_ones[:1])
    return SampledFrames(
        np.stack([answers[k][1][0] for k in near]),
        np.stack([answers[k][1][1] for k in near]),
        np.stack([answers[k][1][2] for k in near]) != 0,
        tuple(Figures(**answers[k][0]["figures"]) for k in near),
        (*surface.warnings, *warnings),
        left_out,
    )
