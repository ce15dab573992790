"""Drawings of a patch: read and routed in a process of their own, or taken from the cache; and how many corners they have."""

from __future__ import annotations

import atexit
import functools
import hashlib
import json
import math
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import numpy as np

from instrument.drawings import load as shapes_room
from instrument.drawings.limits import DEFAULT_TOLERANCES, DrawingError
from instrument.drawings.load import frame_files
from instrument.drawings.readers.finished_files import is_finished
from instrument.drawings.routing.closed_line import corner_steps
from instrument.drawings.worker.client import Worker
from instrument.drawings.worker.protocol import options_to_json
from instrument.engine.signal.source_table import SOURCE_TABLE
from instrument.patch.drawing_cache import DrawingCache, SampledDrawing
from instrument.patch.figures import MOST
from instrument.patch.line_numbers import lines_of
from instrument.patch.model_views import model_views, points_of_each
from instrument.patch.outline_reading import read_outline
from instrument.patch.patch_errors import PatchError, Problem, shown
from instrument.patch.schema.drawing_settings import AUTO
from instrument.patch.schema.fields import parameter_values
from instrument.patch.schema.patch_schema import LAYER_FIELDS
from instrument.patch.schema.sources import Along, Drawing, Lettering, is_font_file

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from instrument.drawings.load import LoadOptions
    from instrument.patch.schema.patch_schema import Patch
    from instrument.patch.schema.sources import DrawnSource


MOST_OF_FRAMES = 3 << 20
"""Coordinates of all frames together, unless their source asks for more: twice that fits into the engine's pool, where an edited
patch lies beside the one that plays. A minute of film at 25 frames a second, which is flat, has 1,024 points a frame."""

TELL_SECONDS = 3.0
"""Time after which reading says how far it has come, and from then on how often."""

USUAL_RATE = 48_000.0
"""Sample rate in hertz for which drawings are fitted where no other is named."""

_A4_KEY, _SEMITONES = 69.0, 12.0

_cache = DrawingCache()


@functools.cache
def _worker() -> Worker:
    worker = Worker()
    atexit.register(worker.close)
    return worker


def start_reader() -> None:
    """Start the process that reads drawings, so that the first one need not wait for it."""
    _worker().start()


def close_reader() -> None:
    """End the process that reads drawings; a later drawing starts another."""
    if _worker.cache_info().currsize:
        _worker().close()


def stop_reader() -> None:
    """End the process that reads drawings at once, whatever it is doing; may be called from a signal handler."""
    if _worker.cache_info().currsize:
        _worker().stop()


def read_drawings(patch: Patch, rate: float = USUAL_RATE, *, in_stages: bool = False) -> dict[int, SampledDrawing]:
    """Read, route and sample every drawing and text of a patch.

    Parameters
    ----------
    patch : Patch
    rate : float
        Sample rate in hertz, which counts where a drawing is fitted to the points of a cycle.
    in_stages : bool
        Return outlines from as many directions as there are by now, and those that are `unfinished` further each time.

    Returns
    -------
    dict of int to SampledDrawing
        By layer, counted from 0.

    Raises
    ------
    PatchError
        If drawings are refused, with the reader's own sentences.
    """
    found: dict[int, SampledDrawing] = {}
    problems = []
    for k, source in _drawn_layers(patch):
        try:
            cycle = cycle_points(patch, k, rate)
            if source.lines == "outline":
                found[k] = _outlined(patch, k, source, cycle, in_stages=in_stages)
            else:
                found[k] = _drawn(source, _folder(patch), cycle)
        except DrawingError as error:
            problems.append(_problem(patch, k, source, error))
    if problems:
        raise PatchError(patch.path or "patch", *problems)
    return found


def cycle_points(patch: Patch, layer: int, rate: float) -> float:
    """Count the points of one cycle of a layer at the pitch that it begins with; links and notes are not heeded.

    Parameters
    ----------
    patch : Patch
    layer : int
        Counted from 0.
    rate : float
        Sample rate in hertz.

    Returns
    -------
    float
        Infinite for a pen that stands still.
    """
    values = dict(parameter_values(patch.layer[layer], LAYER_FIELDS))
    names = ("frequency", "key", "bend")
    frequency, key, bend = (
        float(patch.values.get(f"layer.{layer + 1}.pen.{name}", values[f"pen.{name}"])) for name in names
    )
    with np.errstate(all="ignore"):
        points = rate / abs(frequency * float(np.exp2((key + bend - _A4_KEY) / _SEMITONES))) if frequency else math.inf
    return points if points > 0 else math.inf


