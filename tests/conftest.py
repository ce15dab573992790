"""What holds for all tests: nothing of a desktop reaches them, nothing is left behind; who may not run beside whom."""

from __future__ import annotations

import signal
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

import psutil
import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling

from tools.setup.split_tests import group_of
from tools.trials.known_environment import enter_known_environment

if TYPE_CHECKING:
    from collections.abc import Iterator

    from xdist.remote import Producer

# Before any module of tests is imported: libraries look at the display when they are.
enter_known_environment()

# Asked to end, as by Ctrl-C: what fixtures have started is ended by them.
with suppress(ValueError):  # another thread has imported this, and somebody else sees to signals
    signal.signal(signal.SIGTERM, signal.default_int_handler)

# The suite has minutes, not hours; `--hypothesis-profile=default` looks twice as long.
settings.register_profile("suite", max_examples=50)
settings.load_profile("suite")

pytest_plugins = ["tests.sound_servers"]


class _GroupScheduling(LoadFileScheduling):  # type: ignore[misc]
    # What xdist's own loadgroup does, which gives no group to anything with pytest 9.2.
    def _split_scope(self, nodeid: str) -> str:
        file = super()._split_scope(nodeid)
        return group_of(self.config.rootpath / file) or file


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadFileScheduling | None:
    """Keep files together, and those of one `xdist_group` in one process."""
    return _GroupScheduling(config, log) if config.getvalue("dist") == "loadfile" else None


@pytest.fixture(scope="session", autouse=True)
def nothing_left_running() -> Iterator[None]:
    """No process that a test has started outlives the tests; one that would is ended, and a failure."""
    before = {process.pid for process in _descendants()}
    yield
    # The reader of drawings is kept for as long as the interpreter lives, in any program that has read one.
    if drawings := sys.modules.get("instrument.patch.patch_drawings"):
        drawings.close_reader()
    left = [process for process in _descendants() if process.pid not in before]
    words = []
    for process in left:
        with suppress(psutil.NoSuchProcess):
            words.append(" ".join(process.cmdline()))
            process.kill()
    assert not words


def _descendants() -> list[psutil.Process]:
    # What multiprocessing keeps for as long as the interpreter lives is no process of a test.
    found = []
    for process in psutil.Process().children(recursive=True):
        with suppress(psutil.NoSuchProcess):
            kept = "multiprocessing.resource_tracker" in " ".join(process.cmdline())
            if not kept and process.status() != psutil.STATUS_ZOMBIE:
                found.append(process)
    return found


@pytest.fixture(scope="session", autouse=True)
def folders_of_our_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Unsaved changes that a show keeps are offered to no other show, and nobody's settings play in the tests.

    XDG Base Directory Specification.
    """
    with pytest.MonkeyPatch.context() as patched:
        for kind in ("STATE", "CONFIG", "DATA", "RUNTIME"):
            folder = tmp_path_factory.mktemp(kind.lower())
            folder.chmod(0o700)
            patched.setenv("XDG_RUNTIME_DIR" if kind == "RUNTIME" else f"XDG_{kind}_HOME", str(folder))
        patched.setenv("XDG_MUSIC_DIR", str(tmp_path_factory.mktemp("music")))
        yield
