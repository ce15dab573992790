"""The log of faults: a line for each, whatever the disk does."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from instrument.common.user_folders import log_folder
from instrument.show import fault_log
from instrument.show.fault_log import NAME, ROTATED, SHOWN, FaultLog

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_a_fault_is_one_line_with_time_cause_and_what_was_done(tmp_path: Path) -> None:
    log = FaultLog(tmp_path / "new" / "folder")
    said = log.note("the sound server\nhas ended", "playing on a silent clock")
    log.close()
    assert (tmp_path / "new" / "folder" / NAME).read_text().splitlines() == [said] == log.lines
    time, since, cause, done = re.split(r"  +(?:->  )?", said)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}[+-]\d\d:\d\d", time)
    assert float(since.removesuffix(" s")) < 60
    assert (cause, done) == ("the sound server has ended", "playing on a silent clock")


def test_lines_are_added_to_those_of_the_show_before(tmp_path: Path) -> None:
    for cause in ("one", "two"):
        log = FaultLog(tmp_path)
        log.note(cause)
        log.close()
    said = (tmp_path / NAME).read_text().splitlines()
    assert [re.split(r"  +(?:->  )?", line)[2] for line in said] == ["one", "two"]


def test_a_long_log_is_put_aside_and_the_oldest_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fault_log, "MOST_BYTES", 0)
    log = FaultLog(tmp_path)
    for number in range(ROTATED + 3):
        log.note(f"fault {number}")
    log.close()
    kept = sorted(path.name for path in tmp_path.iterdir())
    assert kept == [NAME, *(f"{NAME}.{number}" for number in range(1, ROTATED + 1))]
    newest_first = [(tmp_path / name).read_text() for name in kept]
    assert [text.count("\n") for text in newest_first] == [1] * (ROTATED + 1)
    assert [f"fault {ROTATED + 2 - place}" in text for place, text in enumerate(newest_first)] == [True] * (ROTATED + 1)


def test_a_full_disk_costs_lines_in_the_file_only_and_is_said_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    log = FaultLog(tmp_path)
    monkeypatch.setattr(FaultLog, "_write", refuse)
    for number in range(3):
        log.note(f"fault {number}")
    log.close()
    assert [f"fault {number}" in "\n".join(log.lines) for number in range(3)] == [True] * 3
    assert [line.count("No space left on device") for line in log.lines].count(1) == 1


def test_memory_keeps_the_newest(tmp_path: Path) -> None:
    log = FaultLog(tmp_path)
    for number in range(SHOWN + 5):
        log.note(f"fault {number}.")
    assert len(log.lines) == SHOWN
    assert f"fault {SHOWN + 4}." in log.lines[-1]
    log.close()


def test_it_lies_with_the_users_logs() -> None:
    assert "beamhand" in str(log_folder())
