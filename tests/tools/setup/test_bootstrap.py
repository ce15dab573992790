"""A clone is made ready once, and again only for a reason."""

import ast
import os
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest

from instrument.common import late_libraries, user_folders
from tools.setup import bootstrap, system_packages


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

    def install_first(self, python: Path, root: Path) -> None:
        self._fetch(python, root)
        self.done.append("first")

    def install_rest(self, python: Path, extras: Sequence[str], root: Path) -> None:
        self._fetch(python, root)
        self.done.append("rest " + "+".join(extras))

    def _fetch(self, python: Path, root: Path) -> None:
        assert (python, root) == (bootstrap.venv_python(self.root), self.root)
        if not self.network:
            raise SystemExit(1)

    def prepare(self, *extras: str) -> list[str]:
        """Make wholly ready and tell what that took."""
        self.done.clear()
        assert bootstrap.prepare(extras, [], root=self.root) == bootstrap.venv_python(self.root)
        return list(self.done)

    def prepare_first(self) -> list[str]:
        """Make ready for the first picture and tell what that took."""
        self.done.clear()
        bootstrap.prepare_first(self.root)
        return list(self.done)


@pytest.fixture
def clone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Clone:
    made = Clone(tmp_path)
    monkeypatch.setattr(bootstrap, "_make_venv", made.make_venv)
    monkeypatch.setattr(bootstrap, "_install_first", made.install_first)
    monkeypatch.setattr(bootstrap, "_install_rest", made.install_rest)
    return made


def test_the_first_run_does_everything_and_the_second_nothing(clone: Clone) -> None:
    assert clone.prepare() == ["venv", "first", "rest "]
    assert clone.prepare() == []


