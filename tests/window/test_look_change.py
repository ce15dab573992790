"""Keys for the look, and looks whose kernels have to be compiled first."""

import subprocess
import sys
from pathlib import Path

import pytest

from instrument.beam.look import Look
from instrument.beam.phosphor import TYPES
from instrument.window.keys import ACTIONS
from instrument.window.look_change import LookChange, look_file, next_look, usual_look
from tests.window.display import wait_for


@pytest.mark.parametrize(("action", "steps"), [("graticule", 3), ("phosphor", len(TYPES)), ("turn", 4), ("mirror", 2)])
def test_every_key_of_the_picture_comes_back_to_where_it_began(action: str, steps: int) -> None:
    look = Look()
    seen = []
    for _ in range(steps):
        look = next_look(look, action)
        seen.append(repr(look))
    assert look == Look()
    assert len(set(seen)) == steps
    assert action in {each.name for each in ACTIONS}


def test_other_keys_leave_the_look_alone() -> None:
    looks = LookChange()
    looks.request("octave_up")
    assert not looks.apply()


def test_what_is_compiled_changes_at_once() -> None:
    looks = LookChange()
    looks.request("mirror")
    looks.request("graticule")
    assert looks.apply()
    assert (looks.current.glass.mirror, looks.current.glass.graticule > 0) == ("x", True)
    assert not looks.apply()


def test_the_players_own_look_is_read_from_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path))
    assert usual_look() == Look()
    (tmp_path / "look.toml").write_text('mirror = "x"\n')
    assert look_file() == tmp_path / "look.toml"
    assert usual_look().glass.mirror == "x"
    (tmp_path / "look.toml").write_text("zoom = 0\n")
    with pytest.raises(ValueError, match=r"look\.toml, line 1: zoom: .* from 0\.01 to 100"):
        usual_look()


def test_a_look_that_needs_other_kernels_waits_for_them_and_the_old_one_plays_on() -> None:
    started = []

    def slowly(look: Look) -> subprocess.Popen[bytes]:
        started.append(look.phosphor.name)
        return subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)

    looks = LookChange(prepare=slowly)
    for _ in range(2):
        looks.request("phosphor")  # from P31 by P39, which has another number of exponentials ...
    looks.request("phosphor")
    looks.request("phosphor")  # ... round to P2
    assert looks._requested.phosphor.name == "P2"
    assert not looks.apply()
    assert not looks.apply()
    assert looks.current.phosphor.name == "P31"
    assert started == ["P2"]
    assert looks._preparing is not None
    process = looks._preparing[1]
    assert process.stdin is not None
    process.stdin.close()
    wait_for(looks.apply, "the new look")
    assert looks.current.phosphor.name == "P2"
    assert started == ["P2"]
