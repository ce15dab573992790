"""What holds for all tests: nothing is left in the folders of whoever runs them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="session", autouse=True)
def state_of_our_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Unsaved changes that a show keeps are offered to no other show (XDG Base Directory Specification)."""
    before = os.environ.get("XDG_STATE_HOME")
    os.environ["XDG_STATE_HOME"] = str(tmp_path_factory.mktemp("state"))
    yield
    if before is None:
        del os.environ["XDG_STATE_HOME"]
    else:
        os.environ["XDG_STATE_HOME"] = before
