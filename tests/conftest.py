"""What holds for all tests: nothing is left in the folders of whoever runs them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="session", autouse=True)
def folders_of_our_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Unsaved changes that a show keeps are offered to no other show, and nobody's settings play in the tests.

    XDG Base Directory Specification.
    """
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        patched.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("config")))
        yield