def follows_rate(patch: Patch) -> bool:
    """Return whether a drawing of the patch is another one at another sample rate."""
    return any(source.points == AUTO for _, source in _drawn_layers(patch))


def placeholder_drawings(patch: Patch) -> dict[int, SampledDrawing]:
    """Return for each drawing one point in its place, which only the same settings give again.

    Saving values needs no drawing, and must work while one is broken.
    """
    return {k: _placeholder(source) for k, source in _drawn_layers(patch)}


def drawing_files(patch: Patch) -> tuple[Path, ...]:
    """Return every file and folder that the patch's drawings are made from, there or not."""
    found: dict[Path, None] = {}
    for _, source in _drawn_layers(patch):
        font = _font(source, _folder(patch))
        if isinstance(source, Drawing):
            for path in _paths(source, _folder(patch)):
                found[path] = None
                found |= dict.fromkeys(_frames_in(path, source))
        if is_font_file(font):
            found[Path(font)] = None
    return tuple(found)


def is_written(path: Path) -> bool | None:
    """Tell whether a file ends as its format should; None where a line may be cut (`drawings.readers.finished_files`)."""
    return is_finished(path)


def _drawn_layers(patch: Patch) -> list[tuple[int, DrawnSource]]:
    return [(k, layer.source) for k, layer in enumerate(patch.layer) if isinstance(layer.source, Drawing | Lettering)]


def _folder(patch: Patch) -> Path:
    return patch.path.parent if patch.path is not None else Path()


def _paths(source: DrawnSource, folder: Path) -> list[Path]:
    return [folder / name for name in source.drawing] if isinstance(source, Drawing) else []


def _font(source: DrawnSource, folder: Path) -> str:
    return str((folder / source.font).absolute()) if is_font_file(source.font) else source.font


def _frames_in(path: Path, source: DrawnSource) -> list[Path]:
    try:
        return frame_files([path], source.limits.limits()) if path.is_dir() else []
    except (DrawingError, OSError):
        return []


def _problem(patch: Patch, k: int, source: DrawnSource, error: DrawingError) -> Problem:
    name = "drawing" if isinstance(source, Drawing) else "text"
    line = lines_of(patch.text).get(("layer", k, "source", name))
    value = source.drawing if isinstance(source, Drawing) else source.text
    value = value[0] if isinstance(value, list) and len(value) == 1 else value
    field = f"layer.{k + 1}.source.{name}"
    return Problem(f"{field} is {shown(value)}; {str(error).rstrip('.')}.", field, line)


def _placeholder(source: DrawnSource) -> SampledDrawing:
    settings = source.model_dump_json(exclude={row.name for row in SOURCE_TABLE["path"].parameters})
    digest = hashlib.sha256(settings.encode()).digest()
    return SampledDrawing(digest.hex(), np.frombuffer(digest[:24], "<u8").astype(np.float64).reshape(1, 1, 3), 1)


def _drawn(source: DrawnSource, folder: Path, cycle: float) -> SampledDrawing:
    paths = _paths(source, folder)
    options = source.options(_font(source, folder), source.samples, cycle)
    files = frame_files(paths, options.read.limits) if paths else []
    # The tables of a few patches lie in the engine's memory at once, so none takes more than its share.
    options = replace(options, sampling=replace(options.sampling, most=MOST, most_of_all=MOST_OF_FRAMES))
    text = source.text if isinstance(source, Lettering) else None
    key = _key(files, text, options)
    if key is not None and (kept := _cache.get(key)) is not None:
        return kept
    loaded = _worker().load(paths, text, options, ReadingProgress(sys.stderr.write))
    corners = max(f.corners for f in loaded.figures)
    drawn = SampledDrawing(key or "", loaded.points, corners, loaded.warnings, loaded.leaps, loaded.left_out)
    drawn = replace(drawn, seconds=loaded.seconds)
    # Read, then hashed again: a file that was saved while it was being read must not be kept under the name of its old contents.
    if key is not None and key == _key(files, text, options):
        _cache.put(drawn)
    return drawn


