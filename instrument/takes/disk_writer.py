"""Writing of a take to disk by a thread of its own, with its lag, its losses and the room that is left."""

from __future__ import annotations

import queue
import shutil
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import soundfile

from instrument.takes.sound_file import FRAME_BYTES

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from instrument.takes.take import Counts, PlayedProgram, Take

SYNC_SECONDS = 0.4
"""Time between two orders to the system to put everything on the disk itself: what a power cut may cost at most."""

LOOK_SECONDS = 0.25
"""Time between two looks at how much room there is."""

LAG_SECONDS = 1.0
"""Behind by this much is said at once."""

MOST_LAG_SECONDS = 30.0
"""Behind by more, frames are lost instead of memory."""

WARNING_MINUTES = 5.0
"""Of recording that still fit when a warning is due."""

RESERVE = 1 << 20
"""Bytes kept back, so that the performance and `take.toml` can be written on a disk that others have filled."""

SPARE_SECONDS = 1.0
"""Of sound that are left free when a recording is ended."""

RESERVE_NAME = ".reserve"


def free_bytes(folder: Path) -> int:
    """Return how much the file system of a folder still takes."""
    return shutil.disk_usage(folder).free


class DiskSpace:
    """The room for one recording.

    Parameters
    ----------
    folder : Path
        Of the take.
    rate : int
    free : callable, optional
        Takes the folder and returns the bytes left.

    Attributes
    ----------
    files : int
        Sound files that grow at the same time.

    Raises
    ------
    OSError
        If there is no room to begin with.
    """

    def __init__(self, folder: Path, rate: int, free: Callable[[Path], int] = free_bytes) -> None:
        self._folder = folder
        self._a_second = rate * FRAME_BYTES
        self._free = free
        self.files = 1
        self._reserve = folder / RESERVE_NAME
        self._reserve.write_bytes(bytes(RESERVE))

    def minutes_left(self, other: int = 0) -> float:
        """Return for how many minutes of sound there is room, beside `other` bytes; 0 when it is time to end."""
        a_second = self.files * self._a_second
        left = self._free(self._folder) - other - SPARE_SECONDS * a_second
        return max(left / a_second / 60, 0.0)

    def release(self) -> None:
        """Give the reserve back to whoever ends the recording."""
        with suppress(OSError):
            self._reserve.unlink()


@dataclass(frozen=True)
class Status:
    """Progress of a recording.

    Attributes
    ----------
    seconds : float
        On the disk.
    lag : float
        Seconds of sound that wait to be written.
    minutes : float
        For which there is room.
    lost : int
        Frames that were lost.
    """

    seconds: float
    lag: float
    minutes: float
    lost: int


