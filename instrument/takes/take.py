"""Take while it is being recorded: its files are good at any moment, and finished at the end."""

from __future__ import annotations

import hashlib
import os
import queue
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from instrument.takes.crash_repair import RecordingLock, finish_folder, frames_in, measure_sound
from instrument.takes.disk_writer import DiskSpace, free_bytes
from instrument.takes.event_text import EventLineFile
from instrument.takes.performance_file import write_take_events
from instrument.takes.sound_file import FloatFile
from instrument.takes.stored_program import StoredProgram, write_program
from instrument.takes.take_folder import (
    EARLIER_EVENTS,
    EVENT_LINES,
    INPUT,
    METADATA,
    PLAYED_PROGRAM,
    PROGRAMS,
    SOUND,
    ProgramRow,
    TakeMetadata,
    write_metadata,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Events = npt.NDArray[np.void]
    Frames = npt.NDArray[np.float32]

MOST_DRAWING_BYTES = 256 << 20
"""Bytes of one drawing that are copied into a take; a larger one stays outside, and its line is kept all the same."""


@dataclass(frozen=True)
class PatchOrigin:
    """Origin of a program: its patch.

    Attributes
    ----------
    name : str
        Of the patch's file.
    title : str
    text : str
    folder : Path
        In which the patch's file is.
    files : tuple of Path
        Drawings, fonts and numbered folders that it names.
    """

    name: str
    title: str
    text: str
    folder: Path
    files: tuple[Path, ...] = ()


@dataclass
class PlayedProgram:
    """A program that was played, and its patch; None where nobody said whose it is."""

    stored: StoredProgram
    origin: PatchOrigin


@dataclass
class Counts:
    """Figures of the show that belong to a take, as they are at its end."""

    block: int = 0
    underflows: int = 0
    late_events: int = 0
    lost_events: int = 0
    longest_lag: float = 0.0
    doubts: list[str] = field(default_factory=list)


class Take:
    """The files of one take.

    Parameters
    ----------
    folder : Path
        Empty.
    metadata : TakeMetadata
        As they are at the beginning.
    before : np.ndarray [dtype=layout.EVENT]
        What was played from the start of the show up to the take, in samples of the show.
    free : callable, optional
        As for `disk_writer.DiskSpace`.

    Raises
    ------
    OSError, TakeError
        If the files cannot be made.
    """

    def __init__(
        self, folder: Path, metadata: TakeMetadata, before: Events, free: Callable[[Path], int] = free_bytes
    ) -> None:
        self.folder = folder
        self.metadata = metadata
        self._digest = hashlib.sha256()
        self._lock = RecordingLock(folder)
        self.disk_space = DiskSpace(folder, metadata.rate, free)
        self._unsynced: queue.SimpleQueue[Path] = queue.SimpleQueue()
        self._event_lines = EventLineFile(folder / EVENT_LINES)
        self._write_metadata()
        self._sound = FloatFile(folder / SOUND, metadata.rate, metadata.tags)
        self._input: FloatFile | None = None
        self._input_end = 0
        if metadata.begins_at:
            write_take_events(folder / EARLIER_EVENTS, before, metadata.rate, metadata.begins_at)
            self._unsynced.put(folder / EARLIER_EVENTS)

    @property
    def seconds(self) -> float:
        """Length so far."""
        return self.metadata.frames / self.metadata.rate

    def minutes_left(self) -> float:
        """Return for how many minutes more there is room."""
        # The journal becomes a MIDI file, which is never longer.
        return self.disk_space.minutes_left(int((self.folder / EVENT_LINES).stat().st_size))

    def add_sound(self, frames: Frames) -> None:
        """Append frames.

        Raises
        ------
        OSError, soundfile.SoundFileError
            If the disk takes no more.
        """
        self._sound.write(frames)
        self._digest.update(np.ascontiguousarray(frames, "<f4").data)
        self.metadata.frames += len(frames)

    def add_gap(self, count: int) -> None:
        """Append silence for frames that were lost, so that everything after them keeps its time."""
        self.metadata.lost.append((self.metadata.frames, count))
        self.metadata.lost_frames += count
        piece = np.zeros((self.metadata.rate, 2), np.float32)
        while count > 0:
            self.add_sound(piece[:count])
            count -= len(piece)

    def add_input(self, first: int, frames: Frames) -> None:
        """Append live input, before the sound that it belongs to, so that what a crash leaves has its input.

        Parameters
        ----------
        first : int
            Sample of the show; what lies between the latest input and this is kept as silence.
        frames : np.ndarray [shape=(n, 2), dtype=float32]
        """
        if self._input is None:
            self._input_end = self.metadata.input_at = first
            self._input = FloatFile(self.folder / INPUT, self.metadata.rate, {})
            self.disk_space.files = 2
            self._write_metadata()
        piece = np.zeros((self.metadata.rate, 2), np.float32)
        while (missing := first - self._input_end) > 0:
            self._input.write(piece[:missing])
            self._input_end += min(missing, len(piece))
        self._input.write(frames)
        self._input_end = first + len(frames)

    def add_events(self, events: Events) -> None:
        """Append events, in samples of the take."""
        self._event_lines.add(events)

    def add_program(self, number: int, known: PlayedProgram) -> None:
        """Keep a program with its patch and its drawings as they are now."""
        place = self.folder / PROGRAMS / f"{number:04}"
        place.mkdir(parents=True)
        name = Path(known.origin.name).name or "patch.toml"
        (place / name).write_text(known.origin.text, encoding="utf-8", newline="")
        write_program(place / PLAYED_PROGRAM, known.stored)
        for file in known.origin.files:
            _copy_drawing(file, known.origin.folder, place)
        row = ProgramRow(number=number, patch=f"{PROGRAMS}/{number:04}/{name}")
        self.metadata.program.append(row)
        for path in (place / name, place / PLAYED_PROGRAM, place):
            self._unsynced.put(path)
        self._write_metadata()

    def _write_metadata(self) -> None:
        # Waiting for the disk is for the thread that syncs: sound comes in meanwhile.
        write_metadata(self.folder, self.metadata, wait=False)
        self._unsynced.put(self.folder / METADATA)
        self._unsynced.put(self.folder)

    def sync(self) -> None:
        """Have everything put on the disk itself; may be called from another thread."""
        self._sound.sync()
        if (heard := self._input) is not None:
            heard.sync()
        self._event_lines.sync()
        for _ in range(self._unsynced.qsize()):
            _sync_file(self._unsynced.get())

    def finish(self, counts: Counts) -> None:
        """End the recording.

        Raises
        ------
        OSError, TakeError
            If not even the reserve is enough; `repair_take` can finish later what this could not.
        """
        self.disk_space.release()
        for file in (self._sound, self._input):
            if file is not None:
                with suppress(soundfile.SoundFileError):
                    file.close()
        self._event_lines.close()
        metadata = self.metadata
        metadata.block, metadata.underflows, metadata.late_events = counts.block, counts.underflows, counts.late_events
        metadata.lost_events, metadata.longest_lag = counts.lost_events, round(counts.longest_lag, 3)
        metadata.doubts = list(counts.doubts)
        metadata.sound_sha256 = self._digest.hexdigest()
        if frames_in(self.folder / SOUND) != metadata.frames:
            # The disk took only a part of the last piece.
            metadata.frames, metadata.sound_sha256 = measure_sound(self.folder / SOUND)
        finish_folder(self.folder, metadata)
        self._lock.release()


def _sync_file(path: Path) -> None:
    # A folder can be synced where the system knows how to.
    with suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _copy_drawing(file: Path, patch_folder: Path, place: Path) -> None:
    # What a drawing looked like is worth keeping, but the line that was played is kept beside it anyway.
    try:
        relative = file.absolute().relative_to(patch_folder.absolute())
    except ValueError:
        relative = Path("outside") / file.name
    if ".." in relative.parts:
        relative = Path("outside") / file.name
    found = [path for path in sorted(file.rglob("*")) if path.is_file()] if file.is_dir() else [file]
    for path in found:
        target = place / relative / path.relative_to(file) if file.is_dir() else place / relative
        with suppress(OSError):
            if path.stat().st_size <= MOST_DRAWING_BYTES and not target.exists():
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(path.read_bytes())
