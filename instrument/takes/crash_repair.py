"""Crash safety of takes: the lock of a recording, the last step of every take, and the repair of those cut off."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from typing import TYPE_CHECKING

import soundfile

from instrument.engine.memory.layout import EVENT_SWAP
from instrument.takes.disk_writer import RESERVE_NAME
from instrument.takes.event_text import read_event_lines
from instrument.takes.performance_file import write_take_events
from instrument.takes.take_folder import (
    EVENT_LINES,
    METADATA,
    PERFORMANCE,
    SOUND,
    TakeError,
    digests,
    read_metadata,
    write_metadata,
)

try:
    import fcntl
except ImportError:  # Windows, where an open file cannot be removed by others
    fcntl = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from pathlib import Path

    from instrument.takes.take_folder import TakeMetadata

LOCK_NAME = ".recording"

_PIECE = 1 << 16


class RecordingLock:
    """A mark in a take's folder that goes with the process that made it, however it ends.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    OSError
        If another process holds it.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK_NAME
        self._file = self._path.open("wb")
        if fcntl is not None:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                self._file.close()
                raise

    def release(self) -> None:
        """Take the mark away."""
        if os.name == "nt":
            self._file.close()
        self._path.unlink(missing_ok=True)
        self._file.close()


def is_locked(folder: Path) -> bool:
    """Return whether a living process records into a folder."""
    path = folder / LOCK_NAME
    if not path.exists():
        return False
    try:
        if fcntl is None:
            path.unlink()
            return False
        with path.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    return False


def recording_is_open(folder: Path) -> bool:
    """Return whether a take was not ended: it is being recorded, or its recorder has died."""
    # The journal is there before the facts, and removed when everything else has been written.
    return (folder / METADATA).is_file() and (folder / EVENT_LINES).is_file()


def finish_folder(folder: Path, metadata: TakeMetadata) -> None:
    """Turn the journal into the performance and write the last facts."""
    events = read_event_lines(folder / EVENT_LINES)
    events = events[events["time"] < max(metadata.frames, 1)]
    write_take_events(folder / PERFORMANCE, events, metadata.rate, metadata.frames)
    known = {row.number for row in metadata.program}
    swaps = events[events["kind"] == EVENT_SWAP]["index"]
    unknown = sorted({int(number) for number in swaps} - known)
    doubts = [f"program {number} is not known" for number in unknown]
    if metadata.lost_events:
        doubts.append(f"{metadata.lost_events} events were not seen")
    metadata.doubts = [*metadata.doubts, *doubts]
    metadata.exact = not metadata.doubts and not metadata.lost_frames
    metadata.complete = True
    metadata.files = digests(folder)
    write_metadata(folder, metadata)
    (folder / EVENT_LINES).unlink(missing_ok=True)


def frames_in(path: Path) -> int:
    """Return the length of a recorded sound; 0 where a recorder was killed before it wrote any.

    Raises
    ------
    soundfile.SoundFileError
        If it is damaged.
    """
    return int(soundfile.info(path).frames) if path.exists() and path.stat().st_size else 0


def measure_sound(path: Path) -> tuple[int, str]:
    """Return the frames of a recorded sound and the SHA-256 of its samples, by reading it through.

    Raises
    ------
    soundfile.SoundFileError
        If it is damaged.
    """
    digest = hashlib.sha256()
    frames = 0
    if frames_in(path):
        with soundfile.SoundFile(path) as sound:
            for piece in sound.blocks(_PIECE, dtype="float32", always_2d=True):
                digest.update(piece.astype("<f4", copy=False).data)
                frames += len(piece)
    return frames, digest.hexdigest()


def repair_take(folder: Path) -> bool:
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
        lock = RecordingLock(folder)
    except OSError:
        raise TakeError(f"{folder}: this take is being recorded; stop the recording first.") from None
    try:
        metadata = read_metadata(folder)
        metadata.frames, metadata.sound_sha256 = measure_sound(folder / SOUND)
        metadata.mended = True
        (folder / RESERVE_NAME).unlink(missing_ok=True)
        finish_folder(folder, metadata)
    except (OSError, soundfile.SoundFileError) as error:
        raise TakeError(f"{folder}: this take cannot be mended ({error}).") from None
    finally:
        lock.release()
        with suppress(OSError):
            (folder / LOCK_NAME).unlink(missing_ok=True)
    return True


def repair_all(parent: Path) -> list[str]:
    """Finish every take in a folder whose recorder has died; return a sentence for each."""
    said = []
    for folder in sorted(parent.iterdir()) if parent.is_dir() else ():
        try:
            if recording_is_open(folder) and not is_locked(folder) and repair_take(folder):
                said.append(f"{folder}: this take was cut off and is whole again.")
        except TakeError as error:
            said.append(str(error))
    return said
