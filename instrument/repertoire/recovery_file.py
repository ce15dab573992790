"""Recovery files: unsaved changes of a patch, written while the show goes on and found by the next one.

Two files a patch lie in the user's state folder: a record (JSON) with the edited text and all values, which the window offers
to take back, and the same as a patch that can be played by its name. Both are written whole or not at all, and their name
holds a digest of the patch's path and the number of the process, so that what a living show keeps is never offered.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from instrument.common.safe_files import write_atomically
from instrument.common.user_folders import state_folder
from instrument.engine.parameters import ADDRESSES, FORMER_ADDRESSES, INDEX
from instrument.patch.editing.save import text_in, text_with
from instrument.patch.patch_file import patch_from_text

if TYPE_CHECKING:
    from collections.abc import Sequence

_RECORD = ".json"
_PLAYABLE = ".toml"


@dataclass(frozen=True)
class RecoveryFile:
    """Unsaved changes of one patch, left by an earlier show.

    Attributes
    ----------
    record : Path
        File that holds them.
    patch : Path
        Patch that they belong to.
    text : str
        Text as it was edited.
    values : dict of str to float
        Values of all parameters by their present addresses.
    seconds : float
        Age.
    """

    record: Path
    patch: Path
    text: str
    values: dict[str, float]
    seconds: float

    @property
    def playable(self) -> Path:
        """File of the same as a patch that can be played."""
        return self.record.with_suffix(_PLAYABLE)

    @property
    def age(self) -> str:
        """Age in words."""
        for size, unit in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
            if self.seconds >= size:
                count = int(self.seconds // size)
                return f"{count} {unit}{'s' if count > 1 else ''}"
        return "a moment"


def recovery_folder() -> Path:
    """Return the folder of recovery files (it may not exist)."""
    return state_folder() / "unsaved"


def recovery_path(patch: Path, folder: Path | None = None) -> Path:
    """Return the file for the unsaved changes of a patch in this process."""
    whole = str(patch.absolute())
    digest = hashlib.sha256(whole.encode()).hexdigest()[:12]
    return (folder or recovery_folder()) / f"{patch.stem}-{digest}-{os.getpid()}{_RECORD}"


def write_recovery(record: Path, patch: Path, text: str, values: Sequence[float]) -> None:
    """Write unsaved changes, each file in one step: the record that is offered, and a patch that can be played.

    Parameters
    ----------
    record : Path
        As `recovery_path` gives it.
    patch : Path
    text : str
    values : sequence of float
        In the order of `parameters.ADDRESSES`.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    record.parent.mkdir(parents=True, exist_ok=True)
    held = {
        "patch": str(patch.absolute()),
        "text": text,
        # Python reads and writes numbers that are not finite too.
        "values": dict(zip(ADDRESSES, values, strict=True)),
    }
    write_atomically(record, json.dumps(held).encode())
    # The record is what counts. A text in the middle of an edit may be no patch that can be written as one.
    with suppress(ValueError, KeyError, IndexError, TypeError):
        playable = record.with_suffix(_PLAYABLE)
        write_atomically(playable, _playable(patch, text, values, playable).encode())


def _playable(path: Path, text: str, values: Sequence[float], file: Path) -> str:
    patch = patch_from_text(text, path)
    return text_in(file, patch, text_with(patch, dict(zip(ADDRESSES, values, strict=True))))


def remove_recovery(record: Path) -> None:
    """Remove both files."""
    for path in (record, record.with_suffix(_PLAYABLE)):
        with suppress(OSError):
            path.unlink(missing_ok=True)


def adopt_recovery(kept: RecoveryFile, record: Path) -> None:
    """Rename what an earlier show has left to a record of this process.

    Raises
    ------
    OSError
        If the file cannot be renamed.
    """
    kept.record.replace(record)
    with suppress(FileNotFoundError):
        kept.playable.replace(record.with_suffix(_PLAYABLE))


def find_recoveries(folder: Path | None = None) -> list[RecoveryFile]:
    """Return what earlier shows have left, the newest first; files that cannot be read are passed over."""
    found = []
    for record in (folder or recovery_folder()).glob(f"*{_RECORD}"):
        with suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
            # A show that lives keeps these for itself; a number that was given anew hides a file until that process ends.
            if _is_alive(int(record.stem.rpartition("-")[2])):
                continue
            held = json.loads(record.read_text(encoding="utf-8"))
            # Another version may have written it; its values are found by what they are called now.
            numbers = {
                FORMER_ADDRESSES.get(address, address): float(value) for address, value in held["values"].items()
            }
            values = {address: number for address, number in numbers.items() if address in INDEX}
            age = max(time.time() - record.stat().st_mtime, 0.0)
            found.append(RecoveryFile(record, Path(held["patch"]), str(held["text"]), values, age))
    return sorted(found, key=lambda kept: kept.seconds)


def _is_alive(process: int) -> bool:
    if process == os.getpid():
        return True
    try:
        # Signal 0 only asks (POSIX.1-2017, kill); a process of somebody else's is refused, and lives.
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
