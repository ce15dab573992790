"""The whole check of a clone: style, types and all tests, after whatever they need has been installed."""

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tools.setup.bootstrap import ROOT, prepare
from tools.setup.split_tests import NO_TESTS_COLLECTED, pytest_runs, verdict
from tools.setup.system_packages import (
    JACKD,
    PGREP,
    PIPEWIRE,
    PORTAUDIO,
    TWO_DISPLAYS,
    WAYLAND_COMPOSITOR,
    WINDOW_LIBRARIES,
    WINDOW_MANAGERS,
    XDOTOOL,
    XVFB,
)

NICE = ["nice", "-n", "15"] if shutil.which("nice") else []
"""In front of a command that must not be in anybody's way; Windows has no such thing."""

DEAREST = ["--durations=20", "--durations-min=1"]
"""Of each run the tests that took longest are told, which are the first to be cut."""


def check(arguments: list[str]) -> int:
    """Make the clone ready, then run the checkers and all the tests.

    Parameters
    ----------
    arguments : list of str
        Passed on to every run of pytest.

    Returns
    -------
    int
        0 if everything passed, otherwise the exit code of the first step that did not.
    """
    screens = [WINDOW_LIBRARIES, XVFB, XDOTOOL, TWO_DISPLAYS, WINDOW_MANAGERS, WAYLAND_COMPOSITOR]
    python = prepare(["test"], [PORTAUDIO, JACKD, PIPEWIRE, PGREP, *screens])
    steps = {
        "ruff check": _step(python, "ruff", "check"),
        "ruff format": _step(python, "ruff", "format", "--check"),
    }
    # In their places: the last ones are the tests.
    steps |= {"mypy": 0, "tests": 0}
    together, paired, alone = pytest_runs(arguments)
    steps["tests"] = _step(python, "pytest", *DEAREST, *together)
    with tempfile.TemporaryFile("w+") as said:
        # Types are checked with what the processor has left while tests wait for devices.
        types = subprocess.Popen([*NICE, str(python), "-m", "mypy"], cwd=ROOT, stdout=said, stderr=said)
        try:
            steps["tests with devices"] = _step(python, "pytest", *DEAREST, *paired)
            steps["mypy"] = types.wait()
        finally:
            types.kill()  # which does nothing to one that has ended
        said.seek(0)
        _say(f"--- mypy: exit {steps['mypy']}\n{said.read()}")
    # What measures time has the machine to itself.
    steps["real-time tests"] = _step(python, "pytest", *DEAREST, *alone)
    code = verdict(list(steps.values()))
    failed = [name for name, result in steps.items() if result not in {0, NO_TESTS_COLLECTED}]
    _say("Failed: " + ", ".join(failed) if failed else "Everything passed." if code == 0 else "No test was run.")
    return code


def _step(python: Path, module: str, *arguments: str) -> int:
    _say(f"--- {module} {' '.join(arguments)}")
    start = time.monotonic()
    code = subprocess.run([str(python), "-m", module, *arguments], cwd=ROOT, check=False).returncode
    _say(f"--- {module}: exit {code} after {time.monotonic() - start:.1f} s")
    return code


def _say(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)
