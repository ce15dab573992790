"""The suite with the oldest versions that pyproject.toml allows, or the newest: other_versions.py oldest|newest [PYTEST ...].

Makes an environment of its own beside .venv (`.venv-oldest`, `.venv-newest`), once, and runs pytest in it with what is added.
"""

import argparse
import re
import subprocess
import sys
from pathlib import Path

# The clone is what these scripts are imported from, wherever they are started.
sys.path[0] = str(Path(__file__).resolve().parents[2])

from tools.setup.bootstrap import ROOT, requirements  # noqa: E402

_LOWEST = re.compile(r">=([\w.]+)(,<[\w.]+)?")


def pinned(line: str) -> str:
    """Return a requirement as the very version that is its lower bound.

    Examples
    --------
    >>> pinned("numba>=0.68,<0.69")
    'numba==0.68'
    """
    return _LOWEST.sub(r"==\1", line)


def environment(which: str, root: Path = ROOT) -> Path:
    """Make or find an environment.

    Parameters
    ----------
    which : str
        ``oldest`` or ``newest``.
    root : Path
        The clone.

    Returns
    -------
    Path
        Its interpreter.

    Raises
    ------
    subprocess.CalledProcessError
        If the versions do not go together.
    """
    folder = root / f".venv-{which}"
    python = folder / "bin" / "python"
    needed = requirements(root)
    # What only tests is as new as can be in both: it is the instrument that has to do with old libraries.
    tests = [line for line in requirements(root, None, ["test"]) if line not in needed]
    wanted = sorted([*map(pinned, needed), *tests] if which == "oldest" else [*needed, *tests])
    stamp = folder / "installed.txt"
    if not stamp.exists() or stamp.read_text() != "\n".join(wanted):
        subprocess.run([sys.executable, "-m", "venv", "--clear", str(folder)], check=True)
        pip = [str(python), "-m", "pip", "--disable-pip-version-check", "install", "--upgrade"]
        subprocess.run([*pip, *wanted], check=True)
        subprocess.run([*pip, "--no-deps", "--editable", str(root)], check=True)
        stamp.write_text("\n".join(wanted))
    return python


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("which", choices=["oldest", "newest"])
    chosen, rest = parser.parse_known_args()
    python = environment(chosen.which)
    names = ("numba", "llvmlite", "numpy", "scipy", "pygame", "pydantic", "pillow", "rich", "typer")
    ask = f"from importlib.metadata import version; print(*(f'{{n}} {{version(n)}}' for n in {names!r}), sep=', ')"
    subprocess.run([str(python), "-c", ask], check=True)
    return subprocess.run([str(python), "-m", "pytest", *rest], cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
