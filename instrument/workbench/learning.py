"""Learning of controls while the show plays: a parameter is chosen, a control is moved, and it is written down.

It reads the log of events that have taken effect, so that it hears what the engine hears, whatever sent it.
"""

from __future__ import annotations

import tomllib
from functools import partial
from typing import TYPE_CHECKING, Any

from instrument.engine.memory.layout import EVENT_MIDI, MESSAGES
from instrument.engine.memory.views import active_slot, controls_of, events_applied, program_in
from instrument.engine.notes.midi_numbers import LOW_BYTES
from instrument.midi.control_decoder import ANY, ControlDecoder, ControlSource
from instrument.midi.control_proposal import Target, proposed_control, same_use, target_of
from instrument.midi.message_decoder import MidiError
from instrument.midi.recognition import Recogniser
from instrument.patch.patch_errors import PatchError
from instrument.repertoire.controls_file import controls_file, taught_all, teach_all, unteach_all

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from instrument.engine.engine import Engine
    from instrument.repertoire.loading import LoadedPatch

HEARD = 8
"""Number of latest messages shown that no control uses."""

_ALSO = {"cc": ("cc", "cc14"), "pad": ("note", "velocity", "gate", "pad", "release")}
"""Controls that a message of a kind may reach, where they are of other kinds too."""


