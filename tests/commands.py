"""Run a command of ours as it is typed: within this process, which spares it the start of another, or as a process."""

import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from typer.testing import CliRunner

from instrument.cli.main import app

OWN_PROCESS = frozenset({"play", "bench", "ports"})
"""Commands that take hold of signals, devices or the collection of garbage."""


class Run(NamedTuple):
    """What a command that has ended printed, and its status."""

    returncode: int
    stdout: str
    stderr: str


def beamhand(*arguments: str | Path, alone: bool = False) -> Run:
    """Run a command to its end, as a process if it is one of `OWN_PROCESS` or `alone` is asked for."""
    words = [str(argument) for argument in arguments]
    if alone or OWN_PROCESS.intersection(words[:1]):
        command = [sys.executable, "-m", "instrument.cli", *words]
        ended = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
        return Run(ended.returncode, ended.stdout, ended.stderr)
    result = CliRunner().invoke(app, words)
    # What would have been a traceback for the user is one for the test.
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Run(result.exit_code, result.stdout, result.stderr)
