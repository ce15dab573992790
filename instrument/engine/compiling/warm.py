"""Compile the engine once, with progress, and keep every part that is finished: `python -m instrument.engine.compiling.warm`."""

from __future__ import annotations

import contextlib
import functools
import gc
import hashlib
import importlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import llvmlite.binding
import numba
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from instrument.common import user_folders
from instrument.common.child_process import child_environment, module_command
from instrument.engine.compiling.compiled import ENGINE, cache_folder, engine_sources, place_cache
from instrument.engine.compiling.lean import can_be_spared, remember_names_of_records, spare_machine_code
from instrument.engine.compiling.units import compile_only

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

UNIT_SECONDS = {
    "layer_draw": 7.3,
    "modulate": 7.4,
    "callback": 5.6,
    "forms": 5.7,
    "start": 5.4,
    "message": 5.2,
    "layers": 4.2,
    "layer_notes": 4.2,
    "controls": 3.4,
    "formula": 3.2,
}
"""Processor seconds that each part took on the machine the README's figures are of; the first lengths of the bar."""

ROOM = 48 << 20
"""Bytes that all machine code needs at most; 9 MB were measured for the engine, 3 for the screen."""

_SPOKEN = 5.0
"""Seconds between two lines where there is no terminal to draw a bar on."""

_PATIENCE = 0.05


@dataclass(frozen=True)
class Part:
    """One process that leaves machine code in the cache.

    Attributes
    ----------
    name : str
    command : tuple of str
        Module and its arguments.
    seconds : float
        Processor seconds that it usually takes.
    mark : Path
        File that says that it is done.
    on_engine : bool
        Whether it loads the engine, and so waits until that is compiled.
    """

    name: str
    command: tuple[str, ...]
    seconds: float
    mark: Path
    on_engine: bool = False


def is_warm() -> bool:
    """Return whether machine code of these sources, where they lie now, is in the cache."""
    return mark_of(ENGINE).exists()


def mark_of(folder: Path) -> Path:
    """Return the file that says that the sources in a folder have their machine code in the cache.

    Numba keeps it by the folder of the sources and takes it only while their times are the same, and on the same kind of
    processor: another installation of the very same sources, or a clone that was moved, has none yet.
    """
    return cache_folder() / f"warm-{place_and_time(engine_sources(folder))}"


def place_and_time(sources: Iterable[Path]) -> str:
    """Return a key of what Numba asks of machine code that it has kept: where its sources lie, their times, the processor, its own version.

    Returns
    -------
    str
        20 hexadecimal digits.
    """
    where = "|".join(f"{path}:{path.stat().st_mtime_ns}" for path in sources)
    return hashlib.sha256(f"{where}|{_processor()}".encode()).hexdigest()[:20]


@functools.cache
def _processor() -> str:
    features = llvmlite.binding.get_host_cpu_features().flatten()
    return f"{llvmlite.binding.get_host_cpu_name()}|{features}|{sys.version}|{numba.__version__}"


def engine_parts() -> list[Part]:
    """Return what the engine is compiled in, a process each."""
    whole = mark_of(ENGINE)
    return [
        Part(name, (__spec__.name, name), seconds, whole.with_name(f"{whole.name}-{name}"))
        for name, seconds in UNIT_SECONDS.items()
    ]


def warm(console: Console | None = None, beside: Sequence[Part] = ()) -> float:
    """Compile the engine, with progress, unless it is in the cache; return the seconds it took.

    What is finished when it is interrupted is kept, and the next call goes on from there.

    Parameters
    ----------
    console : rich.console.Console, optional
        Where progress is shown; standard error by default. Without a terminal it is a line every few seconds.
    beside : sequence of Part
        What else would be compiled while somebody waits.

    Raises
    ------
    OSError
        If the disk of the cache is full.
    """
    began = time.monotonic()
    ready = is_warm()
    waiting = [part for part in (*([] if ready else engine_parts()), *beside) if not part.mark.exists()]
    if ready and not waiting:
        return 0.0
    console = console or Console(stderr=True)
    _make_room(console)
    if waiting:
        with _Compilation(console, waiting) as compilation:
            compilation.run()
    if not ready:
        # What a process of its own could not compile is compiled, and its error seen, here.
        importlib.import_module("instrument.engine.engine")
        _touch(mark_of(ENGINE))
    seconds = time.monotonic() - began
    console.print(f"engine ready after {seconds:.0f} s")
    return seconds


def _make_room(console: Console) -> None:
    folder = user_folders.cache_folder()
    other = user_folders.stand_in() / "cache"
    why = "no folder of yours can be written" if folder == other else ""
    if _free(folder) < ROOM:
        if _free(other) < ROOM:
            raise OSError(
                f"{folder}: the engine's machine code needs {ROOM >> 20} MB, and the disk has {_free(folder) >> 20} MB free; "
                f"make room there, or name a folder on another disk: export {user_folders.CACHE_VARIABLE}=FOLDER"
            )
        why = f"the disk of {folder} is full"
        os.environ[user_folders.CACHE_VARIABLE] = str(other)
        place_cache()
    if why:
        _say(console, f"{why}: compiling into {other}, which lasts until the machine starts anew")


