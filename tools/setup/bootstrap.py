"""Make a clone ready to run: .venv, the packages in it, the system's parts, the compiled engine."""

import contextlib
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tools.setup import system_packages
from tools.setup.system_packages import SystemPart

ROOT = Path(__file__).resolve().parents[2]

FIRST = (
    *("mido", "numba", "numpy", "platformdirs", "pydantic", "pygame", "pygame-ce", "rich", "sounddevice"),
    *("soundfile", "tomlkit", "typer"),
)
"""Packages that the first picture needs; a test plays with nothing else. The rest is installed while the engine is compiled."""

DRAWINGS = (
    *(
        "av",
        "charset-normalizer",
        "contourpy",
        "fast-simplification",
        "fonttools",
        "hershey-fonts",
        "matplotlib",
        "pillow",
        "pymatching",
        "scikit-image",
        "scipy",
    ),
    "svgelements",
)
"""Packages that read drawings, and so the patches of the set that hold any: these come first of the rest. Pymatching imports
matplotlib and networkx, whoever calls it."""

MIDI = "python-rtmidi"
"""Comes by ways of its own, for newer Pythons than its wheels know get it as source."""

COMPILED = ("instrument/cli/first_compilation", "instrument/beam/look")
"""Modules that compile, once for each version, what else would be compiled while a test waits for it."""

INSTALLING = "beamhand-installing"
"""As in `instrument/common/late_libraries.py`."""

_SPOKEN = 10.0
"""Seconds between two lines of a command that says nothing."""

_UNREACHABLE = re.compile(r"Retrying \(Retry|Could not fetch URL|connection broken|ProxyError|SSLError", re.IGNORECASE)
"""Words of pip when a registry did not answer; that a release has no wheel it says without any of these."""

_OFFLINE = (
    "The package registry cannot be reached: the lines above say how that failed. Look after the network (or a proxy, "
    "PIP_INDEX_URL, PIP_CERT), then start this again; what has arrived is kept."
)


def prepare(extras: Sequence[str], parts: Sequence[SystemPart], *, root: Path = ROOT) -> Path:
    """Make the clone wholly ready, doing only what is not done yet.

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
        python = prepare_first(root, also=extras)
        finish(python, root)
        brought.result()
    compile_all(python, root)
    return python


def prepare_first(root: Path = ROOT, also: Sequence[str] = ()) -> Path:
    """Make .venv and put into it what the first picture needs; with extras, leave all else to `finish`.

    Returns
    -------
    Path
        The interpreter inside .venv.
    """
    python = venv_python(root)
    made_by = _made_by(root)
    stamp = read_stamp(root)
    usable = stamp.get("made_by") == made_by and python.exists()
    have = set(stamp["extras"]) if usable else set()
    if usable and stamp.get("pyproject") == _wanted(root) and have >= set(also):
        return python
    # The stamp goes first and comes back last, so that an interrupted run is never taken for a finished one.
    extras = sorted(have | set(also))
    if not usable:
        _make_venv(root)
    _stamp_file(root).unlink(missing_ok=True)
    _install_first(python, root)
    facts = {"made_by": made_by, "pyproject": _wanted(root), "extras": extras, "whole": False}
    _stamp_file(root).write_text(json.dumps(facts, indent=1), encoding="utf-8")
    return python


def is_whole(root: Path = ROOT) -> bool:
    """Return whether all libraries are installed, not only those for the first picture."""
    return bool(read_stamp(root).get("whole"))


def finish(python: Path, root: Path = ROOT, *, behind: threading.Event | None = None) -> None:
    """Install the rest, unless that is done.

    Parameters
    ----------
    python : Path
        The interpreter inside .venv.
    root : Path
    behind : threading.Event, optional
        A show is playing meanwhile: two lines are said, the show has the processor first and Ctrl C for itself, and
        everything is stopped when the event is set.

    Raises
    ------
    SystemExit
        It could not be had.
    """
    if is_whole(root):
        return
    stamp = read_stamp(root)
    mark = root / ".venv" / INSTALLING
    try:
        if behind is None:
            _install_rest(python, stamp["extras"], root)
        else:
            for stage, names in ((f"{os.getpid()} drawings", DRAWINGS), (f"{os.getpid()}", None)):
                mark.write_text(stage, encoding="ascii")
                _install_behind(python, requirements(root, names, stamp["extras"]), root, behind)
    finally:
        mark.unlink(missing_ok=True)
    _stamp_file(root).write_text(json.dumps(stamp | {"whole": True}, indent=1), encoding="utf-8")


def compile_all(python: Path, root: Path = ROOT) -> None:
    """Compile what would else be compiled while a test waits for it, with progress.

    Raises
    ------
    SystemExit
        It could not be compiled.
    """
    for part in COMPILED:
        if (root / part).with_suffix(".py").exists():
            _run_or_exit(
                [str(python), "-P", "-m", part.replace("/", ".")],
                "The engine could not be compiled; the lines above say why.",
            )


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


def _stamp_file(root: Path) -> Path:
    return root / ".venv" / "beamhand-ready.json"


def _wanted(root: Path) -> str:
    return hashlib.sha256((root / "pyproject.toml").read_bytes()).hexdigest()


def _base_interpreter() -> str:
    # Started from inside some virtual environment, go back to the Python that made it.
    return getattr(sys, "_base_executable", None) or sys.executable


def _made_by(root: Path) -> dict[str, str]:
    """Everything a .venv does not survive a change of; the folder is in it because scripts name it."""
    return {"root": str(root), "interpreter": os.path.realpath(_base_interpreter()), "python": sys.version}


def read_stamp(root: Path = ROOT) -> dict[str, Any]:
    """Return what is known of a clone's .venv; nothing of one that is not finished, or damaged."""
    try:
        stamp = json.loads(_stamp_file(root).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) and isinstance(stamp.get("extras"), list) else {}


