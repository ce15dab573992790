"""Edits of the patch that plays: values at once, everything else built by the worker and swapped in whole; undo and save.

What needs the worker is a task in a queue. Tasks are done one after the other, since each goes on from the text and values that
the one before it has left; while one is built, the sound goes on with the old program.
"""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.engine import EngineFullError, set_event
from instrument.engine.memory.layout import RING_COMMAND, RING_EVENTS
from instrument.engine.memory.views import event_ring
from instrument.engine.parameters import ADDRESSES, INDEX, index_of
from instrument.patch.editing.renumber import OWNERS
from instrument.patch.editing.rewrite import Change, change_from
from instrument.patch.number import NumberError, number_for
from instrument.patch.schema.checks import address_of
from instrument.repertoire.patch_worker import Job
from instrument.repertoire.undo_history import Shift, Step, same_bits, step_between
from instrument.repertoire.working_copy import WorkingCopy

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy.typing as npt

    from instrument.engine.engine import Engine
    from instrument.repertoire.patch_worker import Answer
    from instrument.repertoire.recovery_file import RecoveryFile
    from instrument.repertoire.set_list import SetList

    Values = npt.NDArray[np.float64]


class RingFullError(ValueError):
    """Refusal of a change for which the engine has no room at the moment; nothing has been changed."""


@dataclass
class _Task:
    # `step` and `text` are for undo and redo, `kept` and `then` for recovery, `to` and `sent` for saving. `number` is that of
    # the job, by which the answer is known.
    do: str
    working: WorkingCopy
    label: str = ""
    changes: tuple[Change, ...] = ()
    step: Step | None = None
    text: str = ""
    kept: RecoveryFile | None = None
    to: Path | None = None
    sent: Values | None = None
    number: int = 0
    then: Callable[[], None] = lambda: None


