"""What the documents show is true: the patches in them play, and the commands in them exist."""

import re
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from instrument.beam.look import SETTINGS, read_look
from instrument.beam.phosphor import TYPES
from instrument.cli import app
from instrument.patch.build import build_program
from instrument.patch.controller import controller_from_text
from instrument.patch.load import patch_from_text

ROOT = Path(__file__).resolve().parents[1]
GUIDE = (ROOT / "patches" / "README.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
PATCHES = [block for block in re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL) if "schema = 1" in block]
COMMANDS = re.findall(r"^beamhand .*$", README, re.MULTILINE)


@pytest.mark.parametrize("text", PATCHES)
def test_a_patch_in_the_guide_builds(text: str) -> None:
    if "[[layer]]" not in text:
        assert controller_from_text(text, "guide.toml").control
        return
    program = build_program(patch_from_text(text, ROOT / "patches" / "guide.toml"))
    assert program.record["layers"]["source"].any()


def test_the_guide_shows_a_patch_and_the_readme_commands() -> None:
    assert len(PATCHES) >= 1
    assert len(COMMANDS) >= 8


@pytest.mark.parametrize("line", COMMANDS)
def test_a_command_in_the_readme_is_understood(line: str, tmp_path: Path) -> None:
    # Files are made where the line names none of ours; playing and measuring are left to their own tests.
    words = line.split()[1:]
    for at, word in enumerate(words):
        if word.startswith("patches/"):
            assert (ROOT / word).exists(), line
            words[at] = str(ROOT / word)
        elif at and words[at - 1] == "-o":
            words[at] = str(tmp_path / word)
        elif word == "mine.toml":
            words[at] = str(tmp_path / word)
            if "new" not in words:
                assert CliRunner().invoke(app, ["patch", "new", words[at]]).exit_code == 0
    if words[0] in {"play", "bench"}:
        command = get_command(app).get_command(None, words[0])  # type: ignore[attr-defined]
        command.make_context(words[0], words[1:])
        return
    seconds = ["--seconds", "0.1"] if words[0] == "render" and "--seconds" not in words else []
    outcome = CliRunner().invoke(app, [*words, *seconds])
    assert outcome.exit_code == 0, outcome.output


def test_the_look_in_the_readme_is_understood(tmp_path: Path) -> None:
    (text,) = [
        block for block in re.findall(r"```toml\n(.*?)```", README, re.DOTALL) if "[phosphor]" in block
    ]
    path = tmp_path / "dusk.toml"
    path.write_text(text, encoding="utf-8")
    assert read_look(path).phosphor.name == "dusk"


def test_the_readme_describes_every_setting_of_a_look_and_every_phosphor() -> None:
    part = README[README.index("| setting |") :].split("\n\n", maxsplit=1)[0]
    assert set(re.findall(r"`(\w+)`[,|\s]", part)) >= SETTINGS.keys()
    rows = dict(re.findall(r"^\| (P\d+) \| (.*)$", README, re.MULTILINE))
    assert list(rows) == list(TYPES)
    assert all(
        ("power" in rows[name]) == any("power" in layer.law for layer in TYPES[name].layers) for name in TYPES
    )
