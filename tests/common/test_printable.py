"""What comes out of files into messages commands no terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from instrument.cli.main import app
from instrument.common.printable import printable

if TYPE_CHECKING:
    from pathlib import Path


@given(st.text())
def test_nothing_that_commands_is_left(text: str) -> None:
    assert all(letter.isprintable() or letter in "\n\t" for letter in printable(text))


@given(st.text(st.characters(exclude_categories=["C", "Z"])))
def test_what_only_shows_stays_as_it_is(text: str) -> None:
    assert printable(text) == text


def test_a_patch_cannot_clear_the_screen_by_its_error(tmp_path: Path) -> None:
    path = tmp_path / "night.toml"
    path.write_text('schema = 1\n[mix]\nmode = "\\u001b[2J"\n')
    told = CliRunner().invoke(app, ["patch", "check", str(path)])
    assert told.exit_code == 1
    assert "\\x1b[2J" in told.stderr
    assert "\x1b[2J" not in told.stderr
