"""Folders of the user's own: settings, state, logs and the cache, and a stand-in where there is no home to write in."""

from __future__ import annotations

import os
import stat
import tempfile
from pathlib import Path

import platformdirs

_APP = "beamhand"

CACHE_VARIABLE = "BEAMHAND_CACHE"
"""Environment variable that names another cache folder; processes that a show starts are told by it of a stand-in."""

_PRIVATE = 0o700


def cache_folder() -> Path:
    """Return the folder for what can be made again: machine code, routed drawings, small pictures.

    It may not exist yet. Where the user's own cannot be written, it is a private folder among the system's temporary
    files, so that what is compiled there serves until the machine starts anew.
    """
    if named := os.environ.get(CACHE_VARIABLE):
        return Path(named)
    try:
        usual = Path(platformdirs.user_cache_dir(_APP, appauthor=False))
    except RuntimeError:  # no HOME and no entry in passwd
        return stand_in() / "cache"
    return usual if can_be_written(usual) else stand_in() / "cache"


def settings_folder() -> Path:
    """Return the folder for what a player sets (it may not exist yet)."""
    try:
        return Path(platformdirs.user_config_dir(_APP, appauthor=False))
    except RuntimeError:
        return stand_in() / "settings"


def state_folder() -> Path:
    """Return the folder for what outlives a show, unsaved changes among it (it may not exist yet)."""
    try:
        return Path(platformdirs.user_state_dir(_APP, appauthor=False))
    except RuntimeError:
        return stand_in() / "state"


def data_folder() -> Path:
    """Return the folder for what the instrument remembers of its player (it may not exist yet)."""
    try:
        return Path(platformdirs.user_data_dir(_APP, appauthor=False))
    except RuntimeError:
        return stand_in() / "data"


def log_folder() -> Path:
    """Return the folder for logs (it may not exist yet)."""
    try:
        return Path(platformdirs.user_log_dir(_APP, appauthor=False))
    except RuntimeError:
        return stand_in() / "log"


def music_folder() -> Path:
    """Return the folder for takes where none is named (it may not exist yet)."""
    try:
        return Path(platformdirs.user_music_dir()) / "Beamhand"
    except RuntimeError:
        return stand_in() / "takes"


def can_be_written(folder: Path) -> bool:
    """Return whether files can be made in a folder, which may have to be made itself."""
    while not folder.exists() and folder.parent != folder:
        folder = folder.parent
    return folder.is_dir() and os.access(folder, os.W_OK | os.X_OK)


def stand_in() -> Path:
    """Return a private folder among the system's temporary files, the same for all processes of this user.

    Machine code is loaded from it, so one that somebody else owns, or could write to, is not used: then it is a new one.
    """
    user = os.getuid() if hasattr(os, "getuid") else "user"
    folder = Path(tempfile.gettempdir()) / f"{_APP}-{user}"
    try:
        folder.mkdir(_PRIVATE, exist_ok=True)
        found = folder.lstat()
        ours = not hasattr(os, "getuid") or found.st_uid == os.getuid()
        if stat.S_ISDIR(found.st_mode) and ours and not stat.S_IMODE(found.st_mode) & 0o077:
            return folder
    except OSError:
        pass
    folder = Path(tempfile.mkdtemp(prefix=f"{_APP}-"))
    os.environ.setdefault(CACHE_VARIABLE, str(folder / "cache"))
    return folder
