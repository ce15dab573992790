"""Which versions the two other environments have."""

import pytest

from tools.setup.bootstrap import ROOT, requirements
from tools.setup.other_versions import pinned


@pytest.mark.parametrize("line", requirements(ROOT))
def test_the_oldest_is_the_lower_bound(line: str) -> None:
    exact = pinned(line)
    assert "==" in exact
    assert ">=" not in exact.partition(";")[0]
    assert exact.partition("==")[0] == line.partition(">=")[0]


def test_a_marker_stays() -> None:
    assert pinned("pygame>=2.6; python_version < '3.14'") == "pygame==2.6; python_version < '3.14'"
