"""Files are written whole or not at all."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from instrument.common.safe_files import write_atomically

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "tide.toml"
    path.write_bytes(b"old")
    return path


def test_a_disk_that_is_full_leaves_the_old_file_and_no_other(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(path.parent.iterdir()) == [path]


def test_the_file_and_its_folder_are_synced_in_this_order(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[tuple[bool, bool]] = []

    def note(handle: int) -> None:
        is_folder = os.path.samestat(os.fstat(handle), path.parent.stat())
        synced.append((is_folder, path.read_bytes() == b"new"))

    monkeypatch.setattr(os, "fsync", note)
    write_atomically(path, b"new")
    assert synced == [(False, False), (True, True)]


def test_a_link_to_a_file_stays_one_and_rights_stay(path: Path) -> None:
    path.chmod(0o640)
    link = path.with_name("link.toml")
    link.symlink_to(path)
    write_atomically(link, b"new")
    assert link.is_symlink()
    assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"new", 0o640)


def test_a_new_file_has_the_usual_rights(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    write_atomically(tmp_path / "new", b"new")
    assert (tmp_path / "new").stat().st_mode == (tmp_path / "plain").stat().st_mode
