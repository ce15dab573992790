"""Surroundings of the instrument in a fault campaign: an ear on the sound server, a controller, a clock that is set."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np
import psutil

from instrument.engine.memory.allocation import Memory, attach

if TYPE_CHECKING:
    from collections.abc import Mapping

EAR = """
import os, sys, time
import jack, numpy as np

while True:
    try:
        client = jack.Client("ear", no_start_server=True)
        break
    except jack.JackError:
        time.sleep(0.05)
ports = [client.inports.register(f"in_{k}") for k in (1, 2)]
silent, heard = 0, False

def flush():
    global silent
    if silent >= %(least)d:
        print("gap", time.monotonic() - silent / client.samplerate, silent / client.samplerate, flush=True)
    silent = 0

@client.set_process_callback
def process(frames):
    global silent, heard
    if not connected:
        return
    loud = np.flatnonzero((ports[0].get_array() != 0) | (ports[1].get_array() != 0))
    if not len(loud):
        silent += frames
        return
    silent += int(loud[0])
    if not heard:
        print("heard", time.monotonic(), flush=True)
        heard, silent = True, 0
    flush()
    silent = frames - 1 - int(loud[-1])

@client.set_shutdown_callback
def ended(status, reason):
    os._exit(0)

connected = False
client.activate()
while not connected:
    time.sleep(0.02)
    found = client.get_ports("^Beamhand:out_[12]$", is_audio=True)
    if len(found) == 2:
        try:
            for port, own in zip(found, ports):
                client.connect(port, own)
            connected = True
        except jack.JackError:
            pass
sys.stdin.read()
os._exit(0)
"""
"""A JACK client that tells when it first hears something, and each silence of so many frames after that."""

CONTROLLER = """
import os, sys, time
import jack

client = jack.Client("controller", no_start_server=True)
port = client.midi_outports.register("out")
beat = 0

