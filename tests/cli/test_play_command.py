"""The caution of the first start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.cli.play_command import caution_once

if TYPE_CHECKING:
    from pathlib import Path


def test_it_is_said_once_and_names_ears_eyes_tubes_loudspeakers_and_codes(tmp_path: Path) -> None:
    said = caution_once(tmp_path / "data")
    for word in ("headphones", "seizures", "tube", "loudspeaker", "Local codes", "licensed"):
        assert word in said
    assert caution_once(tmp_path / "data") == ""


def test_where_it_cannot_be_remembered_it_is_said_again(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("in the way")
    assert caution_once(tmp_path / "data") == caution_once(tmp_path / "data") != ""