def _make_venv(root: Path) -> None:
    _say("Making .venv")
    if sys.base_prefix == "/usr":
        system_packages.get([system_packages.debian_venv(sys.version_info[:2])], required=True)
    venv, before = root / ".venv", root / ".venv.before"
    if not os.access(root, os.W_OK):
        raise SystemExit(
            f"{root} cannot be written to, and .venv belongs there: copy the folder to one of your own, "
            "or ask whoever owns it."
        )
    # One that serves another Python, or another place, is put aside, not lost: making the new one may fail.
    shutil.rmtree(before, ignore_errors=True)
    with contextlib.suppress(FileNotFoundError):
        venv.rename(before)
    try:
        _run_or_exit([_base_interpreter(), "-m", "venv", str(venv)], "No .venv could be made; the lines above say why.")
    except BaseException:
        shutil.rmtree(venv, ignore_errors=True)
        with contextlib.suppress(FileNotFoundError):
            before.rename(venv)
        raise
    shutil.rmtree(before, ignore_errors=True)


def requirements(root: Path, names: Iterable[str] | None = None, extras: Iterable[str] = ()) -> list[str]:
    """Return the lines of pyproject.toml that name what is needed.

    Parameters
    ----------
    root : Path
        The clone.
    names : iterable of str, optional
        Only these; all by default.
    extras : iterable of str
        Optional groups that are wanted as well.
    """
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8")).get("project", {})
    groups = project.get("optional-dependencies", {})
    lines = [*project.get("dependencies", []), *(line for extra in extras for line in groups.get(extra, []))]
    wanted = None if names is None else set(names)
    return [line for line in lines if wanted is None or _name(line) in wanted]


def _name(line: str) -> str:
    return re.split(r"[ <>=!~\[;]", line, maxsplit=1)[0].lower()


def _pip(python: Path) -> list[str]:
    return [str(python), "-m", "pip", "--disable-pip-version-check", "--no-input"]


def _install_first(python: Path, root: Path) -> None:
    _say("Installing what the first picture needs into .venv (150 MB; 10 s and the time to fetch them)")
    spell_plainly(root)  # or no Python starts in one that was made before
    # Python compiles what it imports by itself; compiling all of it now would take as long as installing.
    install = [*_pip(python), "install", "--no-compile"]
    _fetch(python, [*install, *requirements(root, FIRST)], root)
    _bring_midi(python, root)
    _fetch(python, [*install, "--no-deps", "--editable", "."], root)
    spell_plainly(root)


def spell_plainly(root: Path) -> None:
    """Let the place of the clone be found in every language.

    Before 3.13 Python reads the path that an editable installation leaves (`site`, Python's reference documentation) in the
    encoding of the system's language, and does not start if that has no such letters. Seen from where it lies it has none.
    """
    for place in ("lib/python*", "Lib"):
        for path in (root / ".venv").glob(f"{place}/site-packages/*beamhand.pth"):
            if not path.read_bytes().isascii():
                path.write_text(f"{os.path.relpath(root, path.parent)}\n", encoding="ascii")


def _install_rest(python: Path, extras: Sequence[str], root: Path) -> None:
    _say("Installing the rest: drawings, films, reports" + (" and what the tests need" if extras else ""))
    rest = [line for line in requirements(root, None, extras) if _name(line) != MIDI]
    _fetch(python, [*_pip(python), "install", *rest], root)


def _install_behind(python: Path, lines: Sequence[str], root: Path, behind: threading.Event) -> None:
    # A process that starts meanwhile may look for any of these: each appears whole, or not at all.
    coming = root / ".venv" / "coming"
    shutil.rmtree(coming, ignore_errors=True)
    report = root / ".venv" / "coming.json"
    polite = ["nice", "-n", "10"] if shutil.which("nice") else []
    pip = [*polite, *_pip(python), "--quiet", "install"]
    wanted = [line for line in lines if _name(line) != MIDI]
    _fetch(python, [*pip, "--dry-run", "--report", str(report), *wanted], root, behind)
    found = [item["metadata"] for item in json.loads(report.read_text(encoding="utf-8"))["install"]]
    report.unlink()
    versions = [f"{item['name']}=={item['version']}" for item in found]
    if versions:
        _fetch(python, [*pip, "--no-deps", "--no-compile", "--target", str(coming), *versions], root, behind)
        move_in(coming, _site_packages(python))


