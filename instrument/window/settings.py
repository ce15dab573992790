"""The player's own settings of the window: keys, view and colours, in a TOML file of the user's folder."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from instrument.common.user_folders import settings_folder
from instrument.window.keys import Keyboard

if TYPE_CHECKING:
    from pathlib import Path

_VIEWS = ("desk", "stage")


@dataclass(frozen=True)
class Settings:
    """Settings of the file, or the usual ones.

    Attributes
    ----------
    view : str
        ``desk`` or ``stage``: what the window opens with.
    dim : bool
        Whether it opens in the dimmer colours.
    second : bool
        Whether a second display shows the picture alone.
    keyboard : Keyboard
    """

    view: str = "desk"
    dim: bool = False
    second: bool = True
    keyboard: Keyboard = field(default_factory=Keyboard)


def settings_file() -> Path:
    """Return the file in which a player keeps the settings (it may not exist)."""
    return settings_folder() / "window.toml"


def read_settings(path: Path | None = None) -> Settings:
    """Return the settings in a file, or the usual ones if there is none.

    Raises
    ------
    ValueError
        If a setting in it is refused; the message names file and setting.
    OSError
        If it cannot be read.

    Examples
    --------
    A file with these lines opens with the picture alone and puts the blackout on another key::

        view = "stage"

        [keys]
        blackout = "Pause"
    """
    path = path or settings_file()
    if not path.exists():
        return Settings()
    try:
        written = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{path}: this is not TOML ({error}).") from None
    unknown = set(written) - {"view", "dim", "second", "keys"}
    if unknown:
        raise ValueError(f"{path}: there is no setting {min(unknown)}; there are view, dim, second and [keys].")
    view = written.get("view", "desk")
    if view not in _VIEWS:
        raise ValueError(f'{path}: view is "desk" or "stage", not {view!r}.')
    for name in ("dim", "second"):
        if not isinstance(written.get(name, False), bool):
            raise ValueError(f"{path}: {name} is true or false, not {written[name]!r}.")
    keys = written.get("keys", {})
    if not isinstance(keys, dict) or not all(isinstance(key, str) for key in keys.values()):
        raise ValueError(f'{path}: [keys] holds lines such as blackout = "Pause".')
    try:
        keyboard = Keyboard(keys)
    except ValueError as error:
        raise ValueError(f"{path}: {error}.") from None
    return Settings(view, bool(written.get("dim", False)), bool(written.get("second", True)), keyboard)
