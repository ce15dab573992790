"""What holds for all tests: nothing is left in the folders of whoever runs them; who may not run beside whom."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from xdist.scheduler import LoadFileScheduling

from tools.setup.split_tests import group_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from xdist.remote import Producer


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
def folders_of_our_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Unsaved changes that a show keeps are offered to no other show, and nobody's settings play in the tests.

    XDG Base Directory Specification.
    """
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        patched.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("config")))
        yield
