"""What is taken down of a command in a bare system; the systems themselves need root, debootstrap and a network."""

from __future__ import annotations

import os
import signal
import sys

import pytest

from tools.setup.bare_system import Run, _Watched
from tools.setup.walk_first_run import Try


def run(code: str, **how: str) -> Run:
    command = [sys.executable, "-c", code]
    return _Watched(command, dict(os.environ), how.get("interrupt", ""), None, float(how.get("limit", 60.0))).result()


def test_lines_are_taken_down_with_their_times() -> None:
    told = run("import sys; print('tide'); print('moth', file=sys.stderr); sys.exit(3)")
    assert told.code == 3
    assert sorted(line for _, line in told.lines) == ["moth", "tide"]
    first = told.when("tide|moth")
    assert first is not None
    assert 0.0 < first <= told.seconds
    assert told.when("crane") is None


def test_the_longest_silence_may_be_at_either_end() -> None:
    assert Run(lines=[(4.0, "a"), (5.0, "b")], seconds=6.0).longest_silence == 4.0
    assert Run(lines=[(1.0, "a"), (2.0, "b")], seconds=9.0).longest_silence == 7.0


def test_one_that_takes_too_long_is_ended_and_that_is_said() -> None:
    told = run("import time; time.sleep(600)", limit="0.5")
    assert told.code == -signal.SIGKILL
    assert "ended after" in told.text


def test_ctrl_c_is_heard_even_by_what_a_shell_put_into_the_background() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        told = run("import signal; print(signal.getsignal(signal.SIGINT) is signal.default_int_handler)")
    finally:
        signal.signal(signal.SIGINT, before)
    assert told.text == "True"


@pytest.mark.parametrize(
    ("code", "said", "wanted_code", "good"),
    [
        (0, "playing Circle", 0, True),
        (1, "playing Circle", 0, False),
        (0, "silence", 0, False),
        (1, "playing Circle", None, True),
        (0, "playing Circle", None, False),
        (0, "playing Circle\nTraceback (most recent call last):", 0, False),
    ],
)
def test_a_try_is_good_with_its_code_and_its_words_and_no_traceback(
    code: int, said: str, wanted_code: int | None, good: bool
) -> None:
    lines = [(0.1, line) for line in said.splitlines()]
    assert Try("x", Run(code, lines, 1.0), "playing", wanted_code).good is good


def test_a_row_tells_the_seconds() -> None:
    told = Run(0, [(1.2, "Making .venv"), (61.0, "playing Circle through silent clock")], 64.4)
    assert Try("root", told, "playing").row("trixie") == "| trixie | root | yes | 1 | 61 | 64 | 60 |"
