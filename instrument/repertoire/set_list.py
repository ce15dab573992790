"""Set list: the patches of a show in their order, one of which plays, and their files, which are watched.

A saved file is read by the worker and swapped in when it has been built: with another text phases go on, and undo brings back what
was not saved; where only a drawing differs it bends into its new shape and all values stay as they are.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.engine import EngineFullError
from instrument.engine.memory.views import active_slot, active_targets, set_position
from instrument.repertoire.file_watch import FileWatch
from instrument.repertoire.patch_worker import Job, Worker
from instrument.repertoire.recall import Recall
from instrument.repertoire.undo_history import same_bits, step_between
from instrument.repertoire.working_copy import WorkingCopy

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy.typing as npt

    from instrument.engine.engine import Engine
    from instrument.engine.program import Program
    from instrument.repertoire.loading import LoadedPatch
    from instrument.repertoire.patch_worker import Answer

    Values = npt.NDArray[np.float64]

WATCH_SECONDS = 0.04
"""Time between two checks of files; a saved one is read when it has kept still for so long."""

SETTLED_SECONDS = 1.0
"""Time that values must rest before a patch is held anew with them."""

MORPH_SECONDS = 0.05
"""Time in which a drawing saved again bends into its new shape."""


class SetList:
    """Patches in their order, one of which plays.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` and its bank of programs belong to the thread that calls this object.
    patches : list of LoadedPatch
        At least one.
    say : callable
        Takes one sentence for the performer.

    Attributes
    ----------
    trouble : str
        Reason for which the latest reload or save was refused; empty when all is well again.
    by_itself : bool
        Whether a performance of the patch's own moves its values, which then are no changes to be saved.
    worker : Worker
        Of all parts of the show.
    on_answer : callable
        Takes the worker's answers to what was not asked for here.
    """

    def __init__(self, engine: Engine, patches: list[LoadedPatch], say: Callable[[str], None]) -> None:
        self._engine = engine
        self._patches = [WorkingCopy(patch) for patch in patches]
        self._say = say
        self.worker = Worker(engine.rate)
        self.on_answer: Callable[[Answer], None] = lambda _: None
        self._watch = FileWatch()
        # Asked for by index when it is loaded, so that it is the program of that moment.
        self._recall = Recall(engine, lambda index: self._patches[index].program)
        self._watch_again = 0.0
        self._changed: dict[int, float] = {}
        self._broken: dict[Path, tuple[Path, ...]] = {}
        # Patches whose directions cannot be drawn to the end, by file and text, so that they are not tried for ever.
        self._stuck: set[tuple[Path, str]] = set()
        self.trouble = ""
        self.self_playing = self.performed = False
        self._moved: tuple[WorkingCopy, Values] | None = None
        self.watch_files()
        if any(patch.drawn for patch in patches):
            self.worker.start_reader()

    @property
    def position(self) -> int:
        """Index of the patch that plays."""
        return self._recall.position

    @property
    def patches(self) -> list[WorkingCopy]:
        """Working copies in their order."""
        return self._patches

    @property
    def working(self) -> WorkingCopy:
        """Working copy of the patch that plays."""
        return self._patches[self.position]

    @property
    def current(self) -> LoadedPatch:
        """Patch that plays, as it is now."""
        return self.working.loaded

    def patch_of(self, program: Program) -> LoadedPatch | None:
        """Return the patch whose drawings a program plays; None if it is none of these."""
        mine = (working.loaded for working in self._patches if working.loaded.program.paths is program.paths)
        return next(mine, None)

    def begin(self) -> None:
        """Hold the patches ready and play the first one from its start.

        Raises
        ------
        EngineFullError
            If it finds no room.
        """
        self._recall.hold(len(self._patches))
        self._recall.go_to(0)

    def step(self, by: int) -> None:
        """Change to another patch, counted in a circle; it starts afresh, with a cross-fade."""
        self.go_to((self.position + by) % len(self._patches))

    def go_to(self, index: int) -> None:
        """Change to the patch at an index, from 0; it starts afresh, with a cross-fade.

        Raises
        ------
        ValueError
            If there is no such index.
        """
        if not 0 <= index < len(self._patches):
            raise ValueError(f"there is no patch {index + 1}; the set has {len(self._patches)}.")
        try:
            self._recall.go_to(index)
        except EngineFullError as error:
            self.complain(f"{self._patches[index].path}: {error}")
        else:
            self.trouble = ""

    def add(self, patches: tuple[LoadedPatch, ...]) -> None:
        """Put patches behind the one that plays, and change to the first of them."""
        index = self.position + 1
        # Indices behind it shift, and what waits to be held anew is kept by index.
        self._hold_changed(math.inf)
        self._patches[index:index] = [WorkingCopy(patch) for patch in patches]
        self._recall.inserted(index, len(self._patches))
        self.watch_files()
        self.go_to(index)

    def sounding(self, working: WorkingCopy) -> Values | None:
        """Return the values that a patch plays with, at the end of ramps under way; None unless it plays."""
        # A recall that was asked for takes effect with the next block; until then the values are those of the patch before.
        record = self._engine.record
        if working is not self.working or set_position(record) != self.position:
            return None
        return np.array(active_targets(record)) if active_slot(record) >= 0 else None

    def now(self, working: WorkingCopy) -> Values:
        """Return the values of a patch: those it plays with, or those it will play with when it is recalled."""
        sounding = self.sounding(working)
        return working.values if sounding is None else sounding

    def values_set_by_hand(self, working: WorkingCopy) -> Values | None:
        """Return the values that a patch plays with, without what performances have moved; None unless it plays."""
        sounding = self.sounding(working)
        if sounding is None or self.self_playing or self.performed:
            return None
        if self._moved is None or self._moved[0] is not working:
            return sounding
        # What is still where the opening performance has left it was moved by no hand.
        return np.where(same_bits(sounding, self._moved[1]), working.values, sounding)

    def end_self_playing(self) -> None:
        """Count the values of now as moved by a performance, and later changes as made by hands."""
        sounding = self.sounding(self.working)
        self._moved = None if sounding is None else (self.working, sounding)
        self.self_playing = self.performed = False

    def swap_in(self, working: WorkingCopy, loaded: LoadedPatch, values: Values, sounding: Values) -> None:
        """Go on with another text of a patch; if it plays, phases go on.

        Parameters
        ----------
        working : WorkingCopy
        loaded : LoadedPatch
            Other text, built.
        values : np.ndarray [shape=(COUNT,), dtype=float64]
            Values of its parameters from now on.
        sounding : np.ndarray [shape=(COUNT,), dtype=float64]
            Values that it plays with, where controls have moved them.

        Raises
        ------
        EngineFullError
            If it finds no room; everything is as it was then.
        """
        before = working.loaded, working.values
        # First, since the recorder asks whose program is being loaded.
        working.set_loaded(loaded, values)
        if working is self.working:
            try:
                self._engine.play(working.program_with(sounding), carry=True)
            except EngineFullError:
                working.set_loaded(*before)
                raise
        self.changed(working)
        self.watch_files()

    def changed(self, working: WorkingCopy, *, soon: bool = True) -> None:
        """Load a changed patch into its slot anew: soon, or once no more changes of its values follow."""
        self._changed[self._patches.index(working)] = 0.0 if soon else time.monotonic() + SETTLED_SECONDS

    def _hold_changed(self, now: float) -> None:
        for index, when in list(self._changed.items()):
            if now >= when or index != self.position:
                del self._changed[index]
                self._recall.changed(index)

    def reload(self) -> None:
        """Read the current patch's file again, whether it was saved or not."""
        self.worker.read(self.current.path)

    def poll(self) -> bool:
        """Follow saved files, recalls and the worker; return whether the state for the window has changed."""
        now = time.monotonic()
        if now >= self._watch_again:
            self._watch_again = now + WATCH_SECONDS
            self._read_changed(self._watch.changed())
        answers = [answer for answer in self.worker.answers() if answer.do != "warm" or answer.trouble]
        for answer in answers:
            if answer.do in {"read", "redraw", "warm"}:
                self._take(answer)
            else:
                self.on_answer(answer)
        if answers:
            self.watch_files()
        self._draw_on()
        self._hold_changed(now)
        return self._recalled() or bool(answers)

    def _draw_on(self) -> None:
        # One part of the work at a time, behind whatever else waits; the patch that plays comes first.
        for working in [self.working, *self._patches]:
            path, text = working.path, working.text
            if working.loaded.unfinished and (path, text) not in self._stuck:
                if not self.worker.waits("redraw", path):
                    self.worker.ask(Job("redraw", path, text))
                return

    def _recalled(self) -> bool:
        try:
            changed = self._recall.poll(len(self._patches))
        except EngineFullError as error:
            self.complain(f"{self.current.path}: {error}")
            return True
        if changed:
            self.trouble = ""
        return changed

    def close(self) -> None:
        """End the worker."""
        self.worker.close()

    def watch_files(self) -> None:
        """Watch the files that the patches are made from, and no others."""
        drawings = [path for working in self._patches for path in working.loaded.files]
        named = [path for paths in self._broken.values() for path in paths]
        self._watch.keep_to([working.path for working in self._patches] + drawings + named)

    def written(self, path: Path) -> None:
        """Take a file as it is now, as we have written it ourselves."""
        self._watch.add(path)

    def _read_changed(self, changed: list[Path]) -> None:
        if not changed:
            return
        # The one that plays comes first.
        for working in [*self._patches[self.position :], *self._patches[: self.position]]:
            made_from = {*working.loaded.files, *self._broken.get(working.path, ())}
            if working.path in changed or (made_from & set(changed) and working.text == working.saved.text):
                self.worker.read(working.path)
            elif made_from & set(changed):
                self.worker.ask(Job("redraw", working.path, working.text))

    def _take(self, answer: Answer) -> None:
        if answer.trouble:
            if answer.do == "redraw":
                self._stuck |= {
                    (answer.path, w.text) for w in self._patches if w.path == answer.path and w.loaded.unfinished
                }
            # A broken drawing is looked at whenever it is saved, and its reason is news only once.
            if answer.do == "read":
                self._broken[answer.path] = answer.files
            if answer.trouble != self.trouble:
                self.complain(answer.trouble)
            return
        self._broken.pop(answer.path, None)
        for working in self._patches:
            if working.path == answer.path and answer.patch is not None:
                self._taken(working, answer.patch)

    def _taken(self, working: WorkingCopy, patch: LoadedPatch) -> None:
        redrawn = patch.text == working.text and patch.made_from != working.loaded.made_from
        if patch.unfinished and not redrawn and patch.text == working.text:
            return
        # A file that was written by ourselves, or saved again without a change.
        if not redrawn and patch.text in {working.saved.text, working.text}:
            self.trouble = ""
            return
        before = self.now(working)
        try:
            if redrawn:
                self._redraw(working, patch)
            else:
                self._replace(working, patch, before)
        except EngineFullError as error:
            self.complain(f"{patch.path}: {error}")
            return
        self.trouble = ""
        for warning in patch.warnings:
            self._say(f"{patch.path}: {warning}")

    def _redraw(self, working: WorkingCopy, patch: LoadedPatch) -> None:
        before = working.loaded
        # First, since the recorder asks whose program is being loaded.
        working.set_loaded(patch, working.values)
        if working is self.working:
            try:
                morph_to(self._engine, patch.program)
            except EngineFullError:
                working.set_loaded(before, working.values)
                raise
        if working.saved is before:
            working.saved = patch
        self.changed(working)
        self._say(f"loaded {patch.path} again" if not before.unfinished else f"{patch.path}: {_drawn(before, patch)}")

    def _replace(self, working: WorkingCopy, patch: LoadedPatch, before: Values) -> None:
        unsaved = working.is_unsaved()
        after = WorkingCopy(patch).values
        step = step_between("loading the file again", (working.text, patch.text), before, after)
        self.swap_in(working, patch, after, after)
        working.saved = patch
        working.history.add(step, time.monotonic())
        kept = "; undo brings back what was not saved" if unsaved else ""
        self._say(f"loaded {patch.path} again{kept}")

    def complain(self, trouble: str) -> None:
        """Note and say a trouble."""
        self.trouble = trouble
        self._say(trouble)


def _drawn(before: LoadedPatch, patch: LoadedPatch) -> str:
    return (
        f"drawn from {patch.unfinished}"
        if patch.unfinished
        else f"drawn from all directions (before: {before.unfinished})"
    )


def morph_to(engine: Engine, program: Program) -> None:
    """Play a program that differs in its drawings alone: phases go on, parameters stay as they are now.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` and its bank of programs belong to the thread that calls.
    program : Program
        Not changed.

    Raises
    ------
    EngineFullError
        If it finds no room, or no event can be taken now.
    """
    # With the values of now as its base it starts where the old one is, and only the path differs.
    record = program.record.copy()
    record["base"] = list(engine.values().values())
    engine.play(replace(program, record=record), carry=True, fade=MORPH_SECONDS)