class Learning:
    """Learning from what has taken effect: a control that is moved becomes one of the patch or of the controller file.

    Called by one thread alone, some fifty times a second.

    Parameters
    ----------
    engine : Engine
        Is only read.
    playing : callable
        Returns the patch that plays.
    change : callable
        Takes a request that changes the patch: ``do`` is ``add``, ``edit`` or ``remove``, with ``path`` and ``value``.
    say : callable
        Takes one sentence for the performer.
    """

    def __init__(
        self,
        engine: Engine,
        playing: Callable[[], LoadedPatch],
        change: Callable[[dict[str, Any]], object],
        say: Callable[[str], None],
    ) -> None:
        self._engine = engine
        self._playing = playing
        self._change = change
        self._say = say
        self._cursor = events_applied(engine.record)
        self._decoder = ControlDecoder()
        self._recogniser = Recogniser()
        self._target: Target | None = None
        self._for_all = False
        self._taught: list[tuple[dict[str, Any], bool]] = []
        self._heard: dict[ControlSource, int] = {}
        self._uses: set[tuple[str, int, int]] = set()
        self._shown: dict[str, Any] = {}

    @property
    def state(self) -> dict[str, Any]:
        """State for the window: ``learning`` and ``heard``."""
        return {"learning": self._learning(), "heard": [_message(*item) for item in self._heard.items()]}

    def ask(self, request: Mapping[str, Any]) -> None:
        """Meet a request of the window: ``learn``, ``unlearn`` or ``forget``.

        To learn takes ``address``, or ``action`` and perhaps ``choose``; with ``all`` the control is written into the
        controller file at once, otherwise it becomes part of the patch, which is saved when the patch is. To unlearn
        takes ``control``, its index in the list that the window was shown, or nothing for the latest that was taught.
        """
        try:
            match request["do"]:
                case "learn":
                    self._target = target_of(request)
                    self._for_all = bool(request.get("all", False))
                    self._recogniser.begin(self._target.unwanted)
                    self._say(f"move the control that is to do {self._target.name}.")
                case "unlearn":
                    self._unlearn(request.get("control"))
                case _:
                    self._stop()
        except (MidiError, PatchError) as error:
            self._stop()
            self._say(str(error))

    def poll(self) -> bool:
        """Take in what was heard; return whether the state has changed."""
        now = self._engine.time / self._engine.rate
        events, self._cursor, _ = self._engine.log_since(self._cursor)
        if len(events):
            self._uses = self._read_uses()
        for event in events[events["kind"] == EVENT_MIDI]:
            self._hear(int(event["time"]) / self._engine.rate, int(event["port"]), *event["data"].tolist())
        # Asked with every poll, as a control may be certain only after it has rested for a while.
        recognised = self._recogniser.decide(now) if self._target is not None else None
        if recognised is not None and self._target is not None:
            value = self._engine.value(self._target.address) if self._target.address else 0.0
            control = proposed_control(recognised, self._target, value)
            for_all = self._for_all
            self._stop()
            self._heard.pop(recognised.sender, None)
            self._teach(control, for_all=for_all)
        state = self.state
        changed, self._shown = state != self._shown, state
        return changed

    def _stop(self) -> None:
        self._target = None
        self._recogniser.end()

    def _learning(self) -> dict[str, Any] | None:
        target = self._target
        if target is None:
            return None
        what = {"address": target.address} if target.address else {"action": target.action}
        if target.choose is not None:
            what["choose"] = str(target.choose)
        return {**what, "all": self._for_all, "hint": self._recogniser.hint}

    def _hear(self, at: float, port: int, status: int, first: int, second: int) -> None:
        for sender, value in self._decoder.decode(port, status, first, second):
            self._recogniser.hear(at, sender, value)
            if sender.message != "cc14" and not (sender.message == "pad" and not value):
                self._heard.pop(sender, None)
                if not self._is_used(sender):
                    self._heard[sender] = value
        while len(self._heard) > HEARD:
            del self._heard[next(iter(self._heard))]

    def _read_uses(self) -> set[tuple[str, int, int]]:
        # Message, channel and number of every control of the program that plays; -1 for any.
        record = self._engine.record
        slot = active_slot(record)
        if slot < 0:
            return set()
        program = program_in(record, slot)
        rows = controls_of(program)
        found = zip(rows["message"].tolist(), rows["channel"].tolist(), rows["number"].tolist(), strict=True)
        uses = {(MESSAGES[message], channel, number) for message, channel, number in found}
        # The low byte of a pair is used with it.
        return uses | {("cc", c, n + LOW_BYTES) for message, c, n in uses if message == "cc14" and n >= 0}

    def _is_used(self, sender: ControlSource) -> bool:
        kinds = _ALSO.get(sender.message, (sender.message,))
        return any(
            (kind, channel, number) in self._uses
            for kind in kinds
            for channel in (-1, sender.channel)
            for number in (ANY, sender.number)
        )

    def _teach(self, control: dict[str, Any], *, for_all: bool) -> None:
        if for_all:
            try:
                teach_all(control, partial(same_use, control))
            except PatchError as error:
                self._say(str(error))
                return
        else:
            there = self._own_controls()
            indices = [k for k, other in enumerate(there) if same_use(control, other)]
            if indices:
                self._change({"do": "edit", "path": ["control", indices[0]], "value": control})
            else:
                self._change({"do": "add", "path": ["control"], "value": control})
        self._taught.append((control, for_all))
        what = Target(control.get("parameter", ""), control.get("action", ""), control.get("choose")).name
        where = f"every patch ({controls_file().name})" if for_all else "this patch"
        number = f" {control['number']}" if "number" in control else ""
        self._say(f"{control['message']}{number} of channel {control['channel']} now does {what} in {where}.")

    def _own_controls(self) -> list[dict[str, Any]]:
        controls: list[dict[str, Any]] = tomllib.loads(self._playing().text).get("control", [])
        return controls

    def _unlearn(self, index: Any) -> None:
        if index is None:
            self._unlearn_latest()
            return
        shown = self._playing().controls
        if not isinstance(index, int) or isinstance(index, bool) or not 0 <= index < len(shown):
            raise MidiError(f"there is no control {index!r} to take out; this patch has {len(shown)}.")
        self._take_out(int(shown[index]["place"]), for_all=bool(shown[index]["all"]))

    def _unlearn_latest(self) -> None:
        if not self._taught:
            raise MidiError("nothing was taught that could be taken back.")
        control, for_all = self._taught[-1]
        there = taught_all() if for_all else self._own_controls()
        indices = [k for k, other in enumerate(there) if same_use(control, other)]
        if indices:
            self._take_out(indices[-1], for_all=for_all)
        self._taught.pop()
        if not indices:
            raise MidiError("what was taught last is not there any more.")

    def _take_out(self, index: int, *, for_all: bool) -> None:
        if for_all:
            unteach_all(index)
        else:
            self._change({"do": "remove", "path": ["control", index]})


def _message(sender: ControlSource, value: int) -> dict[str, Any]:
    number = {} if sender.number == ANY else {"number": sender.number}
    return {"message": sender.message, "channel": sender.channel + 1, **number, "value": value}