class PatchEdits:
    """Edits, undo and saving of the patches of a set list.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` belongs to the thread that calls this object.
    set_list : SetList
    say : callable
        Takes one sentence for the performer.

    Attributes
    ----------
    refused : dict or None
        Latest edit that could not be played: ``path``, ``value``, ``why``, ``field`` and ``column``.
    """

    def __init__(self, engine: Engine, set_list: SetList, say: Callable[[str], None]) -> None:
        self._engine = engine
        self._set_list = set_list
        self._say = say
        self._tasks: deque[_Task] = deque()
        self._held_up = False
        self.refused: dict[str, Any] | None = None

    @property
    def busy(self) -> bool:
        """True while a task is under way."""
        return bool(self._tasks)

    def close_step(self) -> None:
        """Close the step under way: what is changed next is a step of its own."""
        self._set_list.working.history.close()

    # Values: into the engine at once, and into the working copy.

    def set(self, address: str, value: object, *, drag: object = None) -> None:
        """Set a parameter of the patch that plays.

        Parameters
        ----------
        address : str
        value : float or str
            Any number, or what is typed for one.
        drag : object
            Mark that is the same for all that one hand moves in one go; the address unless given.

        Raises
        ------
        ValueError, KeyError
            If there is no such address, it is no number, or the engine has no room (`RingFullError`).
        """
        try:
            number = number_for(address, value)
        except NumberError as error:
            raise ValueError(f"{address} cannot be {value!r}: {error}.") from None
        self.set_values({index_of(address): number}, f"{address}", key=drag or ("set", address))

    def set_values(self, numbers: dict[int, float], label: str, key: object = None) -> None:
        """Set parameters by index, as one step.

        Raises
        ------
        RingFullError
            If the engine has no room.
        """
        working = self._set_list.working
        # What a control has moved is undone to where the control had it, not to what was typed before.
        before = self._set_list.now(working)
        step = Step(
            label,
            (working.text, working.text),
            {i: float(before[i]) for i in numbers},
            dict(numbers),
            (),
            key,
        )
        self._apply(working, numbers)
        working.history.add(step, time.monotonic())

    def reset(self, address: str) -> None:
        """Set a parameter to what the patch says.

        Raises
        ------
        KeyError
            If there is no such address.
        """
        index = index_of(address)
        self.set_values({index: float(self._set_list.working.base[index])}, f"reset of {address}")

    def _apply(self, working: WorkingCopy, numbers: dict[int, float]) -> None:
        ring = event_ring(self._engine.record, RING_COMMAND)
        plays = working is self._set_list.working
        # The engine only takes out of the ring, so that what fits now fits in a moment.
        if plays and len(numbers) > RING_EVENTS - (int(ring["tail"]) - int(ring["head"])):
            raise RingFullError("the engine takes no more changes at the moment; is it running?")
        # A copy, since steps, programs and slots hold on to the vector from before.
        working.values = working.values.copy()
        for index, number in numbers.items():
            working.values[index] = number
            if plays:
                self._engine.push(set_event(0, ADDRESSES[index], number), RING_COMMAND)
        self._set_list.changed(working, soon=False)

    # Everything else: built by the worker, then swapped in.

    def edit(self, requests: list[dict[str, Any]], label: str = "") -> None:
        """Change any field of the patch that plays; it is swapped in when it has been built.

        Parameters
        ----------
        requests : list of dict
            Each as `rewrite.change_from` takes it; together they are one step.
        label : str

        Raises
        ------
        EditError
            If one of them is no change.
        """
        changes = tuple(change_from(request) for request in requests)
        label = label or f"{changes[0].do} of {address_of(changes[0].path)}"
        task = _Task("edit", self._set_list.working, label, changes)
        # The first task is with the worker already.
        waiting = self._tasks[-1] if len(self._tasks) > 1 else None
        # Of versions typed faster than they are built, only the last matters.
        if waiting is not None and _same_fields(waiting, task):
            waiting.changes = changes
        else:
            self._add(task)

    def undo(self) -> None:
        """Take the latest step back."""
        self._add(_Task("undo", self._set_list.working))

    def redo(self) -> None:
        """Do again what was undone last."""
        self._add(_Task("redo", self._set_list.working))

    def revert(self) -> None:
        """Go back to what the file holds; this can be undone."""
        working = self._set_list.working
        self._add(_Task("build", working, "going back to what is saved", text=working.saved.text))

    def recover(self, working: WorkingCopy, kept: RecoveryFile, then: Callable[[], None]) -> None:
        """Go on with the unsaved changes of an earlier show; `then` is called when they play."""
        self._add(_Task("build", working, "taking back unsaved changes", text=kept.text, kept=kept, then=then))

    def save(self, working: WorkingCopy | None = None, to: Path | None = None) -> None:
        """Write a patch with the values that it sounds with, into its file or another."""
        self._add(_Task("save", working or self._set_list.working, to=to))

    def save_all(self) -> None:
        """Write every patch that has unsaved changes."""
        for working in self.unsaved():
            self.save(working)

    def unsaved(self) -> list[WorkingCopy]:
        """Return the patches that have unsaved changes."""
        return [w for w in self._set_list.patches if w.is_unsaved(self._set_list.values_set_by_hand(w))]

    def _add(self, task: _Task) -> None:
        self._tasks.append(task)
        if len(self._tasks) == 1:
            self._begin()

    def poll(self) -> None:
        """Try again the task for which the engine had no room."""
        if self._held_up:
            self._begin()

    def _begin(self) -> None:
        while self._tasks:
            try:
                waits = self._begun(self._tasks[0])
            except RingFullError as error:
                self._turn_back(self._tasks[0])
                if not self._held_up:
                    self._set_list.complain(str(error))
                self._held_up = True
                return
            if self._held_up:
                self._held_up, self._set_list.trouble = False, ""
            if waits:
                return
            self._tasks.popleft()

    def _begun(self, task: _Task) -> bool:
        """Hand a task on to the worker, or do it; return whether there is something to wait for."""
        working = task.working
        if task.do in {"undo", "redo"}:
            step = working.history.step_back() if task.do == "undo" else working.history.step_forward()
            if step is None:
                return False
            self.refused = None
            if step.is_of_values and not step.shifts:
                # No text changes, so that the engine can do it at once.
                self._apply(working, step.before if task.do == "undo" else step.after)
                return False
            task.step = step
            task.text = step.texts[0 if task.do == "undo" else 1]
        if task.do == "save":
            # Remembered as they were sent: hands go on moving while the worker writes.
            task.sent = working.values_to_save(self._set_list.sounding(working))
            job = Job("save", working.path, working.text, task.sent.tolist(), saved=working.saved.text, to=task.to)
        elif task.do == "edit":
            job = Job("edit", working.path, working.text, changes=task.changes)
        else:
            job = Job("build", working.path, task.text)
        task.number = self._set_list.worker.ask(job)
        return True

    def take_answer(self, answer: Answer) -> bool:
        """Take the worker's answer if it is to the task under way; return whether it was."""
        if not self._tasks or self._tasks[0].number != answer.number:
            return False
        task = self._tasks.popleft()
        if answer.trouble:
            self._refuse(task, answer)
        else:
            try:
                self._finish(task, answer)
                task.then()
            except EngineFullError as error:
                self._turn_back(task)
                self._set_list.complain(f"{task.working.path}: {error}")
        self._begin()
        return True

    def _turn_back(self, task: _Task) -> None:
        # The step was counted as done before it was handed on.
        if task.do == "undo":
            task.working.history.step_forward()
        elif task.do == "redo":
            task.working.history.step_back()

    def _refuse(self, task: _Task, answer: Answer) -> None:
        self._turn_back(task)
        if task.do == "edit":
            problem = answer.problem
            self.refused = {
                "path": list(task.changes[-1].path),
                "value": task.changes[-1].value,
                "why": problem.text if problem is not None else answer.trouble,
                "field": problem.field if problem is not None else address_of(task.changes[-1].path),
                "column": problem.column if problem is not None else None,
            }
            # Without file and line, as the refused text stands in no file.
            trouble = str(self.refused["why"])
        elif task.kept is not None and answer.problem is not None and task.kept.playable.exists():
            # The text stands in no file that anybody wrote; what the user can mend and play is the patch beside the record.
            trouble = f"{task.kept.playable}: {answer.problem.text} Mend it there and play that file; it is still kept."
        else:
            trouble = answer.trouble
        self._set_list.complain(trouble)

    def _finish(self, task: _Task, answer: Answer) -> None:
        working = task.working
        if task.do == "save":
            self._saved(task, answer)
            return
        if answer.patch is None:
            return
        new = WorkingCopy(answer.patch)
        # Asked for now, since hands have moved on while it was built.
        sounding = self._set_list.now(working)
        if task.do == "edit":
            self._edited(task, new, sounding)
        elif task.step is not None:
            turn = task.step.without if task.do == "undo" else task.step.applied_to
            self._set_list.swap_in(working, new.loaded, turn(working.values), turn(sounding))
        else:
            values = new.values.copy()
            for address, value in (task.kept.values if task.kept is not None else {}).items():
                values[index_of(address)] = value
            step = step_between(task.label, (working.text, new.text), sounding, values)
            self._set_list.swap_in(working, new.loaded, values, values)
            working.history.add(step, time.monotonic())
        self._set_list.trouble = ""

    def _edited(self, task: _Task, new: WorkingCopy, sounding: Values) -> None:
        working = task.working
        self.refused = None
        if new.text == working.text:
            return
        # Everything is moved to its new addresses first, so that it can be compared with what the new text says.
        shifts = tuple(shift for change in task.changes if (shift := _shift_of(change)) is not None)
        base, values, heard = working.base, working.values, sounding
        for shift in shifts:
            base, values, heard = shift.applied_to(base), shift.applied_to(values), shift.applied_to(heard)
        # Where the new text says otherwise its values count; all others stay as hands have left them.
        said = ~same_bits(base, new.values)
        said[[index for change in task.changes for index in _indices_at(change)]] = True
        after = np.where(said, new.values, values)
        key = None if shifts else tuple(change.path for change in task.changes if change.do == "edit") or None
        step = step_between(task.label, (working.text, new.text), working.values, after, shifts, key)
        self._set_list.swap_in(working, new.loaded, after, np.where(said, new.values, heard))
        working.history.add(step, time.monotonic())

    def _saved(self, task: _Task, answer: Answer) -> None:
        working = task.working
        if task.sent is None or answer.description is None:
            return
        working.note_saved(answer.path, answer.text, answer.description, task.sent)
        self._set_list.changed(working)
        self._set_list.watch_files()
        self._set_list.written(answer.path)
        self._set_list.trouble = ""
        self._say(f"saved {answer.path}")


