"""Finishing takes whose recorder was killed: the sound and the events are there, the rest is made from them."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import soundfile

from instrument.takes.disk_space import RESERVE_NAME
from instrument.takes.recorder_lock import NAME, Lock, is_locked
from instrument.takes.take import finish_folder, measure_sound, recording_is_open
from instrument.takes.take_errors import TakeError
from instrument.takes.take_folder import SOUND, read_facts

if TYPE_CHECKING:
    from pathlib import Path


def mend(folder: Path) -> bool:
    """Finish a take that was not ended; return whether there was anything to do.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    TakeError
        If it is being recorded, or too damaged.
    """
    if not recording_is_open(folder):
        return False
    try:
        lock = Lock(folder)
    except OSError:
        raise TakeError(f"{folder}: this take is being recorded; stop the recording first.") from None
    try:
        facts = read_facts(folder)
        facts.frames, facts.sound_sha256 = measure_sound(folder / SOUND)
        facts.mended = True
        (folder / RESERVE_NAME).unlink(missing_ok=True)
        finish_folder(folder, facts)
    except (OSError, soundfile.SoundFileError) as error:
        raise TakeError(f"{folder}: this take cannot be mended ({error}).") from None
    finally:
        lock.release()
        with suppress(OSError):
            (folder / NAME).unlink(missing_ok=True)
    return True


def mend_all(parent: Path) -> list[str]:
    """Finish every take in a folder whose recorder has died; return a sentence for each."""
    said = []
    for folder in sorted(parent.iterdir()) if parent.is_dir() else ():
        try:
            if recording_is_open(folder) and not is_locked(folder) and mend(folder):
                said.append(f"{folder}: this take was cut off and is whole again.")
        except TakeError as error:
            said.append(str(error))
    return said