class DiskWriter:
    """Takes what is to be recorded and never makes the giver wait.

    Parameters
    ----------
    make : callable
        Makes the take; called in the writer's thread.
    rate : int
    say : callable
        Takes one sentence for whoever performs, from the writer's thread.
    counts : callable
        Returns the figures of the show at the end of the take; called in the writer's thread.
    """

    def __init__(
        self, make: Callable[[], Take], rate: int, say: Callable[[str], None], counts: Callable[[], Counts]
    ) -> None:
        self._make = make
        self._counts = counts
        self._rate = rate
        self._say = say
        self._queue: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._waiting = 0
        self._longest_lag = 0.0
        # Catching up at the beginning is no news.
        self._told_lag, self._told_disk = True, False
        self._take: Take | None = None
        self._minutes = float("inf")
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="take", daemon=True)
        self._thread.start()

    @property
    def take(self) -> Take | None:
        """The take, once it has been made."""
        return self._take

    @property
    def over(self) -> bool:
        """True once the take was ended, as asked or because it had to."""
        return self._over.is_set()

    def status(self) -> Status:
        """Return how it is getting on."""
        take = self._take
        return Status(
            take.seconds if take else 0.0,
            self._waiting / self._rate,
            self._minutes,
            take.metadata.lost_frames if take else 0,
        )

    def sound(self, frames: npt.NDArray[np.float32]) -> None:
        """Take frames; if the disk is hopelessly behind they are lost, and counted."""
        if self._waiting > MOST_LAG_SECONDS * self._rate:
            self._queue.put(("gap", len(frames)))
            return
        self._waiting += len(frames)
        self._queue.put(("sound", frames))

    def input(self, first: int, frames: npt.NDArray[np.float32]) -> None:
        """Take live input from a sample of the show on, before the sound that it belongs to."""
        if self._waiting <= MOST_LAG_SECONDS * self._rate:
            self._queue.put(("input", (first, frames)))

    def gap(self, count: int) -> None:
        """Take frames that were lost on the way."""
        self._queue.put(("gap", count))

    def events(self, events: npt.NDArray[np.void]) -> None:
        """Take events, in samples of the take."""
        if len(events):
            self._queue.put(("events", events))

    def program(self, number: int, known: PlayedProgram) -> None:
        """Take a program before the event that changes to it."""
        self._queue.put(("program", (number, known)))

    def stop(self) -> None:
        """End the take when everything given so far has been written."""
        self._queue.put(("stop", None))

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until the take was ended; return whether it was."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._take = take = self._make()
        except (OSError, ValueError, soundfile.SoundFileError) as error:
            self._say(f"the recording cannot begin ({error}); the show goes on.")
            self._over.set()
            return
        ending = threading.Event()
        syncing = threading.Thread(target=_keep_synced, args=(take, ending), name="sync", daemon=True)
        syncing.start()
        trouble = self._record(take)
        ending.set()
        syncing.join()
        try:
            counts = self._counts()
            counts.longest_lag = self._longest_lag
            take.finish(counts)
        except (OSError, ValueError, soundfile.SoundFileError) as error:
            trouble = f"{trouble} It will be mended at the next start ({error}).".strip()
        if trouble:
            self._say(trouble)
        self._over.set()

    def _record(self, take: Take) -> str:
        # Returns why the take has to end early, or nothing.
        look_again = 0.0
        while True:
            now = time.monotonic()
            if now >= look_again:
                look_again = now + LOOK_SECONDS
                if why := self._look(take):
                    return why
            try:
                do, given = self._queue.get(timeout=LOOK_SECONDS)
            except queue.Empty:
                continue
            if do == "stop":
                return ""
            try:
                self._do(take, do, given)
            except (OSError, soundfile.SoundFileError) as error:
                return _ended(take, f"the disk takes no more ({error})")

    def _do(self, take: Take, do: str, given: Any) -> None:
        if do == "sound":
            take.add_sound(given)
            self._waiting -= len(given)
        elif do == "gap":
            take.add_gap(given)
            self._say(f"the recording has lost {given} frames; they are silent in it.")
        elif do == "input":
            take.add_input(*given)
        elif do == "events":
            take.add_events(given)
        elif do == "program":
            take.add_program(*given)

    def _look(self, take: Take) -> str:
        # Returns why the recording has to end, or nothing.
        lag = self._waiting / self._rate
        self._longest_lag = max(self._longest_lag, lag)
        if lag > LAG_SECONDS and not self._told_lag:
            self._say(f"the disk is slow: the recording is {lag:.1f} s behind.")
        self._told_lag = lag > LAG_SECONDS
        try:
            self._minutes = take.minutes_left()
        except OSError as error:
            return _ended(take, f"its folder cannot be reached ({error.strerror})")
        if self._minutes <= 0:
            return _ended(take, "the disk is full")
        if self._minutes < WARNING_MINUTES and not self._told_disk:
            self._say(f"the disk has room for {_minutes(self._minutes)} more of recording.")
        self._told_disk = self._minutes < WARNING_MINUTES
        return ""


def _ended(take: Take, why: str) -> str:
    return f"{why}: the recording has ended after {take.seconds:.1f} s; the show goes on."


def _minutes(minutes: float) -> str:
    return f"{minutes:.0f} minutes" if minutes >= 1.5 else f"{minutes * 60:.0f} seconds"


def _keep_synced(take: Take, ending: threading.Event) -> None:
    while not ending.wait(SYNC_SECONDS):
        with suppress(OSError):
            take.sync()
