"""Make a clone ready to run: .venv, the packages in it, the system's parts, the compiled engine."""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 - the sentence is for people who have an older one
    sys.exit(
        f"Beamhand needs Python 3.11 or newer, and this is {sys.version_info[0]}.{sys.version_info[1]}. "
        "Start it with a newer one, for example: python3.12 tools/play.py"
    )

import hashlib
import json
import os
import subprocess
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tools.setup import system_packages
from tools.setup.system_packages import SystemPart

ROOT = Path(__file__).resolve().parents[2]

COMPILED = (
    "instrument/engine/compiling/warm",
    "instrument/beam/look",
    "instrument/audio/jack/process_callback",
)
"""Modules that compile, once for each version, what else would be compiled while somebody waits for the sound."""


def prepare(extras: Sequence[str], parts: Sequence[SystemPart], *, root: Path = ROOT) -> Path:
    """Make the clone ready, doing only what is not done yet.

    Parameters
    ----------
    extras : sequence of str
        Optional dependency groups of pyproject.toml.
    parts : sequence of SystemPart
        What the operating system should bring.
    root : Path
        The clone.

    Returns
    -------
    Path
        The interpreter inside .venv.

    Raises
    ------
    SystemExit
        Something needed could not be had; its message or its exit code says so.
    """
    # The system's packages and Python's come by different ways; neither waits for the other.
    with ThreadPoolExecutor(1) as beside:
        brought = beside.submit(system_packages.get, parts)
        python = _prepare_venv(extras, root)
        brought.result()
    _warm_engine(python, root)
    return python


def venv_python(root: Path = ROOT) -> Path:
    """Give the path of the interpreter in a clone's .venv, whether or not it exists yet.

    Parameters
    ----------
    root : Path
        The clone.

    Returns
    -------
    Path
    """
    return root / ".venv" / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _prepare_venv(extras: Sequence[str], root: Path) -> Path:
    python = venv_python(root)
    made_by = _made_by(root)
    wants = hashlib.sha256((root / "pyproject.toml").read_bytes()).hexdigest()
    stamp_file = root / ".venv" / "beamhand-ready.json"
    stamp = _read_stamp(stamp_file)
    usable = stamp.get("made_by") == made_by and python.exists()
    have = set(stamp["extras"]) if usable else set()
    if usable and stamp.get("pyproject") == wants and have >= set(extras):
        return python

    # The stamp goes first and comes back last, so that an interrupted run is never taken for a finished one.
    stamp_file.unlink(missing_ok=True)
    if not usable:
        _make_venv(root)
    have |= set(extras)
    _install(python, sorted(have), root)
    stamp_file.write_text(json.dumps({"made_by": made_by, "pyproject": wants, "extras": sorted(have)}, indent=1))
    return python


def _base_interpreter() -> str:
    # Started from inside some virtual environment, go back to the Python that made it.
    return getattr(sys, "_base_executable", None) or sys.executable


def _made_by(root: Path) -> dict[str, str]:
    """Everything a .venv does not survive a change of; the folder is in it because scripts name it."""
    return {"root": str(root), "interpreter": os.path.realpath(_base_interpreter()), "python": sys.version}


def _read_stamp(stamp_file: Path) -> dict[str, Any]:
    try:
        stamp = json.loads(stamp_file.read_text())
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) and isinstance(stamp.get("extras"), list) else {}


def _make_venv(root: Path) -> None:
    _say("Making .venv")
    if sys.base_prefix == "/usr":
        system_packages.get([system_packages.debian_venv(sys.version_info[:2])], required=True)
    _run_or_exit(
        [_base_interpreter(), "-m", "venv", "--clear", str(root / ".venv")],
        "No .venv could be made; the lines above say why.",
    )


def _install(python: Path, extras: Sequence[str], root: Path) -> None:
    pip = [str(python), "-m", "pip", "--disable-pip-version-check", "--no-input"]
    if sys.platform.startswith("linux"):
        # Newer Pythons than the wheels know get python-rtmidi as source: ask pip rather than keep a list.
        probe = [*pip, "install", "--quiet", "--dry-run", "--no-deps", "--only-binary=:all:", "python-rtmidi"]
        if subprocess.run(probe, capture_output=True, check=False).returncode != 0:
            system_packages.get([system_packages.RTMIDI_BUILD_TOOLS])
    _say("Installing Beamhand and what it needs into .venv (a minute or two the first time)")
    what = f".[{','.join(extras)}]" if extras else "."
    _run_or_exit(
        [*pip, "install", "--editable", what],
        "pip could not install everything; the lines above say why. It can be started again.",
        cwd=root,
    )


def _warm_engine(python: Path, root: Path) -> None:
    parts = [part.replace("/", ".") for part in COMPILED if (root / part).with_suffix(".py").exists()]
    if not parts:
        return
    engine, *others = [[str(python), "-P", "-m", part] for part in parts]
    trouble = "The engine could not be compiled; the lines above say why."
    _run_or_exit(engine, trouble)
    # The engine keeps every core busy by itself; what follows takes one each.
    running = [subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=sys.stderr) for command in others]
    failed = [code for code in [process.wait() for process in running] if code != 0]
    if failed:
        _say(trouble)
        raise SystemExit(failed[0] if failed[0] > 0 else 1)


def _run_or_exit(command: Sequence[str], sentence: str, *, cwd: Path | None = None) -> None:
    done = subprocess.run(command, cwd=cwd, stdin=subprocess.DEVNULL, stdout=sys.stderr, check=False)
    if done.returncode != 0:
        _say(sentence)
        raise SystemExit(done.returncode if done.returncode > 0 else 1)


def _say(sentence: str) -> None:
    # Messages go to standard error; standard output belongs to the program that is started afterwards.
    print(sentence, file=sys.stderr, flush=True)
