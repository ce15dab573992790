"""SVG files: every shape by its outline, curves flattened."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import gzip
import io
import math
import re
import zlib
from typing import TYPE_CHECKING, Any
from xml.etree.ElementTree import Element, ParseError, tostring

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DEFAULT_TOLERANCES, DrawingError, Limits, Tolerances, check_count
from instrument.drawings.readers.svg_tree import SHAPES, drawable, parse_xml
from instrument.drawings.strokes import Drawing, arc_pieces, flatten_bezier, from_strokes

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Iterable

    from numpy.typing import NDArray

# CSS 2.1, section 4.3.2: an inch is 96 pixels.
PIXELS_PER_INCH = 96
# SVG 1.1, section 4.2: a number, with a unit or a percent sign; `auto` is SVG 2's default for corner radii.
LENGTHS = frozenset({"x", "y", "width", "height", "rx", "ry", "r", "cx", "cy", "x1", "y1", "x2", "y2"})
LENGTH = re.compile(r"^\s*([+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*([a-zA-Z]{1,4}|%)?|auto)\s*$")
NOTHING = re.compile(r"^\s*[+-]?0*\.?0+\s*([a-zA-Z]{1,4}|%)?\s*$")
HIDDEN = re.compile(r"\bdisplay\s*:\s*none\b", re.IGNORECASE)
GZIP_MAGIC = b"\x1f\x8b"
# What a library may raise on attributes that nobody tried it on; anything else is a fault of ours.
LIBRARY_ERRORS = (
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AttributeError,
    ArithmeticError,
    RecursionError,
    ParseError,
)


def parse_svg(content: bytes, tolerances: Tolerances = DEFAULT_TOLERANCES, limits: Limits = DEFAULT_LIMITS) -> Drawing:
    """Read an SVG file as strokes, with y upwards.

    Shapes are drawn by their outline whether they are filled or stroked; what a viewer would not show is left out. A
    shape that cannot be read costs that shape and a warning, not the file. Coordinates are those of the file, wherever its
    view begins.

    Parameters
    ----------
    content : bytes
        The file; compressed (.svgz) or not.
    tolerances : Tolerances
        `flatten` says how far curves may be left.
    limits : Limits

    Returns
    -------
    Drawing

    Raises
    ------
    DrawingError
        If it is no SVG, breaks a limit, or shows nothing.
    """
    root, left_out = drawable(parse_xml(_unpacked(content, limits)))
    _drop_broken(root, left_out)
    if HIDDEN.search(f"display:{root.get('display', '')};{root.get('style', '')}"):
        left_out["drawing that hides itself (display: none)"] += 1
    shapes, origin = _shapes(root, left_out)
    warnings = [f"{count} left out: {what}" for what, count in left_out.items()]
    size = _rough_size(shapes)
    if size == 0.0:
        seen = f" ({'; '.join(warnings)})" if warnings else ""
        raise DrawingError(f"nothing in it can be drawn{seen}")
    strokes: list[NDArray[np.float64]] = []
    points = 0
    for path in shapes:
        for stroke in _strokes(path, tolerances.flatten * size):
            points += len(stroke)
            check_count(points, "points", limits)
            strokes.append((stroke - origin) * (1.0, -1.0))
    return from_strokes(strokes, warnings)


def _unpacked(content: bytes, limits: Limits) -> bytes:
    if not content.startswith(GZIP_MAGIC):
        return content
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(content)) as stream:
            # One byte more than allowed tells that there is more, without taking it.
            unpacked = stream.read(limits.file_bytes + 1)
    except (OSError, EOFError, zlib.error) as error:
        raise DrawingError(f"the compressed file is damaged ({error})") from None
    if len(unpacked) > limits.file_bytes:
        raise DrawingError(f"unpacked it has more than {limits.file_bytes:,} bytes, which is the limit")
    return unpacked


def _drop_broken(parent: Element, left_out: Counter[str]) -> None:
    """Take out the shapes that the library cannot read, before one of them costs the file."""
    for child in list(parent):
        if child.tag in SHAPES:
            fault = _fault(child)
            if fault:
                left_out[fault] += 1
                parent.remove(child)
        else:
            _drop_broken(child, left_out)


def _fault(element: Element) -> str | None:
    """Fault of a shape in words; None if it can be drawn."""
    from svgelements import Circle, Ellipse, Matrix, Path, Polygon, Polyline, Rect, SimpleLine

    makers = {
        "circle": Circle, "ellipse": Ellipse, "line": SimpleLine, "polygon": Polygon, "polyline": Polyline,
        "rect": Rect,
    }  # fmt: skip
    # The library takes a default for a length that is none; better left out than drawn wrong.
    for name in LENGTHS & element.attrib.keys():
        if not LENGTH.match(element.attrib[name]):
            return f"<{element.tag}> that cannot be read ({name} is {element.attrib[name][:40]!r})"
    try:
        if element.tag == "path":
            if not element.get("d", "").strip():
                return "paths without data"
            shape = Path(element.get("d"))
        else:
            shape = makers[element.tag](dict(element.attrib))
            shape.render(ppi=PIXELS_PER_INCH, width=1000, height=1000)
        Matrix(element.get("transform", ""))
        Path(shape)
    except LIBRARY_ERRORS as error:
        return f"<{element.tag}> that cannot be read ({str(error)[:80] or type(error).__name__})"
    return None


def _shapes(root: Element, left_out: Counter[str]) -> tuple[list[Any], NDArray[np.float64]]:
    """Every shape that is seen as a path on the page, and where on it the file's own origin lies."""
    from svgelements import SVG, Path, Shape

    try:
        document = SVG.parse(io.BytesIO(tostring(root, encoding="utf-8")), reify=False, ppi=PIXELS_PER_INCH)
        # The library gives nothing at all where the root itself is hidden.
        found = [] if document is None else [e for e in document.elements() if isinstance(e, Shape)]
        seen = []
        for shape in found:
            why = _unseen(shape.values)
            if why:
                left_out[why] += 1
            else:
                seen.append(shape)
        origin = _origin(document)
        return [path for path in (abs(Path(shape)) for shape in seen) if _is_finite(path)], origin
    except LIBRARY_ERRORS as error:
        raise DrawingError(f"the file cannot be read as SVG ({str(error)[:80] or type(error).__name__})") from None


