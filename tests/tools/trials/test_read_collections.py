"""Reading whole collections: every file is counted once, with the reason where it was not simply read."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tools.trials.read_collections import alike, drawings_in

ROOT = Path(__file__).resolve().parents[3]
SVG = '<svg xmlns="http://www.w3.org/2000/svg">{}</svg>'


def test_a_folder_is_read_and_told_in_a_table(tmp_path: Path) -> None:
    folder = tmp_path / "quay"
    folder.mkdir()
    (folder / "buoy.svg").write_text(SVG.format('<path d="M0 0H9V9Z"/>'))
    (folder / "lamp.svg").write_text(SVG.format('<circle r="3"/><text>lamp</text>'))
    (folder / "empty.svg").write_text(SVG.format(""))
    (folder / "rope.obj").write_text("v 0 0 0\nv 1 0 0\nl 1 2\n")
    (folder / "notes.txt").write_text("no drawing")
    command = [sys.executable, "tools/trials/read_collections.py", "--folder", str(folder), "--at-once", "2"]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    row = next(line.split() for line in run.stdout.splitlines() if line.startswith("quay "))
    assert row[1:5] == ["4", "2", "1", "1"]
    assert "quay: warned 1: N left out: text (convert it to paths)" in run.stdout
    assert "quay: refused 1: nothing in it can be drawn" in run.stdout
    assert "empty.svg refused" in run.stderr


def test_reasons_that_differ_by_numbers_and_names_alone_are_counted_together() -> None:
    assert alike("'a.obj' has 3 vertices, 1,024 edges") == alike("'b.obj' has 4 vertices, 7 edges")
    assert alike("3 edges") != alike("3 faces")


def test_only_drawings_are_listed_and_a_share_of_them_is_spread_evenly(tmp_path: Path) -> None:
    for number in range(10):
        (tmp_path / f"{number}.svg").touch()
        (tmp_path / f"{number}.md").touch()
    assert [path.name for path in drawings_in(tmp_path, 5)] == ["0.svg", "2.svg", "4.svg", "6.svg", "8.svg"]
    assert len(drawings_in(tmp_path, None)) == 10


@pytest.mark.parametrize("words", [[], ["buoys"], ["npm:"], ["cargo:buoys"]])
def test_a_package_is_asked_for_by_its_registry_and_name(words: list[str]) -> None:
    command = [sys.executable, "tools/trials/read_collections.py", *words]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert "npm:NAME or pypi:NAME" in run.stderr
