"""Parts of the system that a test needs: left out with a sentence where they are missing, and a failure where they must be."""

import os
from typing import NoReturn

import pytest


def leave_out(sentence: str) -> NoReturn:
    """Leave a test out, or fail where nothing may be left out (``CI=true``)."""
    if os.environ.get("CI") == "true":
        pytest.fail(sentence)
    pytest.skip(sentence)
