"""A window that stands still is ended and opened again; one that never said that it is alive is left in peace."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any, TypeVar

from instrument.show import window_process
from instrument.show.window_process import WindowProcess
from tests.show.listening import wait_until

T = TypeVar("T")

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from instrument.show.window_process import WindowProcess as Process


def taken(found: list[T], more: list[T]) -> list[T]:
    """Everything so far."""
    found += more
    return found


def opened(code: str) -> Process:
    window = WindowProcess("none", 48_000.0)
    window._command = [sys.executable, "-S", "-c", code]
    window.start()
    return window


def test_one_that_falls_silent_is_opened_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window_process, "SILENCE", 0.3)
    window = opened("""import sys, time; print('{"do": "alive"}', flush=True); time.sleep(60)""")
    try:
        wait_until(lambda: bool(window.requests()), "its first word")
        first = window.process_id
        said: list[str] = []
        wait_until(lambda: bool(taken(said, [window.restart_if_ended()])[-1]), "its end")
        assert said[-1] == "the window stood still for 0.3 s; opened it again."
        assert window.running
        assert window.process_id != first
    finally:
        window.close()


def test_one_that_was_closed_with_a_question_open_is_opened_again(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    window = opened(
        f"import os, sys; there = os.path.exists({str(mark)!r}); open({str(mark)!r}, 'w').close()\n"
        "if there: sys.stdin.read()"
    )
    try:
        said: list[str] = []
        wait_until(lambda: bool(taken(said, [window.restart_if_ended(needed=True)])[-1]), "its end")
        assert said[-1] == "the window was closed with a question open; opened it again."
        assert window.running
    finally:
        window.close()


def test_a_line_that_is_no_request_is_handed_on_as_one_that_nobody_knows() -> None:
    window = opened("print('low tide', flush=True); print('[1]', flush=True); import sys; sys.stdin.read()")
    try:
        found: list[dict[str, Any]] = []
        wait_until(lambda: len(taken(found, window.requests())) == 2, "both lines")
        assert found == [{"do": "low tide"}, {"do": "[1]"}]
    finally:
        window.close()


def test_one_that_was_behind_hears_the_newest_of_everything_once_it_listens(tmp_path: Path) -> None:
    mark = tmp_path / "listens"
    window = opened(
        f"import json, os, sys, time\nwhile not os.path.exists({str(mark)!r}): time.sleep(0.01)\n"
        "for line in sys.stdin: print(json.dumps({'do': json.loads(line)}), flush=True)"
    )
    try:
        # More than a pipe holds, again and again, and something small between.
        for number in range(40):
            window.show({"document": f"{number} " + "x" * 100_000, "title": "Heron", "trouble": number})
        mark.touch()
        told: dict[str, Any] = {}

        def newest() -> bool:
            for request in window.requests():
                told.update(request["do"])
            return told.get("trouble") == 39

        wait_until(newest, "the newest state")
        assert (told["document"][:3], told["title"]) == ("39 ", "Heron")
    finally:
        window.close()