def _outlined(patch: Patch, k: int, source: DrawnSource, cycle: float, *, in_stages: bool) -> SampledDrawing:
    folder = _folder(patch)
    paths = _paths(source, folder)
    views = model_views(patch, k, source.directions)
    samples = source.samples or points_of_each(source.directions)
    options = source.options(_font(source, folder), samples, cycle)
    files = frame_files(paths, options.read.limits) if paths else []
    key = _key(files, None, replace(options, views=views.viewpoints))
    if key is not None and (kept := _cache.get(key)) is not None:
        return kept
    in_stages = in_stages and key is not None
    drawn = read_outline(key or "", views, options, lambda some: _worker().load(paths, None, some), in_stages=in_stages)
    if not drawn.unfinished and key is not None and key == _key(files, None, replace(options, views=views.viewpoints)):
        _cache.put(drawn)
    return drawn


class ReadingProgress:
    """Tells how far a drawing has come, once it takes long.

    Parameters
    ----------
    say : callable
        Takes a line with its end.
    clock : callable
        Seconds that only grow.
    """

    def __init__(self, say: Callable[[str], object], clock: Callable[[], float] = time.monotonic) -> None:
        self._say = say
        self._clock = clock
        self._due = clock() + TELL_SECONDS

    def __call__(self, stage: str) -> None:
        """Tell a stage, unless one was told a moment ago."""
        if self._clock() >= self._due:
            self._due = self._clock() + TELL_SECONDS
            self._say(f"reading a drawing: {stage}\n")


def _key(files: list[Path], text: str | None, options: LoadOptions) -> str | None:
    """Return a hash of everything that the result depends on; None where that cannot be read."""
    words: dict[str, Any] = options_to_json(options)
    del words["read"]["limits"]
    font = words["read"]["lettering"]["font"]
    most = options.read.limits.file_bytes
    read = [*files, *(beside for file in files if _is_readable(file, most) for beside in _beside(file))]
    if is_font_file(font):
        words["read"]["lettering"]["font"] = "file"
        read.append(Path(font))
    digest = hashlib.sha256(json.dumps([_version(), words, text, [f.name for f in read]]).encode())
    try:
        for path in read:
            if not _is_readable(path, most):
                return None
            with path.open("rb") as file:
                digest.update(hashlib.file_digest(file, "sha256").digest())
    except (OSError, ValueError):
        return None
    return digest.hexdigest()


def _is_readable(path: Path, most: int) -> bool:
    # A pipe or a device would never end; the reader refuses it by name.
    try:
        return path.is_file() and path.stat().st_size <= most
    except (OSError, ValueError):
        return False


def _beside(path: Path) -> list[Path]:
    # glTF keeps its numbers in files of their own.
    if path.suffix.lower() != ".gltf":
        return []
    try:
        buffers = json.loads(path.read_bytes())["buffers"]
        names = [buffer["uri"] for buffer in buffers if "uri" in buffer]
        return [path.parent / unquote(name) for name in names if not name.startswith("data:")]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return []


@functools.cache
def _version() -> str:
    # Another version of the drawing room may make another line of the same file.
    # So a cached line is never older than the code that would make it now.
    digest = hashlib.sha256()
    for path in sorted(Path(shapes_room.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def corner_counts(patch: Patch, drawings: Mapping[int, SampledDrawing]) -> tuple[tuple[int, int], ...]:
    """Return number, from 1, and corners of each layer that runs along a path.

    Parameters
    ----------
    patch : Patch
    drawings : mapping of int to SampledDrawing
        Its drawings by layer, counted from 0.
    """
    found = []
    for k, layer in enumerate(patch.layer):
        if k in drawings:
            found.append((k + 1, drawings[k].corners))
        elif isinstance(layer.source, Along):
            # Of a flip-book, the frame that has most.
            frames = layer.source.frames_of_path()
            turns = [int(corner_steps(frame, DEFAULT_TOLERANCES.corner_degrees).sum()) for frame in frames]
            found.append((k + 1, max(turns)))
    return tuple(found)
