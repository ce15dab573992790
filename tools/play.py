"""Play on a fresh clone: python3 tools/play.py [what `beamhand play` takes]."""

import os
import sys

# Readable to any Python there is, so that an old one can say what it is too old for.
if sys.version_info < (3, 11):  # noqa: UP036
    sys.exit(
        "Beamhand needs Python 3.11 or newer, and this is %d.%d. " % sys.version_info[:2]  # noqa: UP031
        + "Start it with a newer one, for example: python3.12 tools/play.py"
    )

# The clone is what these scripts are imported from, wherever they are started and before anything is installed.
sys.path[0] = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))  # noqa: PTH100, PTH120

if __name__ == "__main__":
    from tools.setup.first_show import play

    try:
        sys.exit(play(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.stderr.write("Stopped. What is finished is kept; the same command goes on from there.\n")
        sys.exit(130)
