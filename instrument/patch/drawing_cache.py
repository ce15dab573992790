"""Routed drawings kept between one start and the next, so that a patch opens at once the second time."""

from __future__ import annotations

import contextlib
import io
import json
import os
import tempfile
import zipfile
from collections import OrderedDict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from instrument.common.user_folders import cache_folder

if TYPE_CHECKING:
    import numpy.typing as npt

LARGEST = 256 << 20
"""Bytes that the folder may take; what was used longest ago goes first."""

LARGEST_AT_HAND = 64 << 20
"""Bytes of tables that are kept in memory besides."""


@dataclass(frozen=True)
class SampledDrawing:
    """A drawing as the engine takes it.

    Attributes
    ----------
    key : str
        The same for the same contents and settings alone.
    points : np.ndarray [shape=(frames, n, 3), dtype=float64]
        One cycle a frame at constant pen speed; the first point is not repeated.
    corners : int
        Of the frame that has most; a cycle of fewer samples blurs.
    warnings : tuple of str
        What was left out of the drawing, or mended.
    leaps : np.ndarray [shape=(frames, n), dtype=bool], optional
        Where the way to the next point is a jump, which the engine eases; nowhere unless given.
    left_out : tuple of str
        What was left out on purpose, to fit the points of a cycle.
    views : np.ndarray [shape=(frames, 3), dtype=float64] or None
        Directions, where each frame is what is seen from one.
    unfinished : str
        How far the directions have come, in words; empty where there is nothing more to come.
    seconds : float
        Time of all frames at their own speed; 0 where they have none.
    """

    key: str
    points: npt.NDArray[np.float64]
    corners: int
    warnings: tuple[str, ...] = ()
    leaps: npt.NDArray[np.bool_] | None = None
    left_out: tuple[str, ...] = ()
    views: npt.NDArray[np.float64] | None = None
    unfinished: str = ""
    seconds: float = 0.0


class DrawingCache:
    """A folder of routed drawings by key, with the latest at hand in memory.

    A folder that cannot be written, and a file that is damaged, cost time and nothing else.

    Parameters
    ----------
    folder : Path, optional
        By default in the user's cache, asked for at each use.
    largest : int
        Bytes.
    """

    def __init__(self, folder: Path | None = None, largest: int = LARGEST) -> None:
        self._folder = folder
        self._largest = largest
        self._at_hand: OrderedDict[str, SampledDrawing] = OrderedDict()

    @property
    def folder(self) -> Path:
        """Folder of the files; it may not exist yet."""
        return self._folder or cache_folder() / "drawings"

    # The modification time of a file is that of its last reading: `_read` touches it, `_make_room` takes the oldest first.

    def get(self, key: str) -> SampledDrawing | None:
        """Return what is kept under a key, or None."""
        found = self._at_hand.get(key) or self._read(key)
        if found is not None:
            self._keep_at_hand(found)
        return found

    def put(self, drawn: SampledDrawing) -> None:
        """Keep a drawing under its key."""
        self._keep_at_hand(drawn)
        said = {
            "corners": drawn.corners,
            "warnings": drawn.warnings,
            "left_out": drawn.left_out,
            "seconds": drawn.seconds,
        }
        words = json.dumps(said).encode()
        buffer = io.BytesIO()
        leaps = np.zeros(drawn.points.shape[:2], bool) if drawn.leaps is None else drawn.leaps
        # No directions are an empty array of them.
        views = np.zeros((0, 3)) if drawn.views is None else drawn.views
        np.savez(buffer, points=drawn.points, leaps=leaps, views=views, words=np.frombuffer(words, np.uint8))
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(suffix=".tmp", dir=self.folder)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(buffer.getbuffer())
                # Not synced: of a file half written after a power cut, the archive's check sum tells.
                Path(name).replace(self._path(drawn.key))
            except OSError:
                Path(name).unlink(missing_ok=True)
                raise
            self._make_room()

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.npz"

    def _read(self, key: str) -> SampledDrawing | None:
        path = self._path(key)
        try:
            with path.open("rb") as stream, np.load(stream, allow_pickle=False) as file:
                points = np.asarray(file["points"], np.float64)
                words = json.loads(file["words"].tobytes())
                leaps = np.asarray(file["leaps"], np.bool_)
                views = np.asarray(file["views"], np.float64) if file["views"].size else None
                warnings, left_out = (tuple(map(str, words[name])) for name in ("warnings", "left_out"))
                drawn = SampledDrawing(key, points, int(words["corners"]), warnings, leaps, left_out, views)
                drawn = replace(drawn, seconds=float(words["seconds"]))
            if leaps.shape != points.shape[:2]:
                raise ValueError("jumps are not of this path")
            if points.ndim != 3 or points.shape[2] != 3 or points.size == 0 or not np.isfinite(points).all():
                raise ValueError("this is no path")
            if views is not None and (views.shape != (len(points), 3) or not np.isfinite(views).all()):
                raise ValueError("these are no directions")
            os.utime(path)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        return drawn

    def _keep_at_hand(self, drawn: SampledDrawing) -> None:
        self._at_hand[drawn.key] = drawn
        self._at_hand.move_to_end(drawn.key)
        while len(self._at_hand) > 1 and sum(d.points.nbytes for d in self._at_hand.values()) > LARGEST_AT_HAND:
            self._at_hand.popitem(last=False)

    def _make_room(self) -> None:
        # Left-overs of a process that was ended in the middle of writing count, and go, like all others.
        files = []
        for path in [*self.folder.glob("*.npz"), *self.folder.glob("*.tmp")]:
            with contextlib.suppress(OSError):
                status = path.stat()
                files.append((status.st_mtime_ns, status.st_size, path))
        taken = sum(size for _, size, _ in files)
        for _, size, path in sorted(files):
            if taken <= self._largest:
                return
            with contextlib.suppress(OSError):
                path.unlink()
                taken -= size
