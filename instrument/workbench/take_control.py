"""Control of takes: recording a whole show, on request, or after the fact, and its state for the window."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.engine.memory.layout import ACTIONS, EVENT_ACTION
from instrument.repertoire.controls_file import controls_file
from instrument.takes.recorder_client import Recording, usual_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from instrument.engine.program import Program
    from instrument.repertoire.set_list import SetList
    from instrument.takes.recorder_client import RecordedEngine

RECORD = ACTIONS.index("record")
"""The action by which a control or a key begins a take, or ends the one under way."""


class TakeControl:
    """Takes of one show.

    Parameters
    ----------
    engine : RecordedEngine
    folder : Path or None
        Into which a take of the whole show is recorded; None records when it is asked for, into the usual folder.
    keep : float
        Seconds of sound that a take after the fact may have; 0 starts no recorder until it is wanted.
    tags : mapping of str to str
        Title, artist and date of takes, where they are not to follow from the patch and the day.
    say : callable
        Takes one sentence for the performer.
    """

    def __init__(
        self,
        engine: RecordedEngine,
        folder: Path | None,
        keep: float,
        tags: Mapping[str, str],
        say: Callable[[str], None],
    ) -> None:
        self._engine = engine
        self._folder = folder
        self._keep = keep
        self._say = say
        self._recording = Recording(engine, keep, tags)
        self._cursor = 0

    @property
    def state(self) -> dict[str, Any]:
        """State for the window."""
        return self._recording.state

    @property
    def wanted(self) -> bool:
        """True while a take is under way, or asked for."""
        return self._recording.wanted

    def follow(self, set_list: SetList) -> None:
        """Tell the recorder of every program that the set list loads from now on."""

        def tell(slot: int, program: Program) -> None:
            if (patch := set_list.patch_of(program)) is not None:
                # The controller file is part of the text that plays.
                files = [file for file in patch.files if file != controls_file()]
                self._recording.loaded(slot, patch.path, patch.title, patch.played, files)

        self._engine.on_load = tell

    def begin(self) -> None:
        """Record the whole show if that is wanted, or hold the recorder ready; called before the first block.

        Raises
        ------
        OSError
            If what is wanted cannot begin.
        """
        if self._folder is not None:
            self._recording.begin(self._folder)
            self._recording.repair(self._folder)
            for sentence in self._recording.wait_until_begun():
                self._say(sentence)
        elif self._keep > 0:
            self._recording.open()
            self._recording.repair(usual_folder())

    def ask(self, what: str, on: object = None) -> None:
        """Meet a request of the window: ``record`` begins or ends a take, ``keep`` makes one of the latest sound.

        Parameters
        ----------
        what : str
        on : bool, optional
            Whether a take is to be under way afterwards; by default the other way round than now.
        """
        folder = self._folder or usual_folder()
        if what == "keep":
            self._recording.record_retrospectively(folder)
        elif not isinstance(on, bool) or on != self._recording.wanted:
            self._recording.toggle(folder)

    def send_on(self) -> None:
        """Send the recorder what found no room in the pipe before; never waits."""
        self._recording.send_on()

    def poll(self) -> str:
        """Follow controls and the recorder; return trouble to be shown, empty if there is none."""
        events, self._cursor, _ = self._engine.log_since(self._cursor)
        for _ in range(int(((events["kind"] == EVENT_ACTION) & (events["index"] == RECORD)).sum())):
            self.ask("record")
        for sentence in self._recording.poll():
            self._say(sentence)
        # Taken out, so that one trouble is shown once.
        trouble, self._recording.trouble = self._recording.trouble, ""
        return trouble

    def close(self) -> None:
        """End the take under way, and the recorder."""
        for sentence in self._recording.close():
            self._say(sentence)
