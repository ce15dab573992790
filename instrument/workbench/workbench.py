"""Everything between the window and the patches: requests, edits, recovery files, pictures, performances, the end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.engine.engine import panic_event
from instrument.engine.memory.layout import RING_COMMAND
from instrument.midi.event_feed import PerformanceFeeder
from instrument.workbench.autosave import Autosave
from instrument.workbench.patch_edits import PatchEdits
from instrument.workbench.quit_prompt import QuitPrompt
from instrument.workbench.requests import Requests
from instrument.workbench.state_message import ALIVE, state_of
from instrument.workbench.thumbnails import Thumbnails

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable

    from instrument.engine.engine import Engine
    from instrument.repertoire.patch_worker import Answer
    from instrument.repertoire.set_list import SetList
    from instrument.workbench.learning import Learning
    from instrument.workbench.take_control import TakeControl


class Workbench:
    """What is done to the patches of one show.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` belongs to the thread that calls this object.
    setlist : SetList
    recording : TakeControl
    learning : Learning
    over : threading.Event
        Set when the show is to end.
    say, complain : callable
        Take one sentence for whoever performs; complaints stay in sight.

    Attributes
    ----------
    farewell : QuitPrompt
    """

    def __init__(
        self,
        engine: Engine,
        set_list: SetList,
        recording: TakeControl,
        learning: Learning,
        over: threading.Event,
        say: Callable[[str], None],
        complain: Callable[[str], None],
    ) -> None:
        self._engine, self._set_list, self._recording = engine, set_list, recording
        self._say, self._complain = say, complain
        self._feeder: PerformanceFeeder | None = None
        self._edits = PatchEdits(engine, set_list, say)
        set_list.others = self._take
        self._autosave = Autosave(set_list, self._edits)
        self.quit_prompt = QuitPrompt(over, self._edits, self._busy)
        self._thumbnails = Thumbnails()
        self._waited_on = False
        self._requests = Requests(
            engine, set_list, self._edits, recording, learning, self._autosave, self.quit_prompt, complain
        )

    @property
    def state(self) -> dict[str, Any]:
        """What the window shows of it."""
        record = self._engine.record
        return {
            **state_of(
                self._set_list, self._edits, self._autosave, self.quit_prompt, self._thumbnails, self._engine.rate
            ),
            "blackout": bool(record["blackout"]),
            "frozen": bool(record["frozen"]),
        }

    def tell_recovery(self) -> None:
        """Say where unsaved changes of an earlier start lie."""
        self._autosave.tell(self._say)

    def do(self, request: dict[str, Any]) -> bool:
        """Meet a request of the window; return whether it may have changed something."""
        if request["do"] != ALIVE:
            self._requests.do(request)
            return True
        if not self._waited_on:
            # Somebody is there who may edit, and look through pictures.
            self._waited_on = True
            self._set_list.worker.start_reader()
            self._thumbnails.want()
        return False

    def poll(self, now: float) -> None:
        """See to what goes on by itself."""
        self._edits.poll()
        self._autosave.poll(now)
        self._thumbnails.poll([working.saved for working in self._set_list.patches])

    def perform(self, feeder: PerformanceFeeder) -> None:
        """Play a performance instead of the one under way."""
        if self._feeder is not None:
            self._feeder.close()
            self._engine.push(panic_event(), RING_COMMAND)
        self._feeder = feeder
        feeder.start()

    def close(self) -> None:
        """End what is under way, and keep what is not saved."""
        if self._feeder is not None:
            self._feeder.close()
        self._thumbnails.close()
        self._autosave.close(self._say)

    def _busy(self) -> list[str]:
        performing = self._feeder is not None and not self._feeder.over
        return [*(["A take"] if self._recording.wanted else []), *(["A performance"] if performing else [])]

    def _take(self, answer: Answer) -> None:
        # What the worker has done for somebody else than the set list.
        if self._edits.take_answer(answer):
            return
        trouble = self._autosave.note_written(answer.trouble) if answer.do == "recovery" else answer.trouble
        if trouble:
            self._complain(trouble)
        elif answer.do == "open":
            self._set_list.add(answer.patches)
        elif answer.do == "perform":
            for warning in answer.warnings:
                self._say(warning)
            self.perform(PerformanceFeeder(self._engine, answer.events))
            self._say(f"performing {answer.path}")