def _origin(document: Any) -> NDArray[np.float64]:
    """Place on the page that coordinates are counted from: the library counts from where the view box begins."""
    from svgelements import Matrix

    box = getattr(document, "viewbox", None)
    if box is None or box.x is None or box.y is None:
        return np.zeros(2)
    view = Matrix(document.viewbox_transform)
    origin = -np.array([float(view.a) * float(box.x), float(view.d) * float(box.y)])
    return origin if np.isfinite(origin).all() else np.zeros(2)


def _unseen(values: Any) -> str:
    """Say why no viewer shows a shape, by its own and inherited properties (SVG 1.1, chapter 11); empty where one does."""
    if str(values.get("visibility") or "visible").strip().lower() in {"hidden", "collapse"}:
        return "shapes that hide themselves (visibility)"
    filled = _paints(values, "fill")
    stroked = _paints(values, "stroke") and not _is_nothing(values.get("stroke-width"))
    if not filled and not stroked:
        return "shapes with neither fill nor stroke"
    return "shapes that are wholly transparent (opacity)" if _is_nothing(values.get("opacity")) else ""


def _paints(values: Any, what: str) -> bool:
    # Without a word a shape is filled black and not stroked.
    paint = str(values.get(what) or ("black" if what == "fill" else "none")).strip().lower()
    return paint not in {"none", "transparent"} and not _is_nothing(values.get(f"{what}-opacity"))


def _is_nothing(number: Any) -> bool:
    return bool(NOTHING.match(str(number))) if number is not None else False


def _corners(path: Any) -> NDArray[np.float64]:
    """All end and control points of a path."""
    points = []
    for segment in path:
        for name in ("start", "control", "control1", "control2", "end"):
            point = getattr(segment, name, None)
            if point is not None:
                points.append((float(point.x), float(point.y)))
    return np.asarray(points, np.float64).reshape(-1, 2)


def _is_finite(path: Any) -> bool:
    return bool(np.isfinite(_corners(path)).all())


def _rough_size(paths: Iterable[Any]) -> float:
    corners = [points for points in map(_corners, paths) if len(points)]
    if not corners:
        return 0.0
    together = np.concatenate(corners)
    return float(np.linalg.norm(together.max(axis=0) - together.min(axis=0)))


def _strokes(path: Any, tolerance: float) -> Iterable[NDArray[np.float64]]:
    """Strokes of one path; a move begins a new one."""
    from svgelements import Arc, Close, Move

    pieces: list[NDArray[np.float64]] = []
    for segment in path:
        if isinstance(segment, Move):
            if pieces:
                yield np.concatenate(pieces)
            pieces = []
            continue
        if segment.start is None or segment.end is None:
            continue
        if isinstance(segment, Close) and segment.start == segment.end:
            # What was closed already is no edge of no length.
            continue
        line = _arc(segment, tolerance) if isinstance(segment, Arc) else flatten_bezier(_control(segment), tolerance)
        pieces.append(line if not pieces else line[1:])
    if pieces:
        yield np.concatenate(pieces)


def _control(segment: Any) -> list[tuple[float, float]]:
    names = ("start", "control", "control1", "control2", "end")
    points = [getattr(segment, name, None) for name in names]
    return [(float(point.x), float(point.y)) for point in points if point is not None]


def _arc(arc: Any, tolerance: float) -> NDArray[np.float64]:
    radius = max(float(arc.rx), float(arc.ry))
    ends = _control(arc)
    if not math.isfinite(radius) or radius == 0.0:
        return np.asarray(ends, np.float64)
    pieces = arc_pieces(radius, float(arc.sweep), tolerance)
    inner = np.asarray(arc.npoint(np.linspace(0.0, 1.0, pieces + 1)[1:-1]), np.float64).reshape(-1, 2)
    line = np.concatenate([np.asarray(ends[:1]), inner, np.asarray(ends[-1:])])
    return np.asarray(line[np.isfinite(line).all(axis=1)])
