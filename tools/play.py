"""Play on a fresh clone: python3 tools/play.py [what `beamhand play` takes]."""

import os
import subprocess
import sys
from pathlib import Path

# The clone is what these scripts are imported from, wherever they are started and before anything is installed.
sys.path[0] = str(Path(__file__).resolve().parents[1])

from tools.setup.bootstrap import prepare  # noqa: E402
from tools.setup.system_packages import PORTAUDIO  # noqa: E402


def main(arguments: list[str]) -> int:
    """Make the clone ready and become `beamhand play`.

    Parameters
    ----------
    arguments : list of str
        Passed on as they are.

    Returns
    -------
    int
        Exit code; only on systems where one program cannot become another.
    """
    python = prepare([], [PORTAUDIO])
    # -P: a folder named "instrument" where the player happens to stand is not the package.
    command = [str(python), "-P", "-m", "instrument.cli", "play", *arguments]
    if os.name == "posix":
        # Becoming the program hands it the terminal, the signals and the exit code at once.
        os.execv(command[0], command)  # noqa: S606 - no shell is wanted
    return subprocess.run(command, check=False).returncode


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
