"""Libraries that the first command installs behind the first picture: waiting for them, and saying what is missing."""

from __future__ import annotations

import sys
import time
from pathlib import Path

INSTALLING = "beamhand-installing"
"""File in the environment's folder while `tools/setup/bootstrap.py` installs the rest.

It holds that process's number, and ``drawings`` behind it while what reads drawings is not there yet.
"""

_STEP = 0.25


def still_installing(*, drawings: bool = False) -> bool:
    """Return whether the rest of the libraries is being installed now.

    Parameters
    ----------
    drawings : bool
        Whether only those that read drawings count.
    """
    mark = Path(sys.prefix) / INSTALLING
    try:
        number, _, stage = mark.read_text(encoding="ascii").partition(" ")
        process = int(number)
    except (OSError, ValueError):
        return False
    if drawings and stage != "drawings":
        return False
    # One that was killed has left its mark; where processes are no files, the mark is believed.
    return not Path("/proc/self").exists() or Path(f"/proc/{process}").exists()


def wait_for_drawings(seconds: float) -> None:
    """Wait until what reads drawings is not being installed, at most for a time."""
    end = time.monotonic() + seconds
    while still_installing(drawings=True) and time.monotonic() < end:
        time.sleep(_STEP)


def missing(library: str | None) -> str:
    """Return one sentence about a library that is not there.

    Parameters
    ----------
    library : str or None
        Name of the module that was not found.
    """
    name = (library or "a library").partition(".")[0]
    if still_installing():
        return f"{name} is still being installed; try again in a minute"
    return (
        f"{name} is not installed; python3 tools/play.py installs it in a clone, "
        "pip install --force-reinstall beamhand elsewhere"
    )
