"""The first show on a machine: play as soon as what it needs is there, and install the rest behind it."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tools.setup import system_packages
from tools.setup.bootstrap import ROOT, finish, is_whole, prepare_first
from tools.setup.system_packages import PORTAUDIO, WINDOW_LIBRARIES, SystemPart

_SPOKEN = 10.0
"""Seconds between two lines while the rest is waited for."""


def play(arguments: Sequence[str], root: Path = ROOT) -> int:
    """Make the clone ready for the first picture and become `beamhand play`.

    Parameters
    ----------
    arguments : sequence of str
        Passed on as they are.
    root : Path
        The clone.

    Returns
    -------
    int
        Exit code of the show; only when it did not become this very process.
    """
    parts: list[SystemPart] = [PORTAUDIO]
    if os.environ.get("DISPLAY"):
        parts.append(WINDOW_LIBRARIES)
    with ThreadPoolExecutor(1) as beside:
        brought = beside.submit(system_packages.get, parts)
        python = prepare_first(root)
        brought.result()
    # -P: a folder named "instrument" where the player happens to stand is not the package.
    command = [str(python), "-P", "-m", "instrument.cli", "play", *arguments]
    if is_whole(root):
        if os.name == "posix":
            # Becoming the program hands it the terminal, the signals and the exit code at once.
            os.execv(command[0], command)  # noqa: S606 - no shell is wanted
        return subprocess.run(command, check=False).returncode
    return _play_and_finish(command, python, root)


def _play_and_finish(command: Sequence[str], python: Path, root: Path) -> int:
    # Ctrl C is the show's: it ends, and with it the reason to be quick about the rest.
    usual = signal.signal(signal.SIGINT, lambda *_: None)
    show = subprocess.Popen(command)
    for number in (signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])):
        signal.signal(number, lambda got, _: show.send_signal(got))
    rest = _Rest(python, root)
    rest.start()
    code = show.wait()
    signal.signal(signal.SIGINT, usual)
    for number in (signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])):
        signal.signal(number, signal.SIG_DFL)
    if rest.is_alive():
        _say(
            "The show has ended; the rest of the libraries is still being installed (Ctrl C leaves it for the next start)."
        )
        try:
            began = time.monotonic()
            while rest.is_alive():
                rest.join(_SPOKEN)
                if rest.is_alive() and not sys.stderr.isatty():
                    _say(f"... {time.monotonic() - began:.0f} s")
        except KeyboardInterrupt:
            rest.stop()
    return _status(code)


class _Rest(threading.Thread):
    """The rest of the libraries, installed while something plays."""

    def __init__(self, python: Path, root: Path) -> None:
        super().__init__(name="rest", daemon=True)
        self._python, self._root = python, root
        self._over = threading.Event()

    def stop(self) -> None:
        """Leave what is not finished for the next start."""
        self._over.set()
        self.join()

    def run(self) -> None:
        """Install; a failure is said, and tried again by the next start."""
        try:
            finish(self._python, self._root, behind=self._over)
        except (SystemExit, OSError, ValueError) as end:
            _say(f"The rest of the libraries could not be installed now ({end}); the next start tries again.")


def _status(code: int) -> int:
    return code if code >= 0 else 128 - code


def _say(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)
