"""Where things of the user's are kept, and where instead if there is no home or none that can be written."""

from __future__ import annotations

import os
import tempfile
from typing import TYPE_CHECKING

import platformdirs
import pytest

from instrument.common import user_folders

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The system's folder for temporary files, our own for once."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    monkeypatch.delenv(user_folders.CACHE_VARIABLE, raising=False)
    return folder


def no_home(*_: object, **__: object) -> str:
    raise RuntimeError("could not determine the home directory")


def test_the_cache_is_the_users_own_where_that_can_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "new" / "cache"))
    assert user_folders.cache_folder() == tmp_path / "new" / "cache" / "beamhand"


def test_the_cache_is_a_named_folder_if_there_is_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(user_folders.CACHE_VARIABLE, str(tmp_path / "elsewhere"))
    assert user_folders.cache_folder() == tmp_path / "elsewhere"


def test_a_home_that_cannot_be_written_has_its_cache_among_temporary_files(
    temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(user_folders, "can_be_written", lambda _: False)
    folder = user_folders.cache_folder()
    assert folder.parent.parent == temporary
    assert folder.parent.stat().st_mode & 0o777 == 0o700
    assert user_folders.cache_folder() == folder


def test_without_a_home_every_folder_is_a_private_one(temporary: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("cache", "config", "state", "data", "log", "music"):
        monkeypatch.setattr(platformdirs, f"user_{name}_dir", no_home)
    folders = {
        user_folders.cache_folder(),
        user_folders.settings_folder(),
        user_folders.state_folder(),
        user_folders.data_folder(),
        user_folders.log_folder(),
        user_folders.music_folder(),
    }
    assert len(folders) == 6
    assert {folder.parent.parent for folder in folders} == {temporary}


@pytest.mark.parametrize("trap", ["readable by all", "a link"])
def test_a_stand_in_that_others_may_have_prepared_is_not_used(
    trap: str, temporary: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(user_folders.CACHE_VARIABLE, "")
    expected = temporary / f"beamhand-{os.getuid()}"
    if trap == "a link":
        (tmp_path / "theirs").mkdir(0o700)
        expected.symlink_to(tmp_path / "theirs")
    else:
        expected.mkdir()
        expected.chmod(0o777)
    assert user_folders.stand_in() != expected


@pytest.mark.parametrize(("file", "writable"), [(False, True), (True, False)])
def test_a_folder_that_is_not_there_can_be_written_if_it_can_be_made(
    file: bool, writable: bool, tmp_path: Path
) -> None:
    if file:
        (tmp_path / "a").touch()
    assert user_folders.can_be_written(tmp_path / "a" / "b" / "c") is writable
