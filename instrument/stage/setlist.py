"""The patches of a performance: which one plays, which comes next, and what happens when a file is saved."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

from instrument.engine.engine import EngineFullError
from instrument.stage.morph import morph_to
from instrument.stage.recall import Recall
from instrument.stage.watch import Watch
from instrument.stage.worker import Worker

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from instrument.engine.engine import Engine
    from instrument.engine.program import Program
    from instrument.stage.loading import LoadedPatch
    from instrument.stage.worker import Answer


WATCH_SECONDS = 0.04
"""Time between two looks at files; one that was saved is taken when it has kept still for so long."""


class Setlist:
    """Patches in their order, one of which plays.

    Parameters
    ----------
    engine : Engine
        Its `RING_COMMAND` and its bank of programs belong to the thread that calls this object.
    patches : list of LoadedPatch
        At least one.
    say : callable
        Takes one sentence for whoever performs.

    Attributes
    ----------
    trouble : str
        Why the file of the latest reload or save was refused; empty when all is well again.
    """

    def __init__(self, engine: Engine, patches: list[LoadedPatch], say: Callable[[str], None]) -> None:
        self._engine = engine
        self._patches = patches
        self._say = say
        self._worker = Worker()
        self._watch = Watch()
        self._recall = Recall(engine, lambda place: self._patches[place].program)
        self._watch_again = 0.0
        self._broken: dict[Path, tuple[Path, ...]] = {}
        self.trouble = ""
        self._watch_files()
        if any(patch.corners for patch in patches):
            self._worker.warm_up()

    @property
    def position(self) -> int:
        """Place of the patch that plays."""
        return self._recall.position

    @property
    def current(self) -> LoadedPatch:
        """The patch that plays."""
        return self._patches[self.position]

    def begin(self) -> None:
        """Hold the patches ready and play the first one from its start.

        Raises
        ------
        EngineFullError
            If it finds no room.
        """
        self._recall.hold(len(self._patches))
        self._recall.go_to(0)

    def patch_of(self, program: Program) -> LoadedPatch | None:
        """Return whose drawings a program plays; None if nobody's here."""
        mine = (patch for patch in self._patches if patch.program.paths is program.paths)
        return next(mine, None)

    def step(self, by: int) -> None:
        """Change to another patch, counted in a circle; it starts afresh, with a cross-fade."""
        place = (self.position + by) % len(self._patches)
        try:
            self._recall.go_to(place)
        except EngineFullError as error:
            self._complain(f"{self._patches[place].path}: {error}")
        else:
            self.trouble = ""

    def reload(self) -> None:
        """Read the current patch's file again, whether it was saved or not."""
        self._worker.read(self.current.path)

    def read_again(self) -> None:
        """Read every patch's file again, the one that plays first."""
        for patch in [*self._patches[self.position :], *self._patches[: self.position]]:
            self._worker.read(patch.path)

    def save(self) -> None:
        """Write the values that play now into the current patch's file."""
        values = list(self._engine.values().values())
        self._worker.save(self.current.path, self.current.text, values)

    def look(self) -> bool:
        """See to saved files and to what the worker has done; True if something to show has changed."""
        now = time.monotonic()
        if now >= self._watch_again:
            self._watch_again = now + WATCH_SECONDS
            for path in self._patches_made_from(self._watch.changed()):
                self._worker.read(path)
        answers = [answer for answer in self._worker.answers() if answer.do != "warm" or answer.trouble]
        for answer in answers:
            self._take(answer)
        if answers:
            self._watch_files()
        return self._recalled() or bool(answers)

    def _recalled(self) -> bool:
        try:
            changed = self._recall.look(len(self._patches))
        except EngineFullError as error:
            self._complain(f"{self.current.path}: {error}")
            return True
        if changed:
            self.trouble = ""
        return changed

    def close(self) -> None:
        """End the worker."""
        self._worker.close()

    def _watch_files(self) -> None:
        drawings = [path for patch in self._patches for path in patch.files]
        named = [path for paths in self._broken.values() for path in paths]
        self._watch.keep_to([patch.path for patch in self._patches] + drawings + named)

    def _patches_made_from(self, changed: list[Path]) -> list[Path]:
        if not changed:
            return []
        # The one that plays comes first.
        patches = [*self._patches[self.position :], *self._patches[: self.position]]
        files = {
            patch.path: {patch.path, *patch.files, *self._broken.get(patch.path, ())} for patch in patches
        }
        return [path for path, made_from in files.items() if made_from & set(changed)]

    def _take(self, answer: Answer) -> None:
        if answer.trouble:
            # A broken drawing is looked at whenever it is saved, and its reason is news only once.
            if answer.do == "read":
                self._broken[answer.path] = answer.files
            if answer.trouble != self.trouble:
                self._complain(answer.trouble)
            return
        if answer.do == "read":
            self._broken.pop(answer.path, None)
        for place, patch in enumerate(self._patches):
            if patch.path != answer.path:
                continue
            if answer.do == "save":
                self._saved(place, answer)
            elif answer.patch is not None and (answer.patch.text, answer.patch.drawn) != (
                patch.text,
                patch.drawn,
            ):
                self._replaced(place, answer.patch)
            else:
                self.trouble = ""

    def _saved(self, place: int, answer: Answer) -> None:
        # Our own writing is no reason to load the file again.
        self._watch.add(answer.path)
        self._patches[place] = replace(self._patches[place], text=answer.text)
        self.trouble = ""
        self._say(f"saved {answer.path}")

    def _replaced(self, place: int, patch: LoadedPatch) -> None:
        before = self._patches[place]
        self._patches[place] = patch
        self._recall.changed(place)
        if place == self.position:
            try:
                if patch.text == before.text:
                    morph_to(self._engine, patch.program)
                else:
                    self._engine.play(patch.program, carry=True)
            except EngineFullError as error:
                self._patches[place] = before
                self._complain(f"{patch.path}: {error}")
                return
        self.trouble = ""
        self._say(f"loaded {patch.path} again")
        for warning in patch.warnings:
            self._say(f"{patch.path}: {warning}")

    def _complain(self, trouble: str) -> None:
        self.trouble = trouble
        self._say(trouble)
