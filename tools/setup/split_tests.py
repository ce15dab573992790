"""Which tests may share the machine and which need it alone, and one answer from all runs."""

import re
from collections.abc import Sequence
from pathlib import Path

NO_TESTS_COLLECTED = 5  # pytest.ExitCode.NO_TESTS_COLLECTED, pytest's reference documentation


KINDS = ("not realtime and not device", "device and not realtime", "realtime")
"""Which tests each run takes, by their marks: what needs the processor only, what owns a sound server or a screen and
mostly waits for it, and what measures time and must have the machine to itself."""

_GROUP = re.compile(r'xdist_group\("(\w+)"\)')

_HOW = (["-n", "3"], ["-n", "3", "--dist", "loadfile"], ["-n", "0"])
"""Files are kept together, since a server is started once for each, and so are those of a group (`tests/conftest.py`): what
owns sound servers goes one after the other, beside what owns screens. For JACK 1.9.21 names the socket by which a server
tells a client something after the client alone, so that of two clients of one name that join two servers at the same moment
one may be refused, or hear of the other's server ever after."""

_MARKS = ("", "device", "realtime")
"""The mark that a file must hold to be worth reading for a run; reading all of them takes half a minute."""


def pytest_runs(arguments: Sequence[str]) -> list[list[str]]:
    """Split one wish into the runs that share the machine and the one that must not.

    Parameters
    ----------
    arguments : sequence of str
        What the caller wants pytest to do; an expression after -m is narrowed, not replaced.

    Returns
    -------
    list of list of str
        Arguments of each run, in the order of `KINDS`.
    """
    rest: list[str] = []
    wanted = ""
    words = iter(arguments)
    for word in words:
        if word == "-m":
            wanted = next(words, "")
        elif word.startswith("-m") and not word.startswith("--"):
            wanted = word.removeprefix("-m").removeprefix("=")
        else:
            rest.append(word)
    also = f" and ({wanted})" if wanted else ""
    named = any(Path(word.split("::")[0]).exists() for word in rest)
    return [
        [*rest, *([] if named else marked_files(mark)), *how, "-m", f"{kind}{also}"]
        for kind, mark, how in zip(KINDS, _MARKS, _HOW, strict=True)
    ]


def group_of(path: Path) -> str:
    """Return the group that a file of tests names, or nothing.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
    """
    found = _GROUP.search(path.read_text(encoding="utf-8"))
    return found[1] if found else ""


def marked_files(mark: str) -> list[str]:
    """Return the files of tests that hold a mark, sorted; none for an empty mark.

    Parameters
    ----------
    mark : str

    Returns
    -------
    list of str
    """
    if not mark:
        return []
    tests = Path(__file__).resolve().parents[2] / "tests"
    found = re.compile(rf"pytest\.mark\.{mark}\b")
    return sorted(str(path) for path in tests.rglob("test_*.py") if found.search(path.read_text("utf-8")))


def verdict(codes: Sequence[int]) -> int:
    """Make one exit code of several.

    Parameters
    ----------
    codes : sequence of int
        Exit codes, the last ones those of pytest's runs. Some of those may have found nothing to do, not all.

    Returns
    -------
    int
    """
    for code in codes:
        if code not in {0, NO_TESTS_COLLECTED}:
            return code if code > 0 else 1
    return NO_TESTS_COLLECTED if all(code == NO_TESTS_COLLECTED for code in codes[-len(KINDS) :]) else 0
