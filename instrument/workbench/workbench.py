"""Workbench: all that lies between the window and the patches, and the state that the window is told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.drawings.route_report import highest_legible
from instrument.engine.engine import panic_event
from instrument.engine.memory.layout import RING_COMMAND, RING_MIDI, RING_WINDOW
from instrument.engine.memory.views import is_blacked_out, is_frozen
from instrument.midi.event_feed import PerformanceFeeder, RingActivity
from instrument.workbench.autosave import Autosave
from instrument.workbench.patch_edits import PatchEdits
from instrument.workbench.quit_prompt import QuitPrompt
from instrument.workbench.requests import ALIVE, Requests
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
    """Requests, edits, recovery files, thumbnails, performances and the quit prompt of one show.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` belongs to the thread that calls this object.
    set_list : SetList
    recording : TakeControl
    learning : Learning
    over : threading.Event
        Set for the end of the show.
    say, complain : callable
        Take one sentence for the performer; complaints stay in sight.

    Attributes
    ----------
    quit_prompt : QuitPrompt
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
        self._hands = [RingActivity(engine, ring) for ring in (RING_MIDI, RING_WINDOW)]
        self._edits = PatchEdits(engine, set_list, say)
        set_list.on_answer = self._take
        self._autosave = Autosave(set_list, self._edits)
        self.quit_prompt = QuitPrompt(over, self._edits, self._busy)
        self._thumbnails = Thumbnails()
        self._window_seen = False
        self._requests = Requests(
            engine, set_list, self._edits, recording, learning, self._autosave, self.quit_prompt, complain
        )

    @property
    def state(self) -> dict[str, Any]:
        """State of patches and edits as the window is told it, which JSON carries."""
        working = self._set_list.working
        patch, history = working.loaded, working.history
        by_hands = self._set_list.values_set_by_hand(working)
        record = self._engine.record
        return {
            "title": patch.title,
            "patch": patch.path.name,
            "layers": patch.layers,
            "controls": list(patch.controls),
            "legible": [
                {"layer": layer, "corners": corners, "hertz": highest_legible(corners, self._engine.rate)}
                for layer, corners in patch.corners
            ],
            "document": patch.description.document,
            "parameters": patch.description.parameters,
            "snapshots": list(patch.description.snapshots),
            "unsaved": working.is_unsaved(by_hands),
            "changes": working.changes(by_hands),
            "undo": history.undo_label,
            "redo": history.redo_label,
            "refused": self._edits.refused,
            "setlist": [
                {
                    "title": other.loaded.title,
                    "path": str(other.path),
                    "index": index,
                    "unsaved": other.is_unsaved(self._set_list.values_set_by_hand(other)),
                    "picture": self._thumbnails.of(other.saved),
                }
                for index, other in enumerate(self._set_list.patches)
            ],
            "current": self._set_list.position,
            "question": self.quit_prompt.question,
            "blackout": is_blacked_out(record),
            "frozen": is_frozen(record),
            **self._autosave.state,
        }

    def tell_recovery(self) -> None:
        """Say where unsaved changes of an earlier show lie."""
        self._autosave.tell(self._say)

    def do(self, request: dict[str, Any]) -> bool:
        """Meet a request of the window; return whether it may have changed something."""
        if request["do"] != ALIVE:
            self._requests.do(request)
            return True
        if not self._window_seen:
            # With a window there may be edits and browsing.
            self._window_seen = True
            self._set_list.worker.start_reader()
            self._thumbnails.want()
        return False

    def poll(self, now: float) -> None:
        """Go on with tasks, recovery files and thumbnails."""
        self._edits.poll()
        self._poll_performance()
        self._autosave.poll(now)
        self._thumbnails.poll([working.saved for working in self._set_list.patches])

    def _poll_performance(self) -> None:
        # Knobs that a file moves are no changes of the patch, unless a hand plays along, of which it cannot be told apart.
        hands = [hand.came() for hand in self._hands]
        if self._set_list.performed and self._feeder is not None:
            if any(hands):
                self._set_list.performed = False
            elif self._feeder.over:
                self._set_list.end_self_playing()

    def perform(self, feeder: PerformanceFeeder) -> None:
        """Play a performance instead of the one under way."""
        if self._feeder is not None:
            self._feeder.close()
            # Keys that the old performance holds down would otherwise sound for ever.
            self._engine.push(panic_event(), RING_COMMAND)
        self._feeder = feeder
        self._set_list.performed = True
        feeder.start()

    def close(self) -> None:
        """End what is under way, and write what is not saved into recovery files."""
        if self._feeder is not None:
            self._feeder.close()
        self._thumbnails.close()
        self._autosave.close(self._say)

    def _busy(self) -> list[str]:
        performing = self._feeder is not None and not self._feeder.over
        return [*(["A take"] if self._recording.wanted else []), *(["A performance"] if performing else [])]

    def _take(self, answer: Answer) -> None:
        # The worker's answers to what the set list has not asked for.
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
