"""Files are noticed when they are saved."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from instrument.repertoire.file_watch import CUT_SECONDS, PIECE_SECONDS, FileWatch

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "heron.toml"
    path.write_text("one")
    return path


class Clock:
    """Seconds that pass only when they are told to, and a watch over one file that is looked at every 40 ms."""

    def __init__(self) -> None:
        self.now = 0.0
        self.watch = FileWatch(lambda: self.now)

    def looks(self, seconds: float) -> int:
        """How often the file counted within so many seconds."""
        counted = 0
        for _ in range(round(seconds / 0.04)):
            self.now += 0.04
            counted += len(self.watch.changed())
        return counted


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def watch(file: Path, clock: Clock) -> FileWatch:
    clock.watch.add(file)
    return clock.watch


def test_a_file_that_stays_as_it_is_never_counts(watch: FileWatch) -> None:
    assert [watch.changed() for _ in range(3)] == [[], [], []]


def test_a_saved_file_counts_once_and_only_when_it_has_come_to_rest(watch: FileWatch, file: Path) -> None:
    file.write_text("two, longer")
    assert watch.changed() == []
    assert watch.changed() == [file]
    assert watch.changed() == []


CORNERS = "".join(f"v {k} {k * k} 0\n" for k in range(40))
LINE = "l " + " ".join(str(k + 1) for k in range(40)) + "\n"


@pytest.mark.parametrize("rest", [0.1, 0.2, 0.4])
def test_a_drawing_that_is_written_slowly_counts_once_when_it_is_done(
    clock: Clock, tmp_path: Path, rest: float
) -> None:
    drawing = tmp_path / "net.obj"
    drawing.write_text(CORNERS + LINE)
    clock.watch.add(drawing)
    drawing.write_text("")
    for line in (CORNERS + "# again\n" + LINE).splitlines(keepends=True):
        assert clock.looks(rest) == 0
        with drawing.open("a") as file:
            file.write(line)
    assert clock.looks(3.0) == 1


def test_a_drawing_that_is_saved_at_once_does_not_wait(clock: Clock, tmp_path: Path) -> None:
    drawing = tmp_path / "net.obj"
    drawing.write_text(CORNERS + LINE)
    clock.watch.add(drawing)
    drawing.write_text(CORNERS.replace("v 3 ", "v 3.5 ") + LINE)
    assert clock.looks(0.08) == 1


def test_a_drawing_that_lacks_its_end_is_waited_for_and_then_counts(clock: Clock, tmp_path: Path) -> None:
    drawing = tmp_path / "moth.svg"
    drawing.write_text("<svg></svg>")
    clock.watch.add(drawing)
    drawing.write_text('<svg><path d="M0 0L1 1"/><path d="M')
    assert clock.looks(CUT_SECONDS - 0.1) == 0
    assert clock.looks(0.3) == 1


def test_a_file_that_has_lost_most_of_itself_keeps_still_for_longer(clock: Clock, watch: FileWatch, file: Path) -> None:
    file.write_text("a patch of many lines")
    watch.add(file)
    file.write_text("a")
    assert clock.looks(PIECE_SECONDS - 0.04) == 0
    assert clock.looks(0.12) == 1


def test_a_file_that_an_editor_replaces_counts(watch: FileWatch, file: Path) -> None:
    before = file.stat()
    other = file.with_suffix(".new")
    other.write_text("two")
    os.utime(other, ns=(before.st_atime_ns, before.st_mtime_ns))
    other.replace(file)
    watch.changed()
    assert watch.changed() == [file]


def test_a_file_that_has_gone_counts_when_it_is_back(watch: FileWatch, file: Path) -> None:
    file.unlink()
    assert [watch.changed() for _ in range(3)] == [[], [], []]
    file.write_text("back")
    watch.changed()
    assert watch.changed() == [file]


def test_a_change_of_ones_own_is_forgotten(watch: FileWatch, file: Path) -> None:
    file.write_text("two, longer")
    watch.changed()
    watch.add(file)
    assert [watch.changed() for _ in range(3)] == [[], [], []]