def _site_packages(python: Path) -> Path:
    ask = [str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]
    return Path(subprocess.run(ask, capture_output=True, text=True, check=True).stdout.strip())


def move_in(coming: Path, site: Path) -> None:
    """Move installed libraries into place, each in one step, its own shared libraries before it and its record after it."""

    def order(path: Path) -> tuple[bool, bool, str]:
        return path.name.endswith(".dist-info"), not path.name.endswith(".libs"), path.name

    for path in sorted(coming.iterdir(), key=order):
        target = site / path.name
        if path.name == "bin":  # their own commands, which nobody here calls
            continue
        if target.is_dir() and path.is_dir():  # shared by several libraries
            shutil.copytree(path, target, dirs_exist_ok=True)
        else:
            path.replace(target)
    shutil.rmtree(coming, ignore_errors=True)


def _bring_midi(python: Path, root: Path) -> None:
    if _imports(python, "rtmidi"):
        return
    wheel = [*_pip(python), "install", "--no-compile", "--only-binary=:all:", *requirements(root, [MIDI])]
    tried = subprocess.run(wheel, cwd=root, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    if tried.returncode == 0 or not requirements(root, [MIDI]):
        return
    if _UNREACHABLE.search(tried.stdout + tried.stderr):
        _say(tried.stderr.strip())
        raise SystemExit(_OFFLINE)
    _say(f"There is no ready-made {MIDI} for Python {sys.version_info[0]}.{sys.version_info[1]}.")
    if sys.base_prefix == "/usr" and _from_debian(python):
        return
    system_packages.get([system_packages.RTMIDI_BUILD_TOOLS])
    if system_packages.RTMIDI_BUILD_TOOLS.present():
        build = [*_pip(python), "install", "--no-compile", *requirements(root, [MIDI])]
        if _run(build, cwd=root) == 0:
            return
    trouble = (
        f"{MIDI} could not be had: without JACK no controller is heard, everything else plays. Once it can, "
        "remove .venv and start this again."
    )
    if system_packages.CI:
        raise SystemExit(trouble)
    _say(trouble)


def _from_debian(python: Path) -> bool:
    """Copy the library that Debian builds for its own Python, which is far less than a compiler and its headers."""
    if not system_packages.PYTHON_RTMIDI.present():
        system_packages.get([system_packages.PYTHON_RTMIDI], required=False)
    packages = Path("/usr/lib/python3/dist-packages")
    found = [*packages.glob("rtmidi"), *packages.glob("python_rtmidi-*.dist-info")]
    if len(found) < 2:
        return False
    site = _site_packages(python)
    for path in found:
        shutil.copytree(path, site / path.name, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
    if _imports(python, "rtmidi"):
        return True
    for path in found:
        shutil.rmtree(site / path.name)
    return False


def _imports(python: Path, module: str) -> bool:
    look = [str(python), "-c", f"import {module}"]
    return subprocess.run(look, capture_output=True, check=False).returncode == 0


def _fetch(python: Path, command: Sequence[str], root: Path, behind: threading.Event | None = None) -> None:
    code = _run(command, cwd=root, behind=behind)
    if code == 0:
        return
    # Ask again for something small: does a registry answer at all?
    probe = [*_pip(python), "download", "--no-deps", "--retries", "0", "--dest", os.devnull, "mido"]
    asked = subprocess.run(probe, capture_output=True, text=True, check=False)
    if _UNREACHABLE.search(asked.stdout + asked.stderr):
        raise SystemExit(_OFFLINE)
    room = shutil.disk_usage(root).free
    if room < 1 << 29:
        _say(f"The disk of {root} has {room >> 20} MB left, and .venv needs 850 MB in all.")
    _say("pip could not install everything; the lines above say why. It can be started again.")
    raise SystemExit(code if code > 0 else 1)


def _run(command: Sequence[str], *, cwd: Path | None = None, behind: threading.Event | None = None) -> int:
    """Run with its output shown as messages; where that is no terminal, say now and then that it goes on."""
    process = subprocess.Popen(
        command, cwd=cwd, stdin=subprocess.DEVNULL, stdout=sys.stderr, start_new_session=behind is not None
    )
    began = spoken = time.monotonic()
    try:
        while True:
            with contextlib.suppress(subprocess.TimeoutExpired):
                return process.wait(0.2)
            if behind is not None and behind.is_set():
                raise SystemExit("stopped")
            now = time.monotonic()
            if behind is None and not sys.stderr.isatty() and now - spoken >= _SPOKEN:
                spoken = now
                _say(f"... {now - began:.0f} s")
    except BaseException:
        process.terminate()
        process.wait()
        raise


def _run_or_exit(command: Sequence[str], sentence: str) -> None:
    code = _run(command)
    if code != 0:
        _say(sentence)
        raise SystemExit(code if code > 0 else 1)


def _say(sentence: str) -> None:
    # Messages go to standard error; standard output belongs to the program that is started afterwards.
    print(sentence, file=sys.stderr, flush=True)
