"""Files that are loaded again when somebody saves them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

Signature = tuple[int, int, int]
"""Time of the last change in ns, size, and file number: editors that replace a file change the last."""


class FileWatch:
    """Looks at files whenever it is asked to.

    A file that changes counts once it looks the same twice, so that one being written is left alone; a file that has
    gone counts when it is back.
    """

    def __init__(self) -> None:
        self._known: dict[Path, Signature | None] = {}
        self._changing: dict[Path, Signature] = {}

    def add(self, path: Path) -> None:
        """FileWatch a file from now on, as it is now; also to forget a change of one's own."""
        self._known[path] = _signature(path)
        self._changing.pop(path, None)

    def keep_to(self, paths: Iterable[Path]) -> None:
        """FileWatch these files and no others; of those watched already, no change is missed."""
        for path in (wanted := dict.fromkeys(paths)):
            if path not in self._known:
                self.add(path)
        self._known = {path: known for path, known in self._known.items() if path in wanted}

    def changed(self) -> list[Path]:
        """Return the files that were saved since the last call."""
        found = []
        for path, known in self._known.items():
            now = _signature(path)
            if now is None or now == known:
                self._changing.pop(path, None)
            elif self._changing.get(path) == now:
                self._known[path] = now
                del self._changing[path]
                found.append(path)
            else:
                self._changing[path] = now
        return found


def _signature(path: Path) -> Signature | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