def _say(console: Console, sentence: str) -> None:
    console.print(sentence, soft_wrap=True, highlight=False, markup=False)


def _free(folder: Path) -> int:
    while not folder.exists() and folder.parent != folder:
        folder = folder.parent
    with contextlib.suppress(OSError):
        return shutil.disk_usage(folder).free
    return 0


def _touch(mark: Path) -> None:
    with contextlib.suppress(OSError):  # where nothing can be kept it is compiled again
        mark.parent.mkdir(parents=True, exist_ok=True)
        mark.touch()


@dataclass
class _Running:
    """One part that is being compiled."""

    part: Part
    process: subprocess.Popen[bytes]
    said: Any
    began: float

    def behind(self) -> float:
        """Processor seconds that it has had, as far as the system tells; never all that it usually takes."""
        passed = time.monotonic() - self.began
        with contextlib.suppress(OSError, ValueError, IndexError):
            # utime and stime, the 12th and 13th after the name in brackets: proc_pid_stat(5).
            fields = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
            passed = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        return min(passed, 0.95 * self.part.seconds)


class _Compilation:
    """Parts compiled side by side, as many at a time as there are cores, the longest first."""

    def __init__(self, console: Console, parts: Sequence[Part]) -> None:
        self._console = console
        self._waiting = sorted(parts, key=lambda part: (not part.on_engine, part.seconds))
        self._running: list[_Running] = []
        self._count = len(parts)
        self._done = 0
        self._total = sum(part.seconds for part in parts)
        self._behind = 0.0
        self._cores = min(_cores(), len(parts))
        self._began = self._spoken = time.monotonic()
        columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[left]}"))
        self._bar = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)

    def __enter__(self) -> Self:
        self._say(
            f"compiling the engine for this processor, once for this version: {self._count} parts, {self._left()} on "
            f"{self._cores} core{'s' * (self._cores > 1)}; what is finished is kept"
        )
        if not can_be_spared():
            self._console.print(
                f"numba {numba.__version__} is built otherwise than those we know: it takes twice as long"
            )
        self._bar.start()
        self._task = self._bar.add_task("compiling", total=self._total, left="")
        return self

    def __exit__(self, *exception: object) -> None:
        self._bar.stop()
        for running in self._running:
            running.process.terminate()
        for running in self._running:
            running.process.wait()
            running.said.close()
        if self._running:
            self._say(f"stopped; {self._done} of {self._count} parts are compiled and kept")

    def run(self) -> None:
        """Compile all; what cannot be compiled is left."""
        while self._waiting or self._running:
            while self._may_start():
                self._start(self._waiting.pop())
            time.sleep(_PATIENCE)
            self._collect()
            self._tell()

    def _may_start(self) -> bool:
        if not self._waiting or len(self._running) >= self._cores:
            return False
        # By then everything else has been started, and must be finished as well.
        return not self._waiting[-1].on_engine or not self._running

    def _start(self, part: Part) -> None:
        said = tempfile.TemporaryFile()  # noqa: SIM115 - closed where it is read
        process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            module_command(*part.command),
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            env=child_environment(),
        )
        self._running.append(_Running(part, process, said, time.monotonic()))

    def _collect(self) -> None:
        for running in [running for running in self._running if running.process.poll() is not None]:
            self._running.remove(running)
            self._done += 1
            self._behind += running.part.seconds
            if running.process.returncode == 0:
                _touch(running.part.mark)
            else:
                running.said.seek(0)
                lines = running.said.read().decode(errors="replace").strip().splitlines()
                why = lines[-1] if lines else f"it ended with status {running.process.returncode}"
                self._say(f"{running.part.name} was not compiled ahead: {why}")
            running.said.close()

    def _say(self, sentence: str) -> None:
        _say(self._console, sentence)

    @property
    def _share(self) -> float:
        return (self._behind + sum(running.behind() for running in self._running)) / self._total

    def _left(self) -> str:
        share = self._share
        # How fast it goes here is known once some of it is done; before that, as where the seconds were measured.
        if share < 0.05:
            seconds = self._total / self._cores
        else:
            seconds = (time.monotonic() - self._began) * (1.0 - share) / share
        return f"about {max(5, 5 * round(seconds / 5))} s"

    def _tell(self) -> None:
        self._bar.update(self._task, completed=self._share * self._total, left=f"{self._left()} left")
        now = time.monotonic()
        if not self._console.is_terminal and now - self._spoken >= _SPOKEN and self._running:
            self._spoken = now
            self._say(f"compiling: {self._done} of {self._count} parts, {self._left()} left")


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def compile_alone(part: str) -> None:
    """Compile one part of the engine into the cache, in a process that never runs what it compiles.

    Parameters
    ----------
    part : str
        ``callback`` or one of `units.ALL`.
    """
    # A process of a few seconds keeps nearly all that it makes; looking for garbage is a twelfth of its time.
    gc.disable()
    remember_names_of_records()
    spare_machine_code()
    compile_only(part)
    importlib.import_module(f"instrument.engine.{'signal.render' if part == 'callback' else 'compiling.unit_entries'}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        compile_alone(sys.argv[1])
    else:
        warm()
