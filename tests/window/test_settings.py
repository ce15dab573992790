"""The player's settings are read whole or refused with a sentence that names file and setting."""

from pathlib import Path

import pygame
import pytest

from instrument.window.settings import Settings, read_settings


def test_without_a_file_everything_is_as_usual(tmp_path: Path) -> None:
    assert read_settings(tmp_path / "none.toml").view == Settings().view == "desk"


def test_keys_and_view_are_read(tmp_path: Path) -> None:
    path = tmp_path / "window.toml"
    path.write_text('view = "stage"\ndim = true\n[keys]\nblackout = "Pause"\n')
    settings = read_settings(path)
    assert (settings.view, settings.dim, settings.second) == ("stage", True, True)
    assert settings.keyboard.action_for(pygame.K_PAUSE, 0, frozenset(), "stage") == "blackout"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("view = ", "this is not TOML"),
        ('colour = "red"', "there is no setting colour"),
        ('view = "shelf"', 'view is "desk" or "stage"'),
        ("dim = 1", "dim is true or false"),
        ("keys = 3", r"\[keys\] holds lines"),
        ('[keys]\nblackout = "Ctrl"', "'Ctrl' is no key"),
    ],
)
def test_what_cannot_be_is_refused_by_name(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "window.toml"
    path.write_text(text)
    with pytest.raises(ValueError, match=words) as refused:
        read_settings(path)
    assert str(refused.value).startswith(str(path))
