"""Client of the recorder process: starts it, tells it which programs are loaded, and passes on what it says."""

from __future__ import annotations

import json
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from instrument.common.child_process import ChildProcess, kill, module_command
from instrument.common.user_folders import music_folder
from instrument.engine.engine import Engine
from instrument.engine.memory.views import events_applied
from instrument.takes.stored_program import identity_in

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from instrument.engine.program import Program

RETROSPECTIVE_SECONDS = 60.0
"""Of sound that are kept for a take after the fact."""

START_SECONDS = 30.0
"""Longest start of a recorder: on a busy machine it is mostly imports."""

END_SECONDS = 120.0
"""Longest wait at the end of a show for the end of the take."""

_TURN = 0.02


def usual_folder() -> Path:
    """Return where takes go when nobody names a folder."""
    return music_folder()


class RecordedEngine(Engine):
    """An engine that says which program it has loaded into which slot, before anything changes to it.

    Attributes
    ----------
    on_load : callable
        Takes the slot and the program.
    """

    on_load: Callable[[int, Program], None] | None = None

    def load(self, program: Program, slot: int | None = None) -> int:
        """Load a program; see `Engine.load`."""
        taken = super().load(program, slot)
        if self.on_load is not None:
            self.on_load(taken, program)
        return taken


class Recording:
    """One recorder over one engine.

    Parameters
    ----------
    engine : Engine
        Over shared memory.
    keep : float
        Seconds of sound that are kept for a take after the fact; 0 keeps none.
    tags : mapping of str to str
        Title, artist and date of takes, where they are not to follow from the patch and the day.

    Attributes
    ----------
    seconds : float or None
        Length of the take under way.
    disk_minutes : float or None
        For which there is room.
    """

    def __init__(
        self, engine: Engine, keep: float = RETROSPECTIVE_SECONDS, tags: Mapping[str, str] | None = None
    ) -> None:
        self._engine = engine
        self._keep = keep
        self._tags = dict(tags or {})
        self._child = ChildProcess("recorder")
        self._loaded: list[dict[str, Any]] = []
        self._wanted = False
        self._unfinished = 0
        self._number = 0
        self.seconds: float | None = None
        self.disk_minutes: float | None = None
        self.trouble = ""
        self.folder: Path | None = None

    @property
    def state(self) -> dict[str, Any]:
        """State for the window: under `recording` None, or the take under way."""
        if self.seconds is None:
            return {"recording": None}
        return {
            "recording": {
                "on": self.wanted,
                "seconds": self.seconds,
                "folder": str(self.folder) if self.folder is not None else "",
                "disk_seconds": None if self.disk_minutes is None else round(60 * self.disk_minutes),
            }
        }

    @property
    def wanted(self) -> bool:
        """True while a take is under way, or was asked for."""
        return self._wanted

    def open(self) -> None:
        """Start the process, which follows the show from now on.

        Raises
        ------
        OSError
            If no process can be started.
        """
        if self._child.process is not None:
            return
        name, keep = self._engine.memory.name, repr(self._keep)
        self._child.start(module_command("instrument.takes.recorder", name, keep))
        for message in self._loaded:
            self._child.send(message)

    def loaded(self, slot: int, name: Path, title: str, text: str, files: Iterable[Path]) -> None:
        """Tell whose program is in a slot; called after it was loaded and before anything changes to it.

        Parameters
        ----------
        slot : int
        name : Path
            Of the patch's file.
        title, text : str
            Of the patch.
        files : iterable of Path
            Drawings and fonts that it is made from.
        """
        message = {
            "do": "program",
            "slot": slot,
            "check": identity_in(self._engine.record, slot),
            "since": events_applied(self._engine.record),
            "name": name.name,
            "folder": str(name.absolute().parent),
            "title": title,
            "text": text,
            "files": [str(file) for file in files],
        }
        self._loaded.append(message)
        if self._child.process is not None:
            self._child.send(message)

    def begin(self, parent: Path) -> None:
        """Record from now on, into a new folder in `parent`."""
        self._wanted = True
        self._unfinished += 1
        self.seconds = self.seconds or 0.0
        self._number += 1
        folder = str(parent.absolute())
        self._ask({"do": "start", "folder": folder, "tags": self._tags, "take": self._number})

    def stop(self) -> None:
        """End the take under way."""
        self._wanted = False
        self._ask({"do": "stop"})

    def toggle(self, parent: Path) -> None:
        """Begin a take, or end the one under way."""
        if self._wanted:
            self.stop()
        else:
            self.begin(parent)

    def record_retrospectively(self, parent: Path) -> None:
        """Make a take of the latest sound."""
        self._unfinished += 1
        self._ask({"do": "retrospective", "folder": str(parent.absolute()), "tags": self._tags})

    def repair(self, parent: Path) -> None:
        """Finish takes in a folder that a crash has cut off."""
        self._ask({"do": "repair", "folder": str(parent.absolute())})

    def wait_until_begun(self) -> list[str]:
        """Wait until the take is there, so that nothing of what follows is missing from it.

        Returns
        -------
        list of str
            What is to be said.

        Raises
        ------
        OSError
            If it cannot begin.
        """
        deadline = time.monotonic() + START_SECONDS
        self.folder = None
        said: list[str] = []
        while self.folder is None:
            said += self.poll()
            if self.trouble or not self._child.running or time.monotonic() > deadline:
                raise OSError(self.trouble or "the recording cannot begin: the recorder does not start.")
            time.sleep(_TURN)
        return said

    def send_on(self) -> None:
        """Send what found no room in the pipe before; never waits."""
        self._child.send_on()

    def poll(self) -> list[str]:
        """Return what is to be said since the last call; never waits."""
        self._child.send_on()
        said = self._rest()
        if self._child.process is not None and not self._child.running:
            self._note_end(said)
        return said

    def close(self) -> list[str]:
        """End the take under way and the recorder; return what is to be said."""
        process = self._child.process
        if process is None:
            return []
        self._child.hang_up(within=START_SECONDS)
        said = self._rest()
        if not self._unfinished:
            kill(process)  # nothing would be missing, and it may still be starting
        try:
            process.wait(END_SECONDS)
        except subprocess.TimeoutExpired:
            # It knows that we are gone, and goes on until the take is on the disk.
            said.append("the recording is still being finished; it will end by itself.")
        time.sleep(_TURN)
        said += self._rest()
        self._child.process = None
        return said

    def _rest(self) -> list[str]:
        said: list[str] = []
        for line in self._child.lines():
            with suppress(ValueError):
                self._take(json.loads(line), said)
        return said

    def _take(self, message: dict[str, Any], said: list[str]) -> None:
        if "say" in message:
            said.append(message["say"])
            self.trouble = message["say"] if message.get("trouble") else self.trouble
        if "started" in message:
            self.folder = Path(message["started"])
            said.append(f"recording into {self.folder}")
        if "recording" in message and self._wanted:
            self.seconds, self.disk_minutes = message["recording"], message["disk_minutes"]
        if "stopped" in message:
            self._unfinished -= 1
            # While an earlier take is still being finished, the next one may be under way.
            if message.get("take") == self._number:
                self._wanted = False
                self.seconds = self.disk_minutes = None
            if message["stopped"]:
                said.append(f"recorded {message['seconds']:.1f} s into {message['stopped']}")

    def _note_end(self, said: list[str]) -> None:
        # Another one is started when it is asked for something; what went before is lost to it.
        self._child.forget()
        self._unfinished = 0
        if self._wanted:
            self.trouble = "the recorder has ended, and with it the recording; the sound plays on."
            said.append(self.trouble)
        self._wanted = False
        self.seconds = self.disk_minutes = None

    def _ask(self, message: dict[str, Any]) -> None:
        self.open()
        self._child.send(message)
