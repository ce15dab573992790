"""Files are noticed when they are saved."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from instrument.repertoire.set_list import FileWatch

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "heron.toml"
    path.write_text("one")
    return path


@pytest.fixture
def watch(file: Path) -> FileWatch:
    watch = FileWatch()
    watch.add(file)
    return watch


def test_a_file_that_stays_as_it_is_never_counts(watch: FileWatch) -> None:
    assert [watch.changed() for _ in range(3)] == [[], [], []]


def test_a_saved_file_counts_once_and_only_when_it_has_come_to_rest(watch: FileWatch, file: Path) -> None:
    file.write_text("two, longer")
    assert watch.changed() == []
    file.write_text("two, still being written")
    assert watch.changed() == []
    assert watch.changed() == [file]
    assert watch.changed() == []


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
