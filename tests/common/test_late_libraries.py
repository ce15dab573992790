"""Libraries that arrive behind the first picture are waited for, and named if they never came."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING

import pytest

from instrument.cli.messages import reports_failures
from instrument.common.late_libraries import INSTALLING, missing, still_installing, wait_for_drawings

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def mark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The file of an environment that says that something is being installed."""
    monkeypatch.setattr(sys, "prefix", str(tmp_path))
    return tmp_path / INSTALLING


def test_an_environment_is_usually_complete(mark: Path) -> None:
    assert not mark.exists()
    assert not still_installing()


def test_the_mark_counts_while_the_process_that_installs_lives(mark: Path) -> None:
    mark.write_text(str(os.getpid()))
    assert still_installing()
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    mark.write_text(str(ended.pid))
    assert not still_installing()


@pytest.mark.parametrize("rubbish", ["", "tide", "\0"])
def test_a_damaged_mark_is_none(mark: Path, rubbish: str) -> None:
    mark.write_text(rubbish)
    assert not still_installing()


def test_drawings_wait_for_what_reads_them_and_for_nothing_else(mark: Path) -> None:
    mark.write_text(f"{os.getpid()} drawings")
    assert still_installing(drawings=True)
    mark.write_text(f"{os.getpid()}")
    assert still_installing()
    assert not still_installing(drawings=True)


def test_waiting_ends_with_the_installation(mark: Path) -> None:
    mark.write_text(f"{os.getpid()} drawings")
    threading.Timer(0.5, mark.unlink).start()
    wait_for_drawings(60.0)
    assert not mark.exists()


def test_waiting_has_an_end_of_its_own(mark: Path) -> None:
    mark.write_text(f"{os.getpid()} drawings")
    began = time.monotonic()
    wait_for_drawings(0.3)
    assert time.monotonic() - began >= 0.3
    assert mark.exists()


def test_a_command_without_its_library_says_which_and_what_to_type(
    mark: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    @reports_failures
    def draw_report() -> None:
        raise ModuleNotFoundError("No module named 'matplotlib.figure'", name="matplotlib.figure")

    with pytest.raises(BaseException, match="1"):
        draw_report()
    said = capsys.readouterr().err
    assert said.startswith("beamhand: matplotlib is not installed; python3 tools/play.py installs it in a clone")
    mark.write_text(str(os.getpid()))
    assert missing("matplotlib.figure") == "matplotlib is still being installed; try again in a minute"
