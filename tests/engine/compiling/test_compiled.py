"""How the engine is compiled: a cache that cannot be stale, and options that keep Python out."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

import instrument.engine.compiling.compiled as compiled_module
from instrument.engine.compiling.compiled import ENGINE, OPTIONS, cache_folder, engine_sources, source_key

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def copied_sources(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Let the module believe that it lives in a copy of the engine's folder."""
    folder = tmp_path / "engine"
    shutil.copytree(ENGINE, folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(compiled_module, "ENGINE", folder)
    return folder


def test_the_same_sources_have_the_same_key_wherever_they_lie(copied_sources: Path) -> None:
    here = source_key()
    shutil.move(copied_sources / "signal" / "mix.py", copied_sources / "signal" / "mix.text")
    assert source_key() != here
    shutil.move(copied_sources / "signal" / "mix.text", copied_sources / "signal" / "mix.py")
    assert source_key() == here


@pytest.mark.parametrize("name", [path.relative_to(ENGINE).as_posix() for path in engine_sources(ENGINE)])
def test_one_changed_byte_in_any_source_changes_the_key(copied_sources: Path, name: str) -> None:
    before = source_key()
    path = copied_sources / name
    text = bytearray(path.read_bytes())
    text[len(text) // 2] ^= 1
    path.write_bytes(bytes(text))
    assert source_key() != before


@pytest.mark.parametrize("place", [".", "a_room", "a_room/within/another"])
def test_a_new_source_file_changes_the_key_however_deep_it_lies(copied_sources: Path, place: str) -> None:
    before = source_key()
    (copied_sources / place).mkdir(parents=True, exist_ok=True)
    (copied_sources / place / "another.py").write_text("CONSTANT = 1\n")
    with_it = source_key()
    (copied_sources / place / "another.py").write_text("CONSTANT = 2\n")
    assert len({before, with_it, source_key()}) == 3


def test_a_source_file_that_moves_to_another_folder_changes_the_key(copied_sources: Path) -> None:
    before = source_key()
    (copied_sources / "a_room").mkdir()
    shutil.move(copied_sources / "signal" / "mix.py", copied_sources / "a_room" / "mix.py")
    assert source_key() != before


@pytest.mark.parametrize("name", ["numba", "llvmlite"])
def test_another_compiler_version_changes_the_key(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = source_key()
    monkeypatch.setattr(f"{name}.__version__", "0.0.1")
    assert source_key() != before


def test_the_cache_folder_is_named_by_the_key() -> None:
    assert cache_folder().name == f"engine-{source_key()}"


def test_division_by_zero_is_infinity_and_there_is_no_run_time_to_allocate_from() -> None:
    assert OPTIONS["error_model"] == "numpy"
    assert OPTIONS["_nrt"] is False
    assert "fastmath" not in OPTIONS
