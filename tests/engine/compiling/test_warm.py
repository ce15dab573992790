"""The first compilation: every finished part is kept, and somebody who waits is told how long."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from instrument.common import user_folders
from instrument.engine.compiling import lean, warm
from instrument.engine.compiling.compiled import ENGINE
from instrument.engine.compiling.units import ALL
from instrument.engine.compiling.warm import UNIT_SECONDS, Part, engine_parts, mark_of

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def console() -> Console:
    """What is shown where nobody has a terminal."""
    return Console(file=io.StringIO(), force_terminal=False, width=200)


@pytest.fixture(autouse=True)
def engine_is_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the parts of these tests are waiting."""
    monkeypatch.setattr(warm, "is_warm", lambda: True)


def part(folder: Path, module: str, seconds: float = 1.0) -> Part:
    """Return a part that is a module of Python's own, or of a test."""
    return Part(module, (module,), seconds, folder / f"{module}.mark")


def said(console: Console) -> str:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


@pytest.fixture
def parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of modules that may be parts."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    (tmp_path / "quick.py").write_text("import os; open('quick.runs', 'a').write('x')\n")
    (tmp_path / "broken.py").write_text("raise OSError('the tide is out')\n")
    (tmp_path / "slow.py").write_text("import time; time.sleep(600)\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_parts_are_the_units_and_the_callback() -> None:
    assert UNIT_SECONDS.keys() == ALL.keys() | {"callback"}
    marks = [part.mark for part in engine_parts()]
    assert len(set(marks)) == len(marks)
    assert all(mark.name.startswith(mark_of(ENGINE).name) for mark in marks)


def test_a_part_that_is_marked_is_not_compiled_again(parts: Path, console: Console) -> None:
    for _ in range(2):
        warm.warm(console, [part(parts, "quick")])
    assert (parts / "quick.runs").read_text() == "x"
    assert "1 parts" in said(console)


def test_what_loads_the_engine_is_compiled_behind_all_else(parts: Path, console: Console) -> None:
    (parts / "first.py").write_text("import time; time.sleep(0.5); open('first.done', 'w')\n")
    (parts / "last.py").write_text("open('first.done')\n")
    loading = Part("last", ("last",), 9.0, parts / "last.mark", on_engine=True)
    warm.warm(console, [loading, part(parts, "first")])
    assert loading.mark.exists(), said(console)


def test_another_processor_counts_as_another_place(monkeypatch: pytest.MonkeyPatch) -> None:
    before = mark_of(ENGINE)
    monkeypatch.setattr(warm, "_processor", lambda: "a buoy's")
    assert mark_of(ENGINE) != before


def test_what_could_not_be_compiled_ahead_is_named_with_its_reason_and_not_marked(
    parts: Path, console: Console
) -> None:
    warm.warm(console, [part(parts, "broken"), part(parts, "quick")])
    assert "broken was not compiled ahead: OSError: the tide is out" in said(console)
    assert [path.name for path in parts.glob("*.mark")] == ["quick.mark"]


def test_lines_say_how_long_it_takes_where_there_is_no_terminal(
    parts: Path, console: Console, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(warm, "_SPOKEN", 0.0)
    (parts / "pause.py").write_text("import time; time.sleep(1)\n")
    warm.warm(console, [part(parts, "pause", 4.0)])
    first, second, *_ = said(console).splitlines()
    assert "about 5 s on 1 core" in first
    assert re.fullmatch(r"compiling: 0 of 1 parts, about \d+ s left", second)


def test_ctrl_c_ends_what_is_running_and_keeps_what_is_finished(parts: Path) -> None:
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "from instrument.engine.compiling import warm\n"
        "warm.is_warm = lambda: True\n"
        "warm._cores = lambda: 2\n"
        "parts = [warm.Part(name, (name,), 1.0, Path(name + '.mark')) for name in ('slow', 'quick')]\n"
        "try:\n"
        "    warm.warm(beside=parts)\n"
        "except KeyboardInterrupt:\n"
        "    sys.exit(130)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join((str(parts), str(ENGINE.parents[1])))}
    compiling = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True, env=environment)
    while not (parts / "quick.mark").exists():
        assert compiling.poll() is None
        time.sleep(0.05)
    compiling.send_signal(signal.SIGINT)
    _, told = compiling.communicate(timeout=60)
    assert compiling.returncode == 130
    assert "stopped; 1 of 2 parts are compiled and kept" in told
    assert "Traceback" not in told
    assert not (parts / "slow.mark").exists()


def test_a_home_that_cannot_be_written_is_said(parts: Path, console: Console, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(user_folders, "stand_in", lambda: parts / "other")
    monkeypatch.setenv(user_folders.CACHE_VARIABLE, str(parts / "other" / "cache"))
    warm.warm(console, [part(parts, "quick")])
    assert f"no folder of yours can be written: compiling into {parts / 'other' / 'cache'}" in said(console)


class TestFullDisk:
    def test_has_the_cache_elsewhere_and_says_so(
        self, parts: Path, console: Console, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        full, other = parts / "full", parts / "other"
        monkeypatch.setenv(user_folders.CACHE_VARIABLE, str(full))
        monkeypatch.setattr(user_folders, "stand_in", lambda: other)
        monkeypatch.setattr(warm, "_free", lambda folder: 0 if folder == full else 1 << 40)
        placed: list[str] = []
        monkeypatch.setattr(warm, "place_cache", lambda: placed.append(os.environ[user_folders.CACHE_VARIABLE]))
        warm.warm(console, [part(parts, "quick")])
        assert placed == [str(other / "cache")]
        assert f"the disk of {full} is full: compiling into {other / 'cache'}" in said(console)

    def test_everywhere_is_said_with_what_to_do(
        self, parts: Path, console: Console, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(warm, "_free", lambda _: 3 << 20)
        with pytest.raises(OSError, match=r"needs 48 MB, and the disk has 3 MB free; make room there, or"):
            warm.warm(console, [part(parts, "quick")])


class TestNumbaBuiltOtherwise:
    def test_is_not_touched_and_said(self, parts: Path, console: Console, monkeypatch: pytest.MonkeyPatch) -> None:
        class Other:
            """A numba without one of the methods that are replaced."""

        monkeypatch.setattr(lean, "_HOOKS", (*lean._HOOKS, (Other, "_finalize")))
        assert not lean.spare_machine_code()
        warm.warm(console, [part(parts, "quick")])
        assert "is built otherwise than those we know: it takes twice as long" in said(console)

    def test_the_one_installed_has_all_that_is_replaced(self) -> None:
        assert lean.can_be_spared()
