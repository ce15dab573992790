"""Messages between the instrument and the process that reads drawings: JSON for words, raw bytes for arrays."""

from __future__ import annotations

import json
import math
import struct
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import Limits, Tolerances
from instrument.drawings.load import LoadOptions, SampledFrames
from instrument.drawings.outline.viewpoints import Viewpoints
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.readers.lettering import Lettering
from instrument.drawings.readers.picture_contours import Tracing
from instrument.drawings.routing.closed_line import Figures, LeftOut, Route, RouteOptions
from instrument.drawings.routing.sampling import Sampling
from instrument.drawings.strokes import Drawing

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

# Length of the JSON and of the arrays behind it.
HEAD = struct.Struct("<QQ")
MISSING = 3
"""Status of a process that lacks a library."""

INSTALLING_SECONDS = 900.0
"""Seconds that the first drawing waits while libraries are being installed behind the first picture."""

# Arrays are taken as these kinds alone: nothing that arrives is ever run. Pickle would run what the other side sends, and
# the other side has just read a stranger's file.
KINDS = frozenset({"<f8", "<i8", "|u1"})


def pack(words: dict[str, Any], arrays: Sequence[NDArray[Any]] = ()) -> bytes:
    """Make one message.

    Parameters
    ----------
    words : dict
        Anything JSON can say.
    arrays : sequence of ndarray of float64, int64 or uint8

    Returns
    -------
    bytes
    """
    shapes = [{"kind": array.dtype.str, "shape": array.shape} for array in arrays]
    text = json.dumps({**words, "arrays": shapes}).encode()
    body = b"".join(np.ascontiguousarray(array).tobytes() for array in arrays)
    return HEAD.pack(len(text), len(body)) + text + body


def unpack(read: Callable[[int], bytes]) -> tuple[dict[str, Any], list[NDArray[Any]]]:
    """Take one message apart.

    Parameters
    ----------
    read : callable
        `read(n)` gives exactly n bytes, or raises EOFError.

    Returns
    -------
    words : dict
    arrays : list of ndarray

    Raises
    ------
    ValueError
        If an array is of another kind than the ones that are sent.

    Examples
    --------
    >>> import io
    >>> unpack(io.BytesIO(pack({"done": True}, [np.arange(3)])).read)
    ({'done': True}, [array([0, 1, 2])])
    """
    text_bytes, body_bytes = HEAD.unpack(read(HEAD.size))
    words: dict[str, Any] = json.loads(read(text_bytes))
    body = read(body_bytes)
    arrays = []
    offset = 0
    for shape in words.pop("arrays"):
        if shape["kind"] not in KINDS:
            raise ValueError(f"arrays of kind {shape['kind']!r} are not sent")
        count = math.prod(shape["shape"])
        arrays.append(np.frombuffer(body, shape["kind"], count, offset).reshape(shape["shape"]).copy())
        offset += arrays[-1].nbytes
    return words, arrays


def options_to_json(options: LoadOptions) -> dict[str, Any]:
    """Options as a dict that JSON can carry."""
    words = asdict(options)
    words["read"]["lettering"]["font"] = str(options.read.lettering.font)
    return words


def options_from_json(words: dict[str, Any]) -> LoadOptions:
    """Options from such a dict.

    Examples
    --------
    >>> options_from_json(json.loads(json.dumps(options_to_json(LoadOptions())))) == LoadOptions()
    True
    """
    read = dict(words["read"])
    tracing = read["tracing"]
    if isinstance(tracing["levels"], list):
        tracing = {**tracing, "levels": tuple(tracing["levels"])}
    routing = dict(words["route"])
    if routing["start"] is not None:
        routing["start"] = tuple(routing["start"])
    return LoadOptions(
        ReadOptions(
            lines=read["lines"],
            edges=read["edges"],
            crease=read["crease"],
            lettering=Lettering(**read["lettering"]),
            tracing=Tracing(**tracing),
            clip=read["clip"],
            frame_rate=read["frame_rate"],
            tolerances=Tolerances(**read["tolerances"]),
            limits=Limits(**read["limits"]),
        ),
        RouteOptions(**routing),
        Sampling(**words["sampling"]),
        words["points"],
        Viewpoints(tuple(map(tuple, words["views"]["directions"])), words["views"]["distance"]),
    )


def pack_routes(routes: Sequence[Route]) -> bytes:
    """Make the message that holds routes."""
    arrays = [
        array
        for r in routes
        for array in (r.drawing.points, r.drawing.edges, r.drawing.bridges, r.walk, r.kinds, r.left_out.lines)
    ]
    words = [
        {
            "figures": asdict(r.figures),
            "warnings": r.warnings,
            "seen": r.drawing.warnings,
            "left_out": r.left_out.words,
        }
        for r in routes
    ]
    return pack({"routes": words}, arrays)


def unpack_routes(words: dict[str, Any], arrays: list[NDArray[Any]]) -> list[Route]:
    """Take routes back."""
    routes = []
    for row, found in enumerate(words["routes"]):
        points, edges, bridges, walk, kinds, lines = arrays[6 * row : 6 * row + 6]
        drawing = Drawing(points, edges, bridges, tuple(found["seen"]))
        left_out = LeftOut(found["left_out"], lines)
        routes.append(Route(drawing, walk, kinds, _figures(found["figures"]), tuple(found["warnings"]), left_out))
    return routes


def pack_loaded(loaded: SampledFrames) -> bytes:
    """Make the message that holds sampled frames."""
    words = {
        "figures": [asdict(f) for f in loaded.figures],
        "warnings": loaded.warnings,
        "left_out": loaded.left_out,
        "seconds": loaded.seconds,
    }
    return pack({"loaded": words}, [loaded.points, loaded.kinds, loaded.leaps.view(np.uint8)])


def unpack_loaded(words: dict[str, Any], arrays: list[NDArray[Any]]) -> SampledFrames:
    """Take sampled frames back."""
    found = words["loaded"]
    figures = tuple(map(_figures, found["figures"]))
    warnings, left_out = tuple(found["warnings"]), tuple(found["left_out"])
    return SampledFrames(arrays[0], arrays[1], arrays[2] != 0, figures, warnings, left_out, found["seconds"])


def _figures(words: dict[str, Any]) -> Figures:
    return Figures(**{entry.name: words[entry.name] for entry in fields(Figures)})


def folders_of(paths: Sequence[str | Path], font: str | Path) -> list[str]:
    """List what reading these drawings may open: each one's folder, and the font file."""
    folders = [path if path.is_dir() else path.parent for path in map(Path, paths)]
    return [str(path.resolve()) for path in (*folders, Path(font))]
