"""Nothing is timed by the clock on the wall, which may be set while a performance plays."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted((ROOT / "instrument").rglob("*.py"))

WALL = {
    ("time", "time"),
    ("time", "time_ns"),
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
}

ALLOWED = {
    "instrument/show/fault_log.py": "the moment of a fault, beside the seconds since the start",
    "instrument/takes/recorder.py": "the date of a take",
    "instrument/repertoire/recovery_file.py": "the age of what was kept of a show that crashed",
    "instrument/engine/memory/allocation.py": "the age of a segment that a program left behind, at the start of another",
}
"""Where the time of day is written down for people, or compared with what the system wrote beside a file."""


def wall_clocks(tree: ast.AST) -> list[int]:
    return [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and (node.value.id, node.attr) in WALL
    ]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_only_what_is_listed_reads_the_time_of_day(path: Path) -> None:
    lines = wall_clocks(ast.parse(path.read_text()))
    assert bool(lines) <= (path.relative_to(ROOT).as_posix() in ALLOWED), lines


def test_a_reading_of_the_clock_on_the_wall_is_found() -> None:
    assert wall_clocks(ast.parse("later = time.time() + 3")) == [1]
