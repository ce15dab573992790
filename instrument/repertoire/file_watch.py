"""Watch over files that are saved while they play, so that none is read half-finished."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from instrument.patch.patch_drawings import is_written

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

Signature = tuple[int, int, int]
"""Time of a file's last change in ns, size, and file number, which editors that replace a file change."""

PIECE_SECONDS = 0.5
"""Time that a file must keep still which is written piece by piece, or has lost a good part of itself."""

SHRUNK = 0.8
"""A file that is shorter than this share of what it was may be at the beginning of being written."""

CUT_SECONDS = 2.0
"""Time that a file must keep still which lacks the end that its format asks for; then it is read, and refused in words."""

LONGEST_WAIT = 5.0
"""The longest wait of all."""


class FileWatch:
    """Watch over files, which are looked at with each call of `changed`.

    A file that changes counts once it looks the same twice and ends as its format should. One that is written piece by
    piece, or is much shorter than it was, must keep still for longer, so that it is not read half-finished. A file that has gone
    counts when it is back.

    Parameters
    ----------
    clock : callable
        Seconds that only rise.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._known: dict[Path, Signature | None] = {}
        self._changing: dict[Path, _Change] = {}

    def add(self, path: Path) -> None:
        """Watch a file from its state of now; for one that is watched, forget its latest change."""
        self._known[path] = _signature(path)
        self._changing.pop(path, None)

    def keep_to(self, paths: Iterable[Path]) -> None:
        """Watch these files and no others; of those watched already, no change is missed."""
        for path in (wanted := dict.fromkeys(paths)):
            if path not in self._known:
                self.add(path)
        self._known = {path: known for path, known in self._known.items() if path in wanted}

    def changed(self) -> list[Path]:
        """Return the files that were saved since the last call."""
        found = []
        for path, known in self._known.items():
            now = _signature(path)
            # One that has gone keeps its signature, and counts when it is back.
            if now is None or now == known:
                self._changing.pop(path, None)
                continue
            moment = self._clock()
            change = self._changing.setdefault(path, _Change(now, moment))
            if change.signature != now:
                change.longest = max(change.longest, moment - change.since)
                change.signature, change.since, change.pieces = now, moment, change.pieces + 1
            elif change.seen and moment - change.since >= _stillness(path, change, known):
                self._known[path] = now
                del self._changing[path]
                found.append(path)
            change.seen = True
        return found


@dataclass
class _Change:
    """Change of a file that is going on: what it looks like, since when, in how many pieces, and the longest rest between."""

    signature: Signature
    since: float
    pieces: int = 1
    longest: float = 0.0
    seen: bool = False


def _stillness(path: Path, change: _Change, known: Signature | None) -> float:
    """Seconds that a file must have looked the same."""
    needed = 0.0
    if change.pieces > 1:
        needed = max(PIECE_SECONDS, 2 * change.longest)
    elif known is not None and change.signature[1] < SHRUNK * known[1]:
        needed = PIECE_SECONDS
    finished = is_written(path)
    if not finished:
        needed = max(needed, PIECE_SECONDS if finished is None else CUT_SECONDS)
    return min(needed, LONGEST_WAIT)


def _signature(path: Path) -> Signature | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
