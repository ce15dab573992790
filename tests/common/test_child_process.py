"""Child processes: found wherever the player is, never waited for, and ended whatever they do."""

from __future__ import annotations

import json
import os
import sys
from typing import TYPE_CHECKING

import pytest

from instrument import __version__
from instrument.common.child_process import ChildProcess, end, end_later, kill, launch, module_command
from tests.show.listening import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DEAF = "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print(1, flush=True); time.sleep(600)"
ECHO = "import sys\nfor line in sys.stdin: print(len(line), flush=True)"


def code(text: str) -> list[str]:
    return [sys.executable, "-S", "-c", text]


@pytest.fixture
def child() -> Iterator[ChildProcess]:
    child = ChildProcess("test")
    yield child
    child.end(0.0)


def test_a_module_of_the_package_is_found_and_the_folder_the_player_is_in_is_not_searched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "instrument").mkdir()
    (tmp_path / "instrument" / "__init__.py").write_text("raise SystemExit('of a stranger')")
    monkeypatch.chdir(tmp_path)
    process = launch(module_command("instrument.cli", "--version"))
    assert process.communicate(timeout=60)[0].decode().strip() == __version__


@pytest.mark.skipif(not hasattr(os, "getpgid"), reason="process groups are POSIX's")
def test_it_is_in_a_process_group_of_its_own(child: ChildProcess) -> None:
    child.start(code(ECHO))
    assert child.process is not None
    assert os.getpgid(child.process.pid) == child.process.pid != os.getpgid(0)


def test_numeric_libraries_start_no_threads_where_one_core_is_to_do() -> None:
    process = launch(code("import os; print(os.environ['OMP_NUM_THREADS'])"), one_core=True)
    assert process.communicate(timeout=60)[0].strip() == b"1"


class TestEnd:
    def test_one_that_heeds_the_end_of_its_input_has_its_own_status(self, child: ChildProcess) -> None:
        child.start(code(f"{ECHO}\nsys.exit(7)"))
        process = child.process
        child.end(60.0)
        assert process is not None
        assert process.returncode == 7
        assert not child.running

    def test_one_that_heeds_neither_that_nor_a_signal_is_killed(self, child: ChildProcess) -> None:
        child.start(code(DEAF))
        assert child.wait_for_line(60.0) == b"1\n"
        process = child.process
        child.end(0.1)
        assert process is not None
        assert process.returncode not in {None, 0}

    def test_a_thread_sees_to_one_that_nobody_may_wait_for(self) -> None:
        process = launch(code(DEAF))
        end_later(process, 0.1)
        wait_until(lambda: process.returncode is not None, "its end")
        assert process.stdin is not None
        process.stdin.close()
        assert process.stdout is not None
        process.stdout.close()

    @pytest.mark.skipif(not hasattr(os, "killpg"), reason="process groups are POSIX's")
    def test_what_it_has_started_ends_with_it(self, child: ChildProcess) -> None:
        child.start(
            code(
                f"import subprocess, sys, time\nsubprocess.Popen([sys.executable, '-S', '-c', {DEAF!r}])\n"
                "time.sleep(600)"
            )
        )
        assert child.wait_for_line(60.0) == b"1\n"
        assert child.process is not None
        kill(child.process)
        # The line ends when the last that could write to it is gone.
        assert child.wait_for_line(60.0) is None

    def test_one_that_has_ended_already_is_no_error(self) -> None:
        process = launch(code(""), talks=False)
        process.wait()
        kill(process)
        end(process)
        assert process.returncode == 0


class TestLines:
    def test_a_message_that_finds_no_room_waits_and_is_whole(self, child: ChildProcess) -> None:
        child.start(code(f"import sys\nprint(0, flush=True)\nsys.stdin.read(1)\n{ECHO}"))
        message = {"text": "tide" * 100_000}
        child.send(message)
        assert child.unsent > 0
        child.hang_up(within=60.0)
        assert child.wait_for_line(60.0) == b"0\n"
        assert child.wait_for_line(60.0) == b"%d\n" % len(json.dumps(message))

    def test_lines_are_told_once_in_their_order(self, child: ChildProcess) -> None:
        child.start(code("print('low'); print('tide')"))
        found: list[bytes] = []

        def both() -> bool:
            found.extend(child.lines())
            return len(found) == 2

        wait_until(both, "both lines")
        assert found == [b"low\n", b"tide\n"]
        assert child.wait_for_end(60.0) == 0
        assert child.lines() == []

    def test_each_line_is_delivered_and_an_end_behind_the_last(self) -> None:
        found: list[bytes | None] = []
        child = ChildProcess("test", found.append)
        child.start(code("print('moth')"))
        wait_until(lambda: None in found, "the end")
        assert found == [b"moth\n", None]
        child.end()