def test_a_changed_pyproject_installs_again_into_the_same_venv(clone: Clone) -> None:
    clone.prepare("test")
    (clone.root / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    assert clone.prepare("test") == ["first", "rest test"]


def test_testing_adds_to_what_playing_installed(clone: Clone) -> None:
    clone.prepare()
    assert clone.prepare("test") == ["first", "rest test"]


def test_playing_is_content_with_what_testing_installed_and_keeps_it(clone: Clone) -> None:
    clone.prepare("test")
    assert clone.prepare() == []
    (clone.root / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    assert clone.prepare() == ["first", "rest test"]


def test_another_interpreter_gets_a_new_venv(clone: Clone, monkeypatch: pytest.MonkeyPatch) -> None:
    clone.prepare()
    monkeypatch.setattr(sys, "version", "3.99")
    assert clone.prepare() == ["venv", "first", "rest "]


def test_a_moved_clone_gets_a_new_venv(clone: Clone, tmp_path_factory: pytest.TempPathFactory) -> None:
    clone.prepare()
    clone.root = clone.root.rename(tmp_path_factory.mktemp("elsewhere") / "clone")
    assert clone.prepare() == ["venv", "first", "rest "]


def test_a_venv_without_its_interpreter_is_made_anew(clone: Clone) -> None:
    clone.prepare()
    bootstrap.venv_python(clone.root).unlink()
    assert clone.prepare() == ["venv", "first", "rest "]


def test_an_interrupted_installation_is_not_taken_for_a_finished_one(clone: Clone) -> None:
    clone.network = False
    with pytest.raises(SystemExit):
        clone.prepare()
    clone.network = True
    assert clone.prepare() == ["venv", "first", "rest "]


def test_an_interrupted_update_is_not_taken_for_a_finished_one(clone: Clone) -> None:
    clone.prepare()
    clone.network = False
    (clone.root / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    with pytest.raises(SystemExit):
        clone.prepare()
    (clone.root / "pyproject.toml").write_text("[project]\n")
    clone.network = True
    assert clone.prepare() == ["venv", "first", "rest "]


@pytest.mark.parametrize("rubbish", ["", "{", "[]", "{}", '{"extras": 3}', '{"extras": []}', "\x00\xff"])
def test_a_damaged_stamp_means_not_ready(clone: Clone, rubbish: str) -> None:
    clone.prepare()
    (clone.root / ".venv" / "beamhand-ready.json").write_text(rubbish, encoding="latin-1")
    assert clone.prepare() == ["venv", "first", "rest "]


def test_the_first_picture_does_not_wait_for_the_rest(clone: Clone) -> None:
    assert clone.prepare_first() == ["venv", "first"]
    assert not bootstrap.is_whole(clone.root)
    assert clone.prepare_first() == []
    bootstrap.finish(bootstrap.venv_python(clone.root), clone.root)
    assert bootstrap.is_whole(clone.root)
    assert clone.done == ["rest "]
    assert clone.prepare() == []


def test_a_rest_that_could_not_be_had_is_tried_again_by_the_next_start(clone: Clone) -> None:
    clone.prepare_first()
    clone.network = False
    with pytest.raises(SystemExit):
        bootstrap.finish(bootstrap.venv_python(clone.root), clone.root)
    assert not bootstrap.is_whole(clone.root)
    assert not (clone.root / ".venv" / bootstrap.INSTALLING).exists()
    clone.network = True
    assert clone.prepare() == ["rest "]


def test_processes_of_a_show_are_told_what_is_being_installed_behind_it(
    clone: Clone, monkeypatch: pytest.MonkeyPatch
) -> None:
    (clone.root / "pyproject.toml").write_text('[project]\ndependencies = ["networkx>=3.3", "scipy>=1.14"]\n')
    clone.prepare_first()
    monkeypatch.setattr(sys, "prefix", str(clone.root / ".venv"))
    told: list[tuple[list[str], bool, bool]] = []

    def install(_: Path, lines: Sequence[str], *__: object) -> None:
        told.append((list(lines), late_libraries.still_installing(drawings=True), late_libraries.still_installing()))

    monkeypatch.setattr(bootstrap, "_install_behind", install)
    bootstrap.finish(bootstrap.venv_python(clone.root), clone.root, behind=threading.Event())
    assert told == [(["scipy>=1.14"], True, True), (["networkx>=3.3", "scipy>=1.14"], False, True)]
    assert not late_libraries.still_installing()


@pytest.mark.parametrize(("code", "exit_code"), [(0, 0), (3, 3)])
def test_the_engine_is_compiled_where_there_is_one_and_its_failure_is_ours(
    clone: Clone, code: int, exit_code: int
) -> None:
    clone.prepare()
    (clone.root / "instrument" / "cli").mkdir(parents=True)
    (clone.root / "instrument" / "cli" / "first_compilation.py").touch()
    fake = f"#!/bin/sh\necho \"$@\" > '{clone.root}/asked'\nexit {code}\n"
    bootstrap.venv_python(clone.root).write_text(fake)
    bootstrap.venv_python(clone.root).chmod(0o755)
    got = 0
    try:
        clone.prepare()
    except SystemExit as end:
        got = int(str(end.code))
    assert got == exit_code
    assert (clone.root / "asked").read_text() == "-P -m instrument.cli.first_compilation\n"


class TestEnvironment:
    @pytest.fixture
    def kept(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        """A clone with an environment that was made for another Python."""
        (tmp_path / ".venv").mkdir()
        (tmp_path / ".venv" / "precious").touch()
        monkeypatch.setattr(sys, "base_prefix", "/opt/python")
        return tmp_path

    @pytest.mark.parametrize("end", [SystemExit(1), KeyboardInterrupt()])
    def test_one_that_serves_another_python_is_kept_if_a_new_one_cannot_be_made(
        self, kept: Path, monkeypatch: pytest.MonkeyPatch, end: BaseException
    ) -> None:
        def fail(*_: object) -> None:
            (kept / ".venv").mkdir()
            raise end

        monkeypatch.setattr(bootstrap, "_run_or_exit", fail)
        with pytest.raises(type(end)):
            bootstrap._make_venv(kept)
        assert (kept / ".venv" / "precious").exists()

    def test_one_that_serves_another_python_is_gone_once_the_new_one_is_made(
        self, kept: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(bootstrap, "_run_or_exit", lambda *_: (kept / ".venv").mkdir())
        bootstrap._make_venv(kept)
        assert sorted(path.name for path in kept.iterdir()) == [".venv"]
        assert list((kept / ".venv").iterdir()) == []

    def test_a_folder_that_cannot_be_written_is_named(self, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(os, "access", lambda *_: False)
        with pytest.raises(SystemExit, match=f"{kept} cannot be written to"):
            bootstrap._make_venv(kept)


def test_a_clone_whose_path_has_letters_that_the_language_lacks_is_found(tmp_path: Path) -> None:
    root = tmp_path / "Häfen"
    python = bootstrap.venv_python(root)
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(root / ".venv")], check=True)
    ask = [str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]
    site = Path(subprocess.run(ask, capture_output=True, text=True, check=True).stdout.strip())
    (site / "_beamhand.pth").write_text(f"{root}\n", encoding="utf-8")
    (root / "buoy.py").touch()
    bootstrap.spell_plainly(root)
    found = subprocess.run([str(python), "-c", "import buoy"], env={**os.environ, "LC_ALL": "C"}, check=False)
    assert found.returncode == 0


def test_libraries_move_in_behind_what_they_need_and_before_their_records(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    coming, site = tmp_path / "coming", tmp_path / "site"
    for name in ("tide/core.py", "tide.libs/libtide.so", "tide-1.0.dist-info/RECORD", "shared/b.py", "bin/tide"):
        (coming / name).parent.mkdir(parents=True, exist_ok=True)
        (coming / name).touch()
    (coming / "one.py").touch()
    (site / "shared").mkdir(parents=True)
    (site / "shared" / "a.py").touch()
    moved: list[str] = []
    replace = Path.replace

    def noted(path: Path, target: Path) -> Path:
        moved.append(path.name)
        return replace(path, target)

    monkeypatch.setattr(Path, "replace", noted)
    bootstrap.move_in(coming, site)
    assert moved == ["tide.libs", "one.py", "tide", "tide-1.0.dist-info"]
    assert sorted(path.name for path in site.iterdir()) == ["one.py", "shared", *sorted(moved[:1] + moved[2:])]
    assert sorted(path.name for path in (site / "shared").iterdir()) == ["a.py", "b.py"]
    assert not coming.exists()


class TestRegistry:
    def answer(self, monkeypatch: pytest.MonkeyPatch, words: str) -> None:
        """Let every command fail with these words."""
        failed = subprocess.CompletedProcess[str]([], 1, "", words)
        monkeypatch.setattr(bootstrap, "_imports", lambda *_: False)
        monkeypatch.setattr(subprocess, "run", lambda *_, **__: failed)
        monkeypatch.setattr(bootstrap, "_run", lambda *_, **__: 1)

    def test_that_a_wheel_is_missing_brings_what_it_is_built_with(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "pyproject.toml").write_text('[project]\ndependencies = ["python-rtmidi>=1.5.8"]\n')
        self.answer(monkeypatch, "ERROR: No matching distribution found for python-rtmidi")
        asked: list[str] = []
        monkeypatch.setattr(sys, "base_prefix", "/opt/python")
        monkeypatch.setattr(system_packages, "CI", False)
        monkeypatch.setattr(system_packages, "get", lambda parts, **_: asked.extend(part.name for part in parts))
        bootstrap._bring_midi(Path("python"), tmp_path)
        assert asked == [system_packages.RTMIDI_BUILD_TOOLS.name]
        assert "no ready-made python-rtmidi" in capsys.readouterr().err

    @pytest.mark.parametrize(
        "words",
        [
            "WARNING: Retrying (Retry(total=0, connect=None)) after connection broken by 'NewConnectionError('x')'",
            "WARNING: Could not fetch URL https://example/simple/: There was a problem confirming the ssl certificate",
        ],
    )
    def test_a_registry_that_does_not_answer_is_not_taken_for_a_missing_wheel(
        self, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (tmp_path / "pyproject.toml").write_text('[project]\ndependencies = ["python-rtmidi>=1.5.8"]\n')
        self.answer(monkeypatch, f"{words}\nERROR: No matching distribution found for python-rtmidi")
        monkeypatch.setattr(system_packages, "get", lambda *_, **__: pytest.fail("a compiler was fetched"))
        with pytest.raises(SystemExit, match="registry cannot be reached"):
            bootstrap._bring_midi(Path("python"), tmp_path)

    def test_a_failed_installation_without_a_network_says_so(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.answer(monkeypatch, "WARNING: Retrying (Retry(total=0)) after connection broken")
        with pytest.raises(SystemExit, match="registry cannot be reached"):
            bootstrap._fetch(Path("python"), ["pip"], tmp_path)


def test_what_the_first_picture_needs_is_a_part_of_what_pyproject_names() -> None:
    named = {bootstrap._name(line) for line in bootstrap.requirements(bootstrap.ROOT)}
    assert {*bootstrap.FIRST, *bootstrap.DRAWINGS} < named
    assert bootstrap.MIDI in named


class TestLibrariesThatAreNotThereYet:
    def play(self, folder: Path, there: Sequence[str], *patches: str) -> str:
        """Play for a second in processes that find no other library, and return what was said."""
        late = {bootstrap._name(line) for line in bootstrap.requirements(bootstrap.ROOT)} - set(there)
        modules = {
            "hershey-fonts": "HersheyFonts",
            "pillow": "PIL",
            "fonttools": "fontTools",
            "python-rtmidi": "rtmidi",
        }
        blocked = sorted(modules.get(name, name.replace("-", "_")) for name in late)
        (folder / "sitecustomize.py").write_text(
            "import sys\n"
            "class Absent:\n"
            "    def find_spec(self, name, path=None, target=None):\n"
            f"        if name.partition('.')[0] in {blocked!r}:\n"
            "            raise ModuleNotFoundError(f'No module named {name!r}', name=name)\n"
            "sys.meta_path.insert(0, Absent())\n"
        )
        command = [sys.executable, "-m", "instrument.cli", "play", "--no-window", "--audio", "off", "--seconds", "1"]
        played = subprocess.run(
            [*command, *patches],
            cwd=bootstrap.ROOT,
            env={**os.environ, "PYTHONPATH": str(folder), "BEAMHAND_CACHE": str(folder / "no drawings cached")},
            capture_output=True,
            text=True,
            check=False,
            timeout=900,
        )
        assert played.returncode == 0, played.stderr
        assert "Traceback" not in played.stderr
        return played.stderr

    @pytest.fixture(autouse=True)
    def compiled(self, tmp_path: Path) -> None:
        """The machine code that there is, in a cache without drawings."""
        (tmp_path / "no drawings cached").mkdir()
        for folder in user_folders.cache_folder().glob("*"):
            if folder.name != "drawings":
                (tmp_path / "no drawings cached" / folder.name).symlink_to(folder)

    def test_the_first_step_is_enough_for_a_figure(self, tmp_path: Path) -> None:
        said = self.play(tmp_path, bootstrap.FIRST, "patches/circle.toml")
        assert "playing Circle" in said
        assert "python-rtmidi is not installed, so no controller is heard but through JACK" in said

    def test_with_what_reads_drawings_the_whole_set_plays(self, tmp_path: Path) -> None:
        assert "playing Circle" in self.play(tmp_path, (*bootstrap.FIRST, *bootstrap.DRAWINGS, "networkx"))


class TestAnOldPython:
    @pytest.mark.parametrize("script", ["play.py", "test.py"])
    def test_can_read_the_two_commands_far_enough_to_say_what_is_needed(self, script: str) -> None:
        text = (bootstrap.ROOT / "tools" / script).read_text(encoding="ascii")
        for newer in ("def ", "->", 'f"', "import annotations", ": list["):
            assert newer not in text.partition("if __name__")[0]
        # Python 3.4's grammar is the oldest that can be asked for; what else Python 2 refuses is listed above.
        ast.parse(text, feature_version=(3, 4))

    def test_is_told_so(self) -> None:
        text = (bootstrap.ROOT / "tools" / "play.py").read_text()
        check = text[text.index("if sys.version_info") : text.index("# The clone is")]
        code = "import sys\nsys.version_info = (2, 7, 18)\n" + check
        told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
        assert told.returncode == 1
        assert told.stderr == (
            "Beamhand needs Python 3.11 or newer, and this is 2.7. "
            "Start it with a newer one, for example: python3.12 tools/play.py\n"
        )
