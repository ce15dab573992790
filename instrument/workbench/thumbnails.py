"""Thumbnails: small pictures of patches for browsing, made by a process of low priority and cached in files.

Run as ``python -m instrument.workbench.thumbnails PATCH PICTURE``, it renders one patch and takes its picture.
"""

from __future__ import annotations

import functools
import hashlib
import os
import sys
from collections import deque
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from instrument.common.child_process import end, launch, module_command
from instrument.common.user_folders import cache_folder

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterable

    from instrument.repertoire.loading import LoadedPatch

SIZE = 192
"""Width and height in pixels."""

SECONDS = 1.0
"""Time in seconds that is rendered of a patch before its picture is taken."""

_NICENESS = 15


class Thumbnails:
    """Cache of thumbnails, in which missing ones are made one after the other.

    Parameters
    ----------
    folder : Path, optional
        By default in the user's cache.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or cache_folder() / "pictures"
        self._waiting: deque[tuple[Path, Path]] = deque()
        self._process: subprocess.Popen[bytes] | None = None
        self._asked: set[Path] = set()
        self._there: set[Path] = set()
        self._wanted = False

    def of(self, patch: LoadedPatch) -> str:
        """Return the file of a patch's thumbnail; empty while there is none."""
        path = self._path(patch)
        return str(path) if path in self._there else ""

    def want(self) -> None:
        """Begin to make thumbnails; without a window none are made."""
        self._wanted = True

    def poll(self, patches: Iterable[LoadedPatch]) -> None:
        """Take note of new files, and go on with the next missing one."""
        if not self._wanted:
            return
        for patch in patches:
            path = self._path(patch)
            # Known ones first, as this is asked some times a second and a file costs a call of the system.
            if path in self._there:
                continue
            if path.exists():
                self._there.add(path)
            elif path not in self._asked:
                self._asked.add(path)
                self._waiting.append((patch.path, path))
        if self._process is not None and self._process.poll() is not None:
            self._process = None
        if self._process is None and self._waiting:
            self._start(*self._waiting.popleft())

    def close(self) -> None:
        """End the process that makes one."""
        if self._process is not None:
            end(self._process, 0.0)
            self._process = None

    def _path(self, patch: LoadedPatch) -> Path:
        return self._folder / _name(patch.text, patch.drawn)

    def _start(self, patch: Path, picture: Path) -> None:
        with suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            command = module_command("instrument.workbench.thumbnails", str(patch), str(picture))
            self._process = launch(command, talks=False, errors=False)


@functools.lru_cache(1024)
def _name(text: str, drawn: tuple[str, ...]) -> str:
    words = "\0".join([str(SIZE), text, *drawn])
    return f"{hashlib.sha256(words.encode()).hexdigest()[:32]}.png"


def make_thumbnail(patch: Path, picture: Path) -> None:
    """Render a patch and take its picture.

    Raises
    ------
    ValueError
        If it cannot be played, or the picture not be written.
    """
    # Only here: the stage itself never renders elsewhere than in its callback.
    from instrument.engine.engine import Engine  # noqa: PLC0415
    from instrument.export.still import export_still  # noqa: PLC0415
    from instrument.repertoire.loading import read_patch  # noqa: PLC0415

    engine = Engine(48_000.0)
    engine.play(read_patch(patch).program)
    export_still(engine, picture, round(SECONDS * engine.rate), 512, [], SIZE, exposure=0.25)


if __name__ == "__main__":
    if hasattr(os, "nice"):
        os.nice(_NICENESS)
    make_thumbnail(Path(sys.argv[1]), Path(sys.argv[2]))
