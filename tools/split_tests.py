"""Which tests may share the machine and which need it alone, and one answer from both runs."""

from collections.abc import Sequence

NO_TESTS_COLLECTED = 5  # pytest.ExitCode.NO_TESTS_COLLECTED, pytest's reference documentation


def pytest_runs(arguments: Sequence[str]) -> tuple[list[str], list[str]]:
    """Split one wish into the run that shares the machine and the run that must not.

    Parameters
    ----------
    arguments : sequence of str
        What the caller wants pytest to do; an expression after -m is narrowed, not replaced.

    Returns
    -------
    (list of str, list of str)
        Arguments of the parallel run, then of the serial one.
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
    return ["-n", "2", *rest, "-m", f"not realtime{also}"], [*rest, "-n", "0", "-m", f"realtime{also}"]


def verdict(codes: Sequence[int]) -> int:
    """Make one exit code of several.

    Parameters
    ----------
    codes : sequence of int
        Exit codes, the last two those of pytest. One of those may have found nothing to do, not both.

    Returns
    -------
    int
    """
    for code in codes:
        if code not in {0, NO_TESTS_COLLECTED}:
            return code if code > 0 else 1
    return NO_TESTS_COLLECTED if all(code == NO_TESTS_COLLECTED for code in codes[-2:]) else 0
