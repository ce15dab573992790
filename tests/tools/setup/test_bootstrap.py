"""A clone is made ready once, and again only for a reason."""

import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tools.setup import bootstrap


class Clone:
    """A clone in which making .venv and installing are written down instead of done."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.done: list[str] = []
        self.network = True
        (root / "pyproject.toml").write_text("[project]\n")

    def make_venv(self, root: Path) -> None:
        python = bootstrap.venv_python(root)
        python.parent.mkdir(parents=True, exist_ok=True)
        python.touch()
        self.done.append("venv")

    def install(self, python: Path, extras: Sequence[str], root: Path) -> None:
        assert (python, root) == (bootstrap.venv_python(self.root), self.root)
        if not self.network:
            raise SystemExit(1)
        self.done.append("install " + "+".join(extras))

    def prepare(self, *extras: str) -> list[str]:
        """Make ready and tell what that took."""
        self.done.clear()
        assert bootstrap.prepare(extras, [], root=self.root) == bootstrap.venv_python(self.root)
        return list(self.done)


@pytest.fixture
def clone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Clone:
    made = Clone(tmp_path)
    monkeypatch.setattr(bootstrap, "_make_venv", made.make_venv)
    monkeypatch.setattr(bootstrap, "_install", made.install)
    return made


def test_the_first_run_does_everything_and_the_second_nothing(clone: Clone) -> None:
    assert clone.prepare() == ["venv", "install "]
    assert clone.prepare() == []


def test_a_changed_pyproject_installs_again_into_the_same_venv(clone: Clone) -> None:
    clone.prepare("test")
    (clone.root / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    assert clone.prepare("test") == ["install test"]


def test_testing_adds_to_what_playing_installed(clone: Clone) -> None:
    clone.prepare()
    assert clone.prepare("test") == ["install test"]


def test_playing_is_content_with_what_testing_installed_and_keeps_it(clone: Clone) -> None:
    clone.prepare("test")
    assert clone.prepare() == []
    (clone.root / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    assert clone.prepare() == ["install test"]


def test_another_interpreter_gets_a_new_venv(clone: Clone, monkeypatch: pytest.MonkeyPatch) -> None:
    clone.prepare()
    monkeypatch.setattr(sys, "version", "3.99")
    assert clone.prepare() == ["venv", "install "]


def test_a_moved_clone_gets_a_new_venv(clone: Clone, tmp_path_factory: pytest.TempPathFactory) -> None:
    clone.prepare()
    clone.root = clone.root.rename(tmp_path_factory.mktemp("elsewhere") / "clone")
    assert clone.prepare() == ["venv", "install "]


def test_a_venv_without_its_interpreter_is_made_anew(clone: Clone) -> None:
    clone.prepare()
    bootstrap.venv_python(clone.root).unlink()
    assert clone.prepare() == ["venv", "install "]


def test_an_interrupted_installation_is_not_taken_for_a_finished_one(clone: Clone) -> None:
    clone.network = False
    with pytest.raises(SystemExit):
        clone.prepare()
    clone.network = True
    assert clone.prepare() == ["venv", "install "]


def test_an_interrupted_update_is_not_taken_for_a_finished_one(clone: Clone) -> None:
    clone.prepare()
    clone.network = False
    (clone.root / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    with pytest.raises(SystemExit):
        clone.prepare()
    (clone.root / "pyproject.toml").write_text("[project]\n")
    clone.network = True
    assert clone.prepare() == ["venv", "install "]


@pytest.mark.parametrize("rubbish", ["", "{", "[]", "{}", '{"extras": 3}', '{"extras": []}', "\x00\xff"])
def test_a_damaged_stamp_means_not_ready(clone: Clone, rubbish: str) -> None:
    clone.prepare()
    (clone.root / ".venv" / "beamhand-ready.json").write_text(rubbish, encoding="latin-1")
    assert clone.prepare() == ["venv", "install "]


@pytest.mark.parametrize(("code", "exit_code"), [(0, 0), (3, 3)])
def test_the_engine_is_compiled_where_there_is_one_and_its_failure_is_ours(
    clone: Clone, code: int, exit_code: int
) -> None:
    engine = clone.root / "instrument" / "engine" / "compiling"
    engine.mkdir(parents=True)
    clone.prepare()
    (engine / "warm.py").touch()
    fake = f"#!/bin/sh\necho \"$@\" > '{clone.root}/asked'\nexit {code}\n"
    bootstrap.venv_python(clone.root).write_text(fake)
    bootstrap.venv_python(clone.root).chmod(0o755)
    got = 0
    try:
        clone.prepare()
    except SystemExit as end:
        got = int(str(end.code))
    assert got == exit_code
    assert (clone.root / "asked").read_text() == "-P -m instrument.engine.compiling.warm\n"
