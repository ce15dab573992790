"""Sandbox of the process that reads drawings: the memory it may take, the files it may open, and nothing else."""

from __future__ import annotations

import contextlib
import os
import sys
import sysconfig
from pathlib import Path

from instrument.common.compiled_loops import kernels_folder

# Three walls, each of which holds alone against most faults of a reader: the time limit of the parent, the memory limit of
# the system, and this hook. The hook sees what Python does, not what a C library does by itself; so readers get bytes, and
# open no files of their own.
# Events of Python's audit hooks (PEP 578; the list is in the Python documentation, Audit events table) that
# reach out of the process. Forking is left: the matching runs in a child so that it can be stopped.
REACHING_OUT = (
    "socket.", "subprocess.", "os.exec", "os.spawn", "os.posix_spawn", "os.system", "os.startfile", "urllib.",
    "http.", "ftplib.", "smtplib.", "webbrowser.", "shutil.", "os.remove", "os.rename", "os.rmdir", "os.mkdir",
    "os.link", "os.symlink", "os.truncate", "os.chmod", "os.chown", "pty.",
)  # fmt: skip
DEVICES = ("/dev/null", "/dev/urandom", "/proc/self/", "/sys/devices/system/cpu")


class Sandbox:
    """Audit hook that refuses whatever reading a drawing has no need of; once installed it stays.

    Attributes
    ----------
    readable : list of str
        Folders and files that may be read, with every link followed.
    """

    def __init__(self) -> None:
        package = Path(__file__).resolve().parents[3]
        # Where the interpreter and its libraries lie. The folder that holds this package is none of them when it
        # is a working copy: only the package itself is opened there.
        searched = {Path(folder).resolve() for folder in sys.path if folder} - {package}
        own = {
            *map(Path, sysconfig.get_paths().values()),
            Path(sys.prefix),
            Path(sys.base_prefix),
            package / "instrument",
        }
        # The machine code of compiled loops is read from there, and kept there before the walls are up.
        self.libraries = tuple(str(folder.resolve()) for folder in own | searched | {kernels_folder()})
        self.readable: list[str] = []

    def install(self) -> None:
        """Begin to watch: from now on nothing is written, and nothing outside is read or reached."""
        sys.addaudithook(self._watch)

    def _watch(self, event: str, arguments: tuple[object, ...]) -> None:
        if event == "open":
            self._watch_open(*arguments[:3])
        elif event.startswith(REACHING_OUT):
            raise PermissionError(f"reading a drawing may not do this: {event}")

    def _watch_open(self, path: object, mode: object, flags: object) -> None:
        # A number is a pipe that is open already.
        if isinstance(path, int):
            return
        name = os.fsdecode(path) if isinstance(path, (str, bytes, os.PathLike)) else ""
        writes = isinstance(mode, str) and any(letter in mode for letter in "wax+")
        writes = writes or (isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR)))
        if writes and name != os.devnull:
            raise PermissionError(f"reading a drawing may not write {name}")
        # Not resolve(): it may itself look at files, and this runs within every open.
        real = os.path.realpath(name)
        allowed = (*self.readable, *self.libraries)
        if not name.startswith(DEVICES) and not any(_within(real, folder) for folder in allowed):
            raise PermissionError(f"reading a drawing may not open {name}")


def _within(path: str, folder: str) -> bool:
    return path == folder or path.startswith(folder.rstrip(os.sep) + os.sep)


def limit_memory(further: int) -> None:
    """Allow this process so many more bytes than it has; no core dumps, no files, low priority.

    Where the system has no such limits (Windows), the parent's time limit and the readers' size limits remain.

    Parameters
    ----------
    further : int
        Bytes of address space.
    """
    try:
        import resource  # noqa: PLC0415 (not on every system)
    except ImportError:
        return
    taken = 0
    with contextlib.suppress(OSError, ValueError, IndexError):
        taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    limits = [(resource.RLIMIT_CORE, 0), (resource.RLIMIT_FSIZE, 0)]
    if taken:
        limits.append((resource.RLIMIT_AS, taken + further))
    for kind, most in limits:
        with contextlib.suppress(OSError, ValueError):
            # The soft limit alone, so that a later drawing may be given another one.
            resource.setrlimit(kind, (most, resource.getrlimit(kind)[1]))
