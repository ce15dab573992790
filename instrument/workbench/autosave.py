"""Autosave: unsaved changes written into recovery files while the show goes on, and offered by the next one."""

from __future__ import annotations

from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from instrument.repertoire.patch_worker import Job
from instrument.repertoire.recovery_file import (
    RecoveryFile,
    adopt_recovery,
    find_recoveries,
    recovery_path,
    remove_recovery,
    write_recovery,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from instrument.repertoire.set_list import SetList
    from instrument.workbench.patch_edits import PatchEdits

SAVE_SECONDS = 3.0
"""Time between two recovery files of a patch, which is what a crash may cost."""


class Autosave:
    """Recovery files of a set list.

    Parameters
    ----------
    set_list : SetList
    edits : PatchEdits
    """

    def __init__(self, set_list: SetList, edits: PatchEdits) -> None:
        self._set_list = set_list
        self._edits = edits
        self._kept: dict[Path, tuple[str, bytes]] = {}
        self._again = 0.0
        self._trouble = ""
        self._left = find_recoveries()
        self._forget_played()

    def _forget_played(self) -> None:
        # What is played from where it lies need not be offered any more; the file that plays stays.
        played = {working.path.absolute() for working in self._set_list.patches}
        for kept in [kept for kept in self._left if kept.playable.absolute() in played]:
            self._left.remove(kept)
            with suppress(OSError):
                kept.record.unlink()

    @property
    def offered(self) -> RecoveryFile | None:
        """Unsaved changes that an earlier show has left of a patch of this one; None if there are none."""
        ours = {working.path.absolute() for working in self._set_list.patches}
        return next((kept for kept in self._left if kept.patch in ours), None)

    @property
    def state(self) -> dict[str, Any]:
        """State for the window, under ``recovery``."""
        kept = self.offered
        if kept is None:
            return {"recovery": None}
        return {"recovery": {"path": str(kept.patch), "age": kept.seconds, "file": str(kept.playable)}}

    def tell(self, say: Callable[[str], None]) -> None:
        """Say in one line where unsaved changes of earlier shows lie."""
        found = [kept for kept in self._left if kept.patch.exists() and kept.playable.exists()]
        if not found:
            return
        newest, *older = found
        more = f" (and {len(older)} older, in {newest.record.parent})" if older else ""
        say(
            f"unsaved changes of {newest.patch.name} from {newest.age} ago were kept{more}; "
            f"open them with: beamhand play {newest.playable}"
        )

    def recover(self) -> None:
        """Go on with the unsaved changes that are offered.

        Raises
        ------
        ValueError
            If nothing was.
        """
        kept = self._take()
        for working in self._set_list.patches:
            if working.path.absolute() == kept.patch:
                # Until it plays, the file stays as it is.
                then = partial(self._recovered, kept, working.path)
                self._edits.recover(working, kept, then)
        self._set_list.trouble = ""

    def _recovered(self, kept: RecoveryFile, path: Path) -> None:
        # From now on the file is ours, to be written anew or removed.
        with suppress(OSError):
            adopt_recovery(kept, recovery_path(path))
        self._kept[path] = ("", b"")

    def discard(self) -> None:
        """Throw away the unsaved changes that are offered.

        Raises
        ------
        ValueError
            If nothing was.
        """
        remove_recovery(self._take().record)

    def _take(self) -> RecoveryFile:
        kept = self.offered
        if kept is None:
            raise ValueError("there are no unsaved changes of an earlier start.")
        self._left.remove(kept)
        return kept

    def poll(self, now: float) -> None:
        """Have the worker write what has changed since the last time, and remove files of what is saved."""
        if now < self._again:
            return
        self._again = now + SAVE_SECONDS
        for path, text, values in self._due():
            self._set_list.worker.ask(Job("recovery", path, text, values, to=recovery_path(path)))

    def _due(self) -> list[tuple[Path, str, list[float]]]:
        due = []
        for working in self._set_list.patches:
            sounding = self._set_list.sounding(working)
            if not working.is_unsaved(self._set_list.values_set_by_hand(working)):
                if self._kept.pop(working.path, None) is not None:
                    remove_recovery(recovery_path(working.path))
                continue
            values = working.values_to_save(sounding)
            # Compared by bits, so that a patch at rest costs no writing.
            mark = (working.text, values.tobytes())
            if self._kept.get(working.path) != mark:
                self._kept[working.path] = mark
                due.append((working.path, working.text, values.tolist()))
        return due

    def note_written(self, trouble: str) -> str:
        """Take note whether a file could be written, and try again if not; return trouble that is news."""
        if trouble:
            self._kept.clear()
        news = trouble if trouble != self._trouble else ""
        self._trouble = trouble
        return news

    def close(self, say: Callable[[str], None]) -> None:
        """Write what is still not saved at the end, and say where."""
        due = self._due()
        for path, text, values in due:
            with suppress(OSError):
                write_recovery(recovery_path(path), path, text, values)
        for path in self._kept:
            say(
                f"unsaved changes of {path.name} are kept in {recovery_path(path).with_suffix('.toml')} and offered "
                "the next time it is played."
            )
