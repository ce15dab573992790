"""Which tests may share the machine and which need it alone, and one answer from all runs."""

from collections.abc import Sequence

NO_TESTS_COLLECTED = 5  # pytest.ExitCode.NO_TESTS_COLLECTED, pytest's reference documentation


KINDS = ("not realtime and not device", "device and not realtime", "realtime")
"""Which tests each run takes, by their marks: what needs the processor only, what owns a sound server or a screen and
mostly waits for it, and what measures time and must have the machine to itself."""

_HOW = (["-n", "2"], ["-n", "2", "--dist", "loadfile"], ["-n", "0"])
"""A server is started once for a file of tests, so that files are kept together."""


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
    return [[*rest, *how, "-m", f"{kind}{also}"] for kind, how in zip(KINDS, _HOW, strict=True)]


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