def _same_fields(one: _Task, other: _Task) -> bool:
    places = [[(change.do, change.path) for change in task.changes] for task in (one, other)]
    only_edits = all(change.do == "edit" for change in other.changes)
    return one.working is other.working and one.do == "edit" and only_edits and places[0] == places[1]


def _shift_of(change: Change) -> Shift | None:
    if change.do == "edit" or len(change.path) != 2 or change.path[0] not in OWNERS:
        return None
    place = change.path[1]
    return Shift(str(change.path[0]), place, 1 if change.do == "add" else -1) if isinstance(place, int) else None


def _indices_at(change: Change) -> list[int]:
    # A number written into its field counts even if the field held the same while a hand had moved it. Tables count from 0
    # and addresses from 1: ["layer", 0, "form", 2, "amount"] is layer.1.form.3.amount.
    if change.do != "edit" or isinstance(change.value, dict | list):
        return []
    owner, *rest = change.path
    stem = OWNERS.get(str(owner))
    if stem is not None and len(rest) > 1 and isinstance(rest[0], int):
        parts = [
            stem,
            str(rest[0] + 1),
            *(str(step + 1) if isinstance(step, int) else step for step in rest[1:]),
        ]
    else:
        parts = [str(step) for step in change.path]
    address = ".".join(parts)
    return [INDEX[address]] if address in INDEX else []
