"""Compile the engine once, with progress: `python -m instrument.engine.compiling.warm`."""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import os
import subprocess
import sys
import threading
import time
from types import ModuleType
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from instrument.engine.compiling.compiled import ENGINE, cache_folder, engine_sources
from instrument.engine.compiling.lean import spare_machine_code
from instrument.engine.compiling.units import ALL

if TYPE_CHECKING:
    from pathlib import Path

USUAL_SECONDS = 40.0
"""Length of the progress bar: about what two shared cores take."""

_LONGEST = ("unit_modulate", "unit_start", "unit_layer_draw")
_PATIENCE = 0.05


def is_warm() -> bool:
    """Return whether machine code of these sources, where they lie now, is in the cache."""
    return mark_of(ENGINE).exists()


def mark_of(folder: Path) -> Path:
    """Return the file that says that the sources in a folder have their machine code in the cache.

    Numba keeps it by the folder of the sources and takes it only while their times are the same: another installation
    of the very same sources, or a clone that was moved, has none yet.
    """
    where = "|".join(f"{path}:{path.stat().st_mtime_ns}" for path in engine_sources(folder))
    return cache_folder() / f"warm-{hashlib.sha256(where.encode()).hexdigest()[:20]}"


def warm(console: Console | None = None) -> float:
    """Compile the engine, with progress, unless it is in the cache; return the seconds it took.

    Parameters
    ----------
    console : rich.console.Console, optional
        Where progress is shown; standard error by default.
    """
    began = time.monotonic()
    if is_warm():
        return 0.0
    console = console or Console(stderr=True)
    failure: list[BaseException] = []

    def compile_all() -> None:
        try:
            _compile_units()
            importlib.import_module("instrument.engine.engine")
        except BaseException as error:  # noqa: BLE001 - handed to the caller's thread below
            failure.append(error)

    worker = threading.Thread(target=compile_all)
    if not console.is_terminal:
        console.print("compiling the engine, once for this version (a minute or two) ...")
    columns = (TextColumn("compiling the engine, once for this version"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("", total=USUAL_SECONDS)
        worker.start()
        while worker.is_alive():
            worker.join(0.25)
            progress.update(bar, completed=min(time.monotonic() - began, USUAL_SECONDS))
    if failure:
        raise failure[0]
    with contextlib.suppress(OSError):  # where nothing can be kept it is compiled again
        mark_of(ENGINE).touch()
    seconds = time.monotonic() - began
    console.print(f"engine ready after {seconds:.0f} s")
    return seconds


def _compile_units() -> None:
    # Every unit in a process of its own, as many at a time as there are cores, and the longest first.
    waiting = sorted([*ALL, "callback"], key=lambda module: module in _LONGEST)
    running: list[subprocess.Popen[bytes]] = []
    while waiting or running:
        while waiting and len(running) < (os.cpu_count() or 1):
            command = [sys.executable, "-m", "instrument.engine.compiling.warm", waiting.pop()]
            running.append(subprocess.Popen(command))  # noqa: S603 - our own interpreter and module
        time.sleep(_PATIENCE)
        # What one could not compile is compiled, and its error seen, in this process.
        running = [process for process in running if process.poll() is None]


def compile_alone(module: str) -> None:
    """Compile one module of the engine into the cache, in a process that never runs what it compiles.

    Parameters
    ----------
    module : str
        ``callback`` or one of `units.ALL`.
    """
    spare_machine_code()
    for name, unit in ALL.items():
        if name != module:
            sys.modules[f"instrument.engine.compiling.{name}"] = ModuleType(name)
            unit.stand_in()
    importlib.import_module(f"instrument.engine.compiling.{module}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        compile_alone(sys.argv[1])
    else:
        warm()
