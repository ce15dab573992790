"""Readers by file ending: the one door from a path to a drawing."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from instrument.drawings.budget.mesh_collapse import collapsed_within
from instrument.drawings.limits import DrawingError, Limits, Tolerances
from instrument.drawings.readers.file_contents import CompanionFolder, decode, read_bytes
from instrument.drawings.readers.film_frames import is_film, parse_film
from instrument.drawings.readers.gltf import parse_gltf
from instrument.drawings.readers.gltf_pose import parse_moving_gltf
from instrument.drawings.readers.lettering import Lettering, text_drawing
from instrument.drawings.readers.mesh_edges import Edges, Mesh, mesh_drawing
from instrument.drawings.readers.obj import parse_obj
from instrument.drawings.readers.off import parse_off
from instrument.drawings.readers.picture_contours import Tracing, parse_picture
from instrument.drawings.readers.ply import parse_ply
from instrument.drawings.readers.point_lists import parse_csv, parse_npy
from instrument.drawings.readers.stl import parse_stl
from instrument.drawings.readers.svg import parse_svg
from instrument.drawings.strokes import Drawing, check_finite, no_edges

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.drawings.readers.film_frames import Film
    from instrument.drawings.readers.moving_mesh import MovingMesh


Lines = Literal["edges", "outline"]


FASTEST = 1000.0
"""Frames a second at most; no eye and no film has more."""


@dataclass(frozen=True)
class ReadOptions:
    """Settings of the readers.

    Attributes
    ----------
    lines : {"edges", "outline"}
        What is drawn of a mesh: its edges, or what nothing hides of its outline from where it is seen.
    edges : {"all", "feature"}
        Which edges of a mesh are drawn.
    crease : float
        Degrees, 0 to 180: the angle between two faces above which their edge is a feature.
    lettering : Lettering
        For text files.
    tracing : Tracing
        For pictures and films.
    clip : str or None
        Animation of a glTF file, by its name; None draws the model at rest.
    frame_rate : float or None
        Frames a second: at which a clip or film is sampled, and at which a flip-book plays by itself. None: as many as a film
        has, 25 for a clip, and a flip-book that does not play by itself.
    tolerances : Tolerances
    limits : Limits
    """

    lines: Lines = "edges"
    edges: Edges = "all"
    crease: float = 30.0
    lettering: Lettering = field(default_factory=Lettering)
    tracing: Tracing = field(default_factory=Tracing)
    clip: str | None = None
    frame_rate: float | None = None
    tolerances: Tolerances = field(default_factory=Tolerances)
    limits: Limits = field(default_factory=Limits)

    def __post_init__(self) -> None:
        """Refuse what means nothing."""
        if self.lines not in {"edges", "outline"}:
            raise ValueError(f"lines must be 'edges' or 'outline' (got {self.lines!r})")
        if self.edges not in {"all", "feature"}:
            raise ValueError(f"edges must be 'all' or 'feature' (got {self.edges!r})")
        if not 0.0 <= self.crease <= 180.0:
            raise ValueError(f"crease must be from 0 to 180 degrees (got {self.crease})")
        if self.frame_rate is not None and not 0.0 < self.frame_rate <= FASTEST:
            raise ValueError(f"frame_rate must be above 0, up to {FASTEST:g} (got {self.frame_rate})")


def _mesh(parse: Callable[[bytes, Limits], Mesh]) -> Callable[[bytes, Path, ReadOptions], Drawing]:
    def read(content: bytes, path: Path, options: ReadOptions) -> Drawing:
        del path
        return _drawn(parse(content, options.limits), options)

    return read


def _gltf(content: bytes, path: Path, options: ReadOptions) -> Drawing:
    return _drawn(parse_gltf(content, CompanionFolder(path.parent, options.limits)), options)


def _drawn(mesh: Mesh, options: ReadOptions) -> Drawing:
    return mesh_drawing(simplified(mesh, options), options.edges, options.crease, options.tolerances)


def simplified(mesh: Mesh, options: ReadOptions) -> Mesh:
    """Leave out of a mesh what matters less than the tolerance `simplify`: faces, not points between crossings."""
    share = options.tolerances.simplify
    if share <= 0.0 or not len(mesh.sizes):
        return mesh
    check_finite(Drawing(mesh.points, no_edges()), options.tolerances)
    diagonal = float(np.linalg.norm(mesh.points.max(axis=0) - mesh.points.min(axis=0)))
    return collapsed_within(mesh, share * diagonal, options.tolerances)


def _svg(content: bytes, path: Path, options: ReadOptions) -> Drawing:
    del path
    return parse_svg(content, options.tolerances, options.limits)


def _text(content: bytes, path: Path, options: ReadOptions) -> Drawing:
    del path
    return text_drawing(decode(content), options.lettering, options.tolerances, options.limits)


def _picture(content: bytes, path: Path, options: ReadOptions) -> Drawing:
    del path
    return parse_picture(content, options.tracing, options.limits)


def _csv(content: bytes, path: Path, options: ReadOptions) -> Drawing:
    del path
    return parse_csv(content, options.limits)


def _npy(content: bytes, path: Path, options: ReadOptions) -> Drawing:
    del path
    return parse_npy(content, options.limits)


READERS: dict[str, Callable[[bytes, Path, ReadOptions], Drawing]] = {
    ".obj": _mesh(parse_obj),
    ".stl": _mesh(parse_stl),
    ".ply": _mesh(parse_ply),
    ".off": _mesh(parse_off),
    ".glb": _gltf,
    ".gltf": _gltf,
    ".svg": _svg,
    ".svgz": _svg,
    ".txt": _text,
    ".png": _picture,
    ".jpg": _picture,
    ".jpeg": _picture,
    ".csv": _csv,
    ".npy": _npy,
}


_EXPORT_FRAMES = "export its frames as numbered OBJ files into a folder, which is a flip-book"
_EXPORT_MESH = "export it as OBJ or glTF from the program that made it"
ELSEWHERE = {
    ".bvh": f"motion of a skeleton, which has no shape to draw; {_EXPORT_FRAMES}",
    ".abc": f"baked motion; {_EXPORT_FRAMES}",
    ".fbx": f"a scene; {_EXPORT_MESH}, and what moves in it as numbered OBJ files",
    ".blend": f"a working file; {_EXPORT_MESH}, and what moves in it as numbered OBJ files",
    ".dae": f"a scene; {_EXPORT_MESH}, and what moves in it as numbered OBJ files",
    ".usd": f"a scene; {_EXPORT_MESH}",
    ".usda": f"a scene; {_EXPORT_MESH}",
    ".usdc": f"a scene; {_EXPORT_MESH}",
    ".usdz": f"a scene; {_EXPORT_MESH}",
    ".3ds": f"a scene; {_EXPORT_MESH}",
    ".3mf": "a model for printing; export it as STL or OBJ",
    ".step": "a construction; export it as STL or OBJ",
    ".stp": "a construction; export it as STL or OBJ",
    ".dxf": "a technical drawing; export it as SVG",
    ".eps": "a drawing for print; export it as SVG",
    ".pdf": "a document; export the page as SVG",
    ".bmp": "a picture; export it as PNG",
    ".tif": "a picture; export it as PNG",
    ".tiff": "a picture; export it as PNG",
}
"""Files that are not read, with what they are and what is read instead."""

FILMS = (".mp4", ".mkv", ".webm", ".gif", ".webp")
"""Files that are always read as films; a ``.png`` is one if it is animated."""


def read_drawing(path: str | Path, options: ReadOptions | None = None) -> Drawing:
    """Read one drawing.

    Parameters
    ----------
    path : str or Path
    options : ReadOptions, optional

    Returns
    -------
    Drawing
        As it is in the file; nothing is welded yet.

    Raises
    ------
    DrawingError
        Always with the file's name, and the line where there is one.
    """
    path = Path(path)
    options = options or ReadOptions()
    reader = READERS.get(path.suffix.lower())
    if path.suffix.lower() in FILMS:
        raise DrawingError("a film is a drawing by itself; name no other one beside it", path.name)
    if reader is None:
        elsewhere = ELSEWHERE.get(path.suffix.lower())
        if elsewhere is not None:
            raise DrawingError(f"a {path.suffix.lower()} file is {elsewhere}", path.name)
        kinds = ", ".join(ending for ending in (*READERS, *FILMS))
        ending = repr(path.suffix) if path.suffix else "no ending"
        raise DrawingError(f"a file with {ending} is not read; what is read: {kinds}", path.name)
    content = read_bytes(path, options.limits)
    try:
        # A damaged number may be one that cannot be turned into another kind; it is refused with its place later.
        with np.errstate(all="ignore"):
            drawing = reader(content, path, options)
    except DrawingError as error:
        raise error.at(path.name) from error.__cause__
    if not len(drawing.edges):
        raise DrawingError(_nothing(drawing), path.name)
    return drawing


MESHES: dict[str, Callable[[bytes, Path, Limits], Mesh]] = {
    ".obj": lambda content, _, limits: parse_obj(content, limits),
    ".stl": lambda content, _, limits: parse_stl(content, limits),
    ".ply": lambda content, _, limits: parse_ply(content, limits),
    ".off": lambda content, _, limits: parse_off(content, limits),
    ".glb": lambda content, path, limits: parse_gltf(content, CompanionFolder(path.parent, limits)),
    ".gltf": lambda content, path, limits: parse_gltf(content, CompanionFolder(path.parent, limits)),
}
"""Files that hold surfaces, by their ending."""


def read_mesh(path: str | Path, options: ReadOptions | None = None) -> Mesh:
    """Read one mesh, faces and all.

    Parameters
    ----------
    path : str or Path
    options : ReadOptions, optional

    Returns
    -------
    Mesh

    Raises
    ------
    DrawingError
        Always with the file's name; also where it is no mesh.
    """
    path = Path(path)
    options = options or ReadOptions()
    parse = MESHES.get(path.suffix.lower())
    if parse is None:
        raise DrawingError(
            f'lines = "outline" is drawn of meshes alone ({", ".join(MESHES)}). Leave it out for this drawing',
            path.name,
        )
    content = read_bytes(path, options.limits)
    try:
        with np.errstate(all="ignore"):
            return simplified(parse(content, path, options.limits), options)
    except DrawingError as error:
        raise error.at(path.name) from error.__cause__


def read_moving(path: Path, clip: str, options: ReadOptions) -> MovingMesh:
    """Read a glTF file with one of its clips; errors as `read_drawing`."""
    if path.suffix.lower() not in {".glb", ".gltf"}:
        raise DrawingError("clip names an animation of a glTF file (.glb or .gltf), and this is none", path.name)
    content = read_bytes(path, options.limits)
    try:
        return parse_moving_gltf(content, clip, options.frame_rate, CompanionFolder(path.parent, options.limits))
    except DrawingError as error:
        raise error.at(path.name) from error.__cause__


def read_film(path: Path, options: ReadOptions, progress: Callable[[str], None] | None = None) -> Film | None:
    """Read a film or an animated picture, None where it is neither; errors as `read_drawing`."""
    ending = path.suffix.lower()
    if ending not in FILMS and ending != ".png":
        return None
    content = read_bytes(path, options.limits)
    if not is_film(ending, content):
        return None
    try:
        resolution = options.tracing.resolution
        return parse_film(content, ending, resolution, options.frame_rate, options.limits, progress)
    except DrawingError as error:
        raise error.at(path.name) from error.__cause__


def _nothing(drawing: Drawing) -> str:
    points = len(drawing.points)
    if points == 1:
        return "it holds one point, and a line needs two"
    if points:
        return f"it holds {points:,} points, but no line, face or edge between them"
    return "there is nothing to draw in it"
