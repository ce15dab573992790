"""Changing the look while the show goes on: a look that needs compiling is compiled elsewhere before it is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.beam.look import Look, compile_for, kernels_of, read_look
from instrument.beam.phosphor import TYPES
from instrument.common.child_process import launch, module_command
from instrument.common.user_folders import settings_folder

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

GRATICULES = (0.0, 0.35, 1.0)
"""Brightnesses of the ruled glass, one after the other."""

TURN = 90
"""Degrees of one turn of the picture."""


def usual_look() -> Look:
    """Return the look that the player keeps in a file, or the common one if there is no such file.

    Raises
    ------
    ValueError
        If a setting in it is refused; the message names file, line and setting.
    OSError
        If it cannot be read.
    """
    path = look_file()
    return read_look(path) if path.exists() else Look()


def look_file() -> Path:
    """Return the file in which a player keeps the look of the window (it may not exist)."""
    return settings_folder() / "look.toml"


def compile_elsewhere(look: Look) -> subprocess.Popen[bytes]:
    """Start a process that leaves the kernels of a registered phosphor in the compile cache."""
    return launch(module_command("instrument.beam.look", look.phosphor.name), talks=False)


class LookChange:
    """The look of the picture, and the one that is asked for.

    Parameters
    ----------
    look : Look, optional
        Its kernels are compiled.
    prepare : callable, optional
        Starts a process that compiles what a look needs.
    """

    def __init__(
        self,
        look: Look | None = None,
        prepare: Callable[[Look], subprocess.Popen[bytes]] = compile_elsewhere,
    ) -> None:
        self.current = self._requested = look or Look()
        self._prepare = prepare
        self._ready = {kernels_of(self.current)}
        self._preparing: tuple[Look, subprocess.Popen[bytes]] | None = None

    def request(self, action: str) -> None:
        """Take note of a key for the look; several may be pressed before the first is seen."""
        self._requested = next_look(self._requested, action)

    def apply(self) -> bool:
        """Bring the current look up to what is asked for; return whether it has changed."""
        if self._requested == self.current:
            return False
        needed = kernels_of(self._requested)
        if needed not in self._ready and self._preparing is None:
            self._preparing = self._requested, self._prepare(self._requested)
        if self._preparing is not None:
            look, process = self._preparing
            if process.poll() is not None:
                self._preparing = None
                # Loaded from the cache now; compiled here, with a pause, if the other process failed.
                compile_for(look)
                self._ready.add(kernels_of(look))
        if needed not in self._ready:
            return False
        self.current = self._requested
        return True


def next_look(look: Look, action: str) -> Look:
    """Return the look after one of the keys for it.

    Parameters
    ----------
    look : Look
    action : str
        ``graticule``, ``phosphor``, ``turn`` or ``mirror``; anything else changes nothing.

    Examples
    --------
    >>> next_look(next_look(Look(), "phosphor"), "turn").glass.rotate
    90.0
    """
    glass = look.glass
    if action == "graticule":
        brighter = [value for value in GRATICULES if value > glass.graticule]
        return look.with_setting("graticule", brighter[0] if brighter else GRATICULES[0])
    if action == "phosphor":
        names = list(TYPES)
        at = names.index(look.phosphor.name) if look.phosphor.name in TYPES else -1
        return look.with_setting("phosphor", names[(at + 1) % len(names)])
    if action == "turn":
        return look.with_setting("rotate", (glass.rotate + TURN) % 360)
    if action == "mirror":
        return look.with_setting("mirror", "none" if glass.mirror != "none" else "x")
    return look
