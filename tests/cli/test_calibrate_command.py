"""`beamhand calibrate` as it is typed: a guide through standard input, and values without one."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from instrument.cli.main import app
from tests.commands import beamhand

if TYPE_CHECKING:
    from pathlib import Path

    from instrument.show.show_options import ShowOptions


@pytest.fixture(autouse=True)
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    return tmp_path / "beamhand" / "devices"


def calibrate(*arguments: str) -> tuple[int, str, str]:
    run = beamhand("calibrate", "--audio", "off", *arguments)
    return run.returncode, run.stdout, run.stderr


def test_the_guide_walks_plays_and_saves_and_play_says_that_it_uses_the_profile(settings: Path) -> None:
    command = [sys.executable, "-m", "instrument.cli", "calibrate", "--audio", "off", "--no-window"]
    lines = "\n\nox -0.05\n\ngx 0.9\nback\nsave\n"
    run = subprocess.run(command, input=lines, capture_output=True, text=True, check=False, timeout=120)
    assert run.returncode == 0, run.stderr
    order = [
        "disconnect the PA",
        "playing Channel ident",
        "[1/8] Channel ident",
        "[2/8] Centre dot",
        "offset.x -0.05",
    ]
    order += ["[3/8] Circle", "gain.x 0.9", "[2/8] Centre dot", str(settings)]
    at = 0
    for text in order:
        at = run.stderr.index(text, at)
    played = beamhand("play", "--audio", "off", "--no-window", "--seconds", "0.1")
    assert played.returncode == 0
    assert "corrected for the display behind silent clock: gain.x 0.9, offset.x -0.05" in played.stderr


def test_values_are_kept_without_a_guide_shown_listed_and_forgotten(settings: Path) -> None:
    assert calibrate("--gain-x", "15/16", "--swap")[0] == 0
    assert calibrate("--offset-y", "-0.1")[0] == 0
    assert calibrate("--show")[1] == "silent clock: swap on, gain.x 0.9375, offset.y -0.1\n"
    shown = json.loads(calibrate("--list", "--json")[1])
    assert (shown["device"], shown["gain.x"]) == ("silent clock", 0.9375)
    assert shown["swap"] is True
    assert len(list(settings.iterdir())) == 1
    assert calibrate("--forget")[0] == 0
    assert list(settings.iterdir()) == []
    status, _, said = calibrate("--show")
    assert (status, said) == (1, "beamhand: silent clock has no profile; make one with beamhand calibrate.\n")


@pytest.mark.parametrize(("flags", "wanted"), [([], True), (["--no-profile"], False)])
def test_play_asks_for_the_profile_unless_told_not_to(
    flags: list[str], wanted: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[ShowOptions] = []
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr("instrument.show.show.run_show", lambda options, _: asked.append(options))
    assert CliRunner().invoke(app, ["play", *flags]).exit_code == 0
    assert asked[0].profile is wanted


@pytest.mark.parametrize(
    ("arguments", "status"),
    [(["--gain-x", "9"], 1), (["--gain-x", "wide"], 1), (["--show", "--forget"], 2), (["--json"], 2)],
)
def test_what_is_refused_leaves_everything_as_it_is(arguments: list[str], status: int, settings: Path) -> None:
    assert calibrate(*arguments)[0] == status
    assert not settings.exists()
