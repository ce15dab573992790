"""Drawings on their way from files to the engine: read, routed, sampled, and the frames of a flip-book laid together."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.budget.fitted_route import fitted_mesh_route, fitted_route
from instrument.drawings.budget.mesh_collapse import SMOOTH
from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits
from instrument.drawings.outline.viewpoints import Viewpoints
from instrument.drawings.readers.by_ending import (
    MESHES,
    READERS,
    ReadOptions,
    read_drawing,
    read_film,
    read_mesh,
    read_moving,
)
from instrument.drawings.readers.lettering import text_drawing
from instrument.drawings.readers.mesh_edges import mesh_drawing
from instrument.drawings.readers.moving_mesh import of_one_topology
from instrument.drawings.routing.closed_line import Figures, Route, RouteOptions
from instrument.drawings.routing.film_line import film_routes
from instrument.drawings.routing.moving_line import moving_routes
from instrument.drawings.routing.route import route
from instrument.drawings.routing.sampling import Sampling, aligned, best_alignment, default_point_count, sample
from instrument.drawings.routing.whole_strokes import turned_leaps

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from instrument.drawings.readers.mesh_edges import Mesh
    from instrument.drawings.readers.moving_mesh import MovingMesh
    from instrument.drawings.strokes import Drawing

    Progress = Callable[[str], None]


MOST_SAMPLED = 1 << 21
"""Points of all frames together unless a patch asks for more: 1,024 in each frame of a minute of film."""

FEWEST_SAMPLED = 256

NUMBER = re.compile(r"\d+")


def frame_files(paths: Sequence[str | Path], limits: Limits = DEFAULT_LIMITS) -> list[Path]:
    """List the drawings that a player named: each file, and a folder's numbered drawings in order.

    Parameters
    ----------
    paths : sequence of str or Path
    limits : Limits

    Returns
    -------
    list of Path
        At least one.

    Raises
    ------
    DrawingError
        If a folder holds no numbered drawing, or there are too many.
    """
    found: list[Path] = []
    for path in map(Path, paths):
        found += _numbered(path) if path.is_dir() else [path]
    if not found:
        raise DrawingError("no drawing was named")
    if len(found) > limits.frames:
        raise DrawingError(f"{len(found):,} frames; at most {limits.frames:,} are allowed")
    return found


def _numbered(folder: Path) -> list[Path]:
    drawings = [
        (int(numbers[-1]), path.name, path)
        for path in folder.iterdir()
        if path.suffix.lower() in READERS and path.is_file() and (numbers := NUMBER.findall(path.stem))
    ]
    if not drawings:
        raise DrawingError(
            "the folder holds no numbered drawing; name its frames heron_1.svg, heron_2.svg and so on",
            folder.name,
        )
    return [path for _, _, path in sorted(drawings)]


@dataclass(frozen=True)
class LoadOptions:
    """Everything that can be set about a drawing.

    Attributes
    ----------
    read : ReadOptions
    route : RouteOptions
    sampling : Sampling
    points : float or None
        Points of one cycle that the drawing is fitted to, above 0; None draws all of it.
    views : Viewpoints
        Where a mesh is seen from whose outline is drawn.
    """

    read: ReadOptions = field(default_factory=ReadOptions)
    route: RouteOptions = field(default_factory=RouteOptions)
    sampling: Sampling = field(default_factory=Sampling)
    points: float | None = None
    views: Viewpoints = field(default_factory=Viewpoints)

    def __post_init__(self) -> None:
        """Refuse a budget that means nothing."""
        if self.points is not None and not self.points > 0:
            raise ValueError(f"points must be a number above 0 (got {self.points})")


@dataclass(frozen=True)
class SampledFrames:
    """One drawing, or the frames of a flip-book, as the engine takes them.

    Attributes
    ----------
    points : ndarray of float64, shape (frames, n, 3)
        One cycle a frame at constant pen speed; the first point is not repeated. Frames are fitted together, so
        that they keep their sizes and places against one another, and begin where they lie closest.
    kinds : ndarray of uint8, shape (frames, n)
        The `StepKind` of line that each point lies on.
    leaps : ndarray of bool, shape (frames, n)
        Where the way to the next point is a jump that takes no time in the table; the engine eases it.
    figures : tuple of Figures
        For each frame.
    warnings : tuple of str
    left_out : tuple of str
        What was left out so that a cycle of some points shows the rest.
    seconds : float
        Time of all frames at their own speed; 0 where they have none.
    """

    points: NDArray[np.float64]
    kinds: NDArray[np.uint8]
    leaps: NDArray[np.bool_]
    figures: tuple[Figures, ...]
    warnings: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    seconds: float = 0.0


@dataclass(frozen=True)
class FoundLine:
    """The lines of one drawing, or of all frames, and their time.

    Attributes
    ----------
    routes : list of Route
        One a frame; those of a model that moves and of a film have a timing, by which they are in step.
    seconds : float
        Time of all frames at their own speed; 0 where they have none.
    """

    routes: list[Route]
    seconds: float = 0.0


def find_routes(
    paths: Sequence[str | Path] = (),
    text: str | None = None,
    options: LoadOptions | None = None,
    progress: Progress | None = None,
) -> list[Route]:
    """Read and route one drawing, a flip-book, or text; of an outline, the line for each direction.

    Parameters
    ----------
    paths : sequence of str or Path
        Files or a numbered folder; more than one drawing makes a flip-book.
    text : str, optional
        Drawn instead of files.
    options : LoadOptions, optional
    progress : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    list of Route

    Raises
    ------
    DrawingError
    """
    return find_line(paths, text, options, progress).routes


def find_line(
    paths: Sequence[str | Path] = (),
    text: str | None = None,
    options: LoadOptions | None = None,
    progress: Progress | None = None,
) -> FoundLine:
    """Read and route as `find_routes`, and tell the time of the frames as well."""
    options = options or LoadOptions()
    reading = options.read
    if text is not None:
        drawing = text_drawing(text, reading.lettering, reading.tolerances, reading.limits)
        return FoundLine([_routed(drawing, options, progress)])
    report = progress or _silent
    files = frame_files(paths, reading.limits)
    report(f"read {files[0].name}")
    moving = _in_step(files, options, report)
    if moving is not None:
        return moving
    routes = _one_by_one(files, options, progress)
    own = len(routes) / reading.frame_rate if reading.frame_rate is not None and len(routes) > 1 else 0.0
    return FoundLine(routes, own)


def _silent(stage: str) -> None:
    del stage


def _in_step(files: list[Path], options: LoadOptions, report: Progress) -> FoundLine | None:
    """Return the frames of what moves by itself: a clip, a film, a mesh in many files; None for anything else."""
    reading = options.read
    meshes: MovingMesh | None = None
    name = files[0].name
    if reading.clip is not None:
        if len(files) > 1:
            raise DrawingError(
                f"clip = {reading.clip[:60]!r} belongs to one glTF file, and {len(files)} drawings are named"
            )
        meshes = read_moving(files[0], reading.clip, reading)
    elif len(files) == 1:
        film = read_film(files[0], reading, report)
        if film is None:
            return None
        seconds, notes = film.seconds, film.warnings
        try:
            routes, more = film_routes(film, reading.tracing, reading.limits, report)
        except DrawingError as error:
            raise error.at(name) from error.__cause__
        routes[0] = replace(routes[0], warnings=(*notes, *more))
        return FoundLine(routes, seconds)
    elif all(path.suffix.lower() in MESHES for path in files):
        meshes = of_one_topology([read_mesh(path, reading) for path in files])
    if meshes is None:
        return None
    own = meshes.frames / reading.frame_rate if reading.frame_rate is not None else 0.0
    try:
        routes = moving_routes(
            meshes, reading.edges, reading.crease, options.route, reading.tolerances, reading.limits, report
        )
    except DrawingError as error:
        raise error.at(name) from error.__cause__
    return FoundLine(routes, meshes.seconds or own)


def _one_by_one(files: list[Path], options: LoadOptions, progress: Progress | None) -> list[Route]:
    found = []
    for number, path in enumerate(files):
        if progress is not None and number:
            progress(f"read {path.name}")
        try:
            if options.read.lines == "outline":
                # Its libraries are heavy, and most drawings have no need of them.
                from instrument.drawings.outline.outline_frames import (  # noqa: PLC0415
                    eyes_of,
                    outline_route,
                    surface_to_draw,
                )

                surface = surface_to_draw(read_mesh(path, options.read), options)
                found += [outline_route(surface, eye, options, progress) for eye in eyes_of(surface, options)]
            else:
                found.append(_routed_file(path, options, progress))
        except DrawingError as error:
            raise error.at(path.name) from error.__cause__
    return found


def _routed_file(path: Path, options: LoadOptions, progress: Progress | None) -> Route:
    drawing = read_drawing(path, options.read)
    if options.points is None or path.suffix.lower() not in MESHES:
        return _routed(drawing, options, progress)
    # Read twice, for the first reading has told what is wrong with the file, and the faces are wanted now.
    return _routed_mesh(read_mesh(path, options.read), options, progress)


def _routed_mesh(mesh: Mesh, options: LoadOptions, progress: Progress | None) -> Route:
    read = options.read
    assert options.points is not None  # noqa: S101 (asked for a fitted route)

    def draw(mesh: Mesh) -> Drawing:
        return mesh_drawing(mesh, read.edges, read.crease, read.tolerances)

    def creases(mesh: Mesh) -> Drawing:
        crease = max(SMOOTH, read.crease) if read.edges == "feature" else SMOOTH
        return mesh_drawing(mesh, "feature", crease, read.tolerances)

    return fitted_mesh_route(mesh, draw, creases, options.points, options.route, read.tolerances, progress)


def _routed(drawing: Drawing, options: LoadOptions, progress: Progress | None) -> Route:
    if options.points is not None:
        return fitted_route(drawing, options.points, options.route, options.read.tolerances, progress)
    return route(drawing, options.route, options.read.tolerances, progress)


def sample_frames(routes: Sequence[Route], sampling: Sampling, seconds: float = 0.0) -> SampledFrames:
    """Sample routes as the frames of one flip-book.

    Parameters
    ----------
    routes : sequence of Route
        At least one.
    sampling : Sampling
    seconds : float
        Time of all of them at their own speed; 0 where they have none.

    Returns
    -------
    SampledFrames
        Frames that are in step keep the beginning and the direction they have.
    """
    boxes = np.array([(found.line.min(axis=0), found.line.max(axis=0)) for found in routes])
    together = (boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0))
    axes = 3 if boxes[:, :, 2].any() else 2
    count = sampling.count(_point_count(routes), len(routes), axes)
    in_step = all(found.timing is not None for found in routes)
    frames = [sample(found, replace(sampling, points=count), together) for found in routes]
    points, kinds, leaps = [frames[0].points], [frames[0].kinds], [frames[0].leaps]
    for frame in frames[1:]:
        if in_step:
            points.append(frame.points)
            kinds.append(frame.kinds)
            leaps.append(frame.leaps)
            continue
        shift, backwards = best_alignment(frame.points, points[-1])
        points.append(aligned(frame.points, shift, backwards=backwards))
        kinds.append(aligned(frame.kinds, shift, backwards=backwards))
        leaps.append(turned_leaps(frame.leaps, shift, backwards=backwards))
    warnings = dict.fromkeys(word for frame in frames for word in frame.warnings)
    figures = tuple(f.figures for f in frames)
    left_out = tuple(dict.fromkeys(found.left_out.words for found in routes if found.left_out.words))
    return SampledFrames(
        np.stack(points), np.stack(kinds), np.stack(leaps), figures, tuple(warnings), left_out, seconds
    )


def _point_count(routes: Sequence[Route]) -> int:
    count = max(map(default_point_count, routes))
    while len(routes) > 1 and count * len(routes) > MOST_SAMPLED and count > FEWEST_SAMPLED:
        count //= 2
    return count


def load(
    paths: Sequence[str | Path] = (),
    text: str | None = None,
    options: LoadOptions | None = None,
    progress: Progress | None = None,
    processes: int = 1,
) -> SampledFrames:
    """Read, route and sample in this process; `isolation.Worker` does the same in one of its own.

    Parameters
    ----------
    paths, text, options, progress
        As for `find_routes`.
    processes : int
        Processes that may share in drawing an outline from many directions.

    Returns
    -------
    SampledFrames
    """
    options = options or LoadOptions()
    if options.read.lines == "outline":
        return _outlines(paths, options, progress, processes)
    found = find_line(paths, text, options, progress)
    return sample_frames(found.routes, options.sampling, found.seconds)


def _outlines(
    paths: Sequence[str | Path], options: LoadOptions, progress: Progress | None, processes: int
) -> SampledFrames:
    from instrument.drawings.outline.outline_frames import outline_frames, surface_to_draw  # noqa: PLC0415

    files = frame_files(paths, options.read.limits) if paths else []
    if len(files) != 1:
        raise DrawingError(
            f'lines = "outline" draws one mesh, and here are {len(files)} drawings. Give each mesh a layer of its own'
        )
    if options.read.clip is not None:
        raise DrawingError(
            'lines = "outline" draws a model at rest, for every frame of a clip would need all directions anew. '
            "Leave out clip, or draw its edges",
            files[0].name,
        )
    if progress is not None:
        progress(f"read {files[0].name}")
    try:
        surface = surface_to_draw(read_mesh(files[0], options.read), options)
        return outline_frames(surface, options, progress, processes)
    except DrawingError as error:
        raise error.at(files[0].name) from error.__cause__