@client.set_process_callback
def process(frames):
    global beat
    port.clear_buffer()
    beat += 1
    if beat % 8 == 0:
        port.write_midi_event(0, (0xB0, 1, 40 + beat // 8 % 80))

@client.set_shutdown_callback
def ended(status, reason):
    os._exit(0)

client.activate()
sys.stdin.read()
client.close()
os._exit(0)
"""
"""A JACK client that sends a control change now and then, as a hand on a knob does."""

CLOCK = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long shift(void) {
    static volatile long *seconds;
    if (!seconds) {
        const char *path = getenv("BEAMHAND_CLOCK");
        int file = path ? open(path, O_RDONLY) : -1;
        if (file < 0) return 0;
        seconds = mmap(0, sizeof *seconds, PROT_READ, MAP_SHARED, file, 0);
        close(file);
    }
    return *seconds;
}
int clock_gettime(clockid_t id, struct timespec *t) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = dlsym(RTLD_NEXT, "clock_gettime");
    int status = real(id, t);
    if (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE) t->tv_sec += shift();
    return status;
}
int gettimeofday(struct timeval *t, void *zone) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    t->tv_sec = now.tv_sec;
    t->tv_usec = now.tv_nsec / 1000;
    return 0;
}
time_t time(time_t *t) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (t) *t = now.tv_sec;
    return now.tv_sec;
}
"""
"""A library to be loaded first, under which the clock on the wall can be set for one process, and no other clock."""


class SetClock:
    """The clock on the wall as a process sees it.

    Parameters
    ----------
    folder : Path
        For the library.

    Raises
    ------
    RuntimeError
        If there is no C compiler.
    """

    def __init__(self, folder: Path) -> None:
        source, library = folder / "clock.c", folder / "clock.so"
        source.write_text(CLOCK)
        try:
            subprocess.run(["cc", "-O1", "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
        except (OSError, subprocess.CalledProcessError) as error:
            raise RuntimeError("there is no C compiler to set the clock with") from error
        self._cell = folder / "clock"
        self.set(0)
        self.environment = {"LD_PRELOAD": str(library), "BEAMHAND_CLOCK": str(self._cell)}

    def set(self, seconds: int) -> None:
        """Set the clock so many seconds forward, or back."""
        with self._cell.open("r+b" if self._cell.exists() else "wb") as file:
            file.write(int(seconds).to_bytes(8, "little", signed=True))


class Script:
    """A little program with a conversation: what it prints is kept, and it ends when it is no longer spoken to.

    Parameters
    ----------
    code : str
        Python.
    environment : mapping of str to str, optional
        By default our own.
    """

    def __init__(self, code: str, environment: Mapping[str, str] | None = None) -> None:
        self.said: list[list[str]] = []
        self._process = subprocess.Popen(
            [sys.executable, "-c", code],
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, args=(self._process.stdout,), daemon=True)
        self._reader.start()

    def _read(self, stream: IO[str] | None) -> None:
        for line in stream or ():
            self.said.append(line.split())

    def ask(self) -> None:
        """Give it an empty line, if it is still there."""
        with suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.write("\n")
                self._process.stdin.flush()

    def leave(self) -> None:
        """Let it take leave of the sound server, as the server's own driver does for a plug that is pulled.

        A client that is killed instead holds up whoever listens to it until the server has noticed.
        """
        if self._process.stdin is not None:
            self._process.stdin.close()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(2.0)
        self.end()

    def end(self) -> None:
        """End it at once."""
        self._process.kill()
        self._process.wait()
        self._reader.join()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()


def ear(least: int) -> Script:
    """Return a JACK client that tells of silences of at least so many frames."""
    return Script(EAR % {"least": least})


class SmallDisk:
    """A file system of a few megabytes, where the machine lets one be made; otherwise a plain folder.

    Attributes
    ----------
    real : bool
        Whether it can be full.
    """

    def __init__(self, folder: Path, megabytes: int = 24) -> None:
        self.folder = folder
        folder.mkdir()
        options = f"size={megabytes}m"
        mount = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
        self.real = subprocess.run(mount, capture_output=True, check=False).returncode == 0

    def fill(self) -> None:
        """Leave not a byte."""
        with suppress(OSError), (self.folder / "full").open("wb", buffering=0) as file:
            for size in (1 << 20, 1 << 12, 1):
                with suppress(OSError):
                    while file.write(bytes(size)):
                        pass

    def empty(self) -> None:
        """Give it back."""
        (self.folder / "full").unlink(missing_ok=True)

    def close(self) -> None:
        """Take it away."""
        if self.real:
            subprocess.run(["umount", "-l", str(self.folder)], check=False)


SHORTEST_STOP = 0.05
"""Seconds by which the engine falls behind in one go from which it counts: more than any block."""

SAME = 0.9
"""Of a time in which the engine fell behind, the part in which nothing else ran either, from which the machine stood still."""


class Pace:
    """Tells when the engine falls behind the clock, looked at some hundred times a second.

    Parameters
    ----------
    at : int
        Frames so far.
    now : float
        Seconds of the monotonic clock.
    rate : float
        Hertz.
    """

    def __init__(self, at: int, now: float, rate: float) -> None:
        self._at, self._rate = at, rate
        self._since = self._looked = now
        self._paused = 0.0
        self.stops: list[tuple[float, float]] = []
        """When the engine fell behind, in seconds of the monotonic clock, and by how long."""
        self.machine_stops: list[float] = []
        """Seconds for which nothing ran, this process as little as the show: the machine itself stood still."""

    def look(self, at: int, now: float) -> None:
        """Take in how far the engine is."""
        self._paused = max(self._paused, now - self._looked)
        self._looked = now
        if at == self._at:
            return
        # What it has made up for in this time was not lost; we may be late ourselves.
        short = now - self._since - (at - self._at) / self._rate
        if short > SHORTEST_STOP and self._at > 0:
            # Whatever holds the show up does not hold us up.
            if self._paused > SAME * short:
                self.machine_stops.append(short)
            else:
                self.stops.append((self._since, short))
        self._at, self._since, self._paused = at, now, 0.0


class Witness:
    """Follows the engine from outside: when its time stands still, and a checksum of all that it puts out.

    Parameters
    ----------
    memory : np.ndarray
        Record of the engine's memory.
    """

    PIECE = 4800

    def __init__(self, memory: Any) -> None:
        self._memory = memory
        self.pace = Pace(int(memory["ring_at"]), time.monotonic(), float(memory["rate"]))
        self.pieces: dict[int, int] = {}
        """Checksum of each `PIECE` frames by its number."""
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Follow no more."""
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        at = int(self._memory["ring_at"])
        piece = -(-at // self.PIECE)
        while not self._ending.wait(0.004):
            at = int(self._memory["ring_at"])
            self.pace.look(at, time.monotonic())
            while at >= (piece + 1) * self.PIECE:
                self.pieces[piece] = self._checksum(piece)
                piece += 1

    def _checksum(self, piece: int) -> int:
        ring, size = self._memory["ring"], int(self._memory["ring_frames"])
        places = np.arange(piece * self.PIECE, (piece + 1) * self.PIECE) % size
        return checksum(ring[places])


def checksum(frames: Any) -> int:
    """Return a checksum of stereo float32 frames."""
    from zlib import crc32  # noqa: PLC0415 - the one use

    return crc32(np.ascontiguousarray(frames, np.float32).tobytes())


def memory_of(show: subprocess.Popen[bytes]) -> Memory:
    """Return the engine's memory of a running show, once there is one.

    Raises
    ------
    RuntimeError
        If the show ends without one.
    """
    while show.poll() is None:
        with suppress(OSError, ValueError):  # not there, or not laid out yet
            for line in Path(f"/proc/{show.pid}/maps").read_text().splitlines():
                if "/dev/shm/beamhand-" in line:  # noqa: S108 - where Linux shows shared memory
                    return attach(line.rpartition("/")[2])
        time.sleep(0.05)
    raise RuntimeError(f"the show has ended with status {show.returncode} before it began")


def children_of(process_id: int, words: str) -> list[int]:
    """Return the processes that a process has started and whose command line holds some words."""
    found = []
    with suppress(psutil.NoSuchProcess):
        for child in psutil.Process(process_id).children():
            with suppress(psutil.NoSuchProcess, psutil.AccessDenied):
                if words in " ".join(child.cmdline()):
                    found.append(child.pid)
    return found


def end_in_order() -> None:
    """Let SIGTERM end this process as an exception does: with servers, screens and disks given back."""
    signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))


def end(process: subprocess.Popen[bytes]) -> None:
    """End a process that is still there at once, and whatever it has started."""
    if process.poll() is None:
        children = psutil.Process(process.pid).children(recursive=True)
        process.kill()
        for child in children:
            with suppress(psutil.NoSuchProcess):
                child.kill()
    process.wait()


def scratch() -> Path:
    """Return a new folder for one campaign."""
    return Path(tempfile.mkdtemp(prefix=f"faults{os.getpid()}_"))
