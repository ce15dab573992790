"""Allocating the engine's one memory, private or shared with other processes, and attaching to it."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import sys
import tempfile
import time
from multiprocessing import resource_tracker, shared_memory
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from instrument.engine.memory.layout import ABI, BEND_RANGE, MEMORY, memory_dtype

try:
    import fcntl
except ImportError:  # Windows frees shared memory with its last process
    fcntl = None  # type: ignore[assignment]

SEGMENT_PREFIX = "beamhand-"
"""Start of the names of shared segments; macOS takes no more than 30 characters in all."""

_FOLDER = Path("/dev/shm")  # noqa: S108 - where Linux shows shared memory as files

_SETTLED = 10.0
"""Age in seconds at which a segment that nobody holds is an orphan; a younger one may be about to be held."""

RING_SECONDS = 12.0
"""Shortest time of output that readers may lag behind."""


def ring_frames_for(rate: float, seconds: float = RING_SECONDS) -> int:
    """Return the length of the output ring, in frames: the power of two that holds `seconds`."""
    return 1 << int(np.ceil(np.log2(max(rate * seconds, 2.0))))


class Memory:
    """The engine's memory record, in this process or shared under a name.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=memory_dtype(...)]
        View of the whole memory.
    segment : SharedMemory or None
        The shared segment behind it; None for private memory.
    owner : bool
        Whether closing removes the segment.

    Notes
    -----
    The compiled callback holds the address. Whoever allocates keeps this object alive until the
    stream is closed; other processes only lose their own view when they end.
    """

    def __init__(self, record: npt.NDArray[np.void], segment: Any = None, owner: bool = False) -> None:
        self.record = record
        self._segment = segment
        self._owner = owner

    @property
    def name(self) -> str:
        """Name under which other processes attach; empty for private memory."""
        return str(self._segment.name) if self._segment is not None else ""

    @property
    def address(self) -> int:
        """Address of the record in this process."""
        return int(self.record.ctypes.data)

    def close(self) -> None:
        """Drop this process's view; the owner also removes the shared segment."""
        if self._segment is None:
            return
        self.record = np.zeros((), self.record.dtype[["abi"]])
        # While somebody still holds a view of it, the system takes the memory back when we end.
        with contextlib.suppress(BufferError):
            self._segment.close()
        self.unlink()
        self._segment = None

    def unlink(self) -> None:
        """Remove the shared segment, which is its owner's to do, and keep this process's view of it."""
        if self._segment is not None and self._owner:
            self._owner = False
            self._segment.unlink()


def allocate(rate: float, *, shared: bool = False, ring_seconds: float = RING_SECONDS) -> Memory:
    """Allocate a memory and write its header.

    Every page of a shared one, which plays in real time, is touched. A private one, which renders offline, gets its
    pages as it comes to use them: touching the rest would take longer than many a rendering.

    Parameters
    ----------
    rate : float
        Sample rate in hertz.
    shared : bool
        Whether other processes may attach.
    ring_seconds : float
        Shortest time that the output ring holds.

    Raises
    ------
    OSError
        If the system refuses shared memory of this size, or has no room for it.
    """
    frames = ring_frames_for(rate, ring_seconds)
    dtype = memory_dtype(frames)
    if shared:
        segment = _new_segment(dtype.itemsize)
        record = np.ndarray((), dtype, segment.buf)
        memory = Memory(record, segment, owner=True)
        np.ndarray((dtype.itemsize,), np.uint8, segment.buf)[:] = 0
    else:
        memory = Memory(np.zeros((), dtype))
        record = memory.record
    record["abi"] = ABI
    record["rate"] = rate
    record["ring_frames"] = frames
    record["instances"]["slot"] = -1
    record["instances"]["number"] = (0, 1)
    record["cc"][:] = 0
    record["bend"][:] = 8192
    record["note_key"] = 69.0  # until a note is played: A4, the pen's own key
    record["channels"]["bend_range"] = BEND_RANGE
    record["channels"]["selected"] = -1
    record["set_slots"] = -1
    return memory


def _new_segment(size: int) -> Any:
    remove_orphans()
    segment = shared_memory.SharedMemory(f"{SEGMENT_PREFIX}{secrets.token_hex(4)}", create=True, size=size)
    try:
        _reserve(segment, size)
    except OSError as error:
        segment.close()
        segment.unlink()
        folder = _FOLDER if _FOLDER.is_dir() else Path(tempfile.gettempdir())
        free = shutil.disk_usage(folder).free
        raise OSError(
            f"shared memory ({folder}) has {free / 1e6:.0f} MB free, and a show needs {size / 1e6:.0f} MB: end what fills it, "
            f"or give it more (mount -o remount,size=256m {folder}; a container is started with --shm-size=256m)"
        ) from error
    return segment


def _reserve(segment: Any, size: int) -> None:
    # A page that cannot be had when it is first written to ends the process by a bus error: ask for all of them now.
    descriptor = getattr(segment, "_fd", -1)
    if descriptor < 0 or fcntl is None:
        return
    # Held until the process ends, however it ends: by it others see that the segment is in use.
    with contextlib.suppress(OSError):
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(descriptor, 0, size)


def remove_orphans(folder: Path | None = None) -> int:
    """Remove the shared memory of shows that were killed together with whatever would have removed it.

    Parameters
    ----------
    folder : Path, optional
        Where the system shows shared memory as files; without one (macOS, Windows) nothing can be left.

    Returns
    -------
    int
        Segments removed.
    """
    removed = 0
    if fcntl is None:
        return removed
    for path in (folder or _FOLDER).glob(f"{SEGMENT_PREFIX}*"):
        with contextlib.suppress(OSError):  # somebody else's, or gone already
            if time.time() - path.stat().st_ctime < _SETTLED:
                continue
            descriptor = os.open(path, os.O_RDWR)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                path.unlink()
                removed += 1
            finally:
                os.close(descriptor)
    return removed


def attach(name: str) -> Memory:
    """Attach to a memory that another process allocated.

    Raises
    ------
    FileNotFoundError
        If there is no such memory (its process has ended).
    ValueError
        If it was laid out by another version.
    """
    if sys.version_info >= (3, 13):
        segment = shared_memory.SharedMemory(name=name, track=False)
    else:
        segment = shared_memory.SharedMemory(name=name)
        # Before 3.13 the reader's tracker would remove the memory when only the reader ends.
        resource_tracker.unregister(f"/{segment.name}", "shared_memory")
    found = int(np.ndarray((), np.int64, segment.buf)) if segment.size >= MEMORY.itemsize else -1
    if found != ABI:
        segment.close()
        raise ValueError(f"memory {name} has layout {found}, this version reads {ABI}; restart both processes")
    frames = int(np.ndarray((), MEMORY, segment.buf)["ring_frames"])
    return Memory(np.ndarray((), memory_dtype(frames), segment.buf), segment)
