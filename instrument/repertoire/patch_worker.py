"""Worker process that reads, builds, edits and saves patches, so that no heavy Python runs beside the MIDI thread.

Jobs go to it one at a time and answers come back in order, pickled through the pipes of its standard input and output; both
ends are ours, and nothing from a file is ever unpickled.
"""

from __future__ import annotations

import os
import queue
import signal
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING

from instrument.common.child_process import end, end_later, launch, module_command
from instrument.patch.patch_drawings import USUAL_RATE, start_reader, stop_reader
from instrument.patch.patch_errors import PatchError, Problem
from instrument.patch.set_list_file import patches_named
from instrument.repertoire.loading import (
    LoadedPatch,
    PatchDescription,
    build_text,
    edit_patch,
    files_named_in,
    read_patch,
    write_patch,
)
from instrument.repertoire.recovery_file import write_recovery

if TYPE_CHECKING:
    import subprocess

    from instrument.engine.engine import Event
    from instrument.patch.editing.rewrite import Change

PATIENCE = 120.0
"""Time in seconds after which a job is given up; a large drawing takes one or two, and each has its own limit."""

_NICENESS = 10

_ENDING = 1.0


@dataclass(frozen=True)
class Job:
    """Job for the worker.

    Attributes
    ----------
    do : str
        ``read`` a patch file, ``build`` a text, ``redraw`` one whose drawings have changed, ``edit`` a text and build it,
        ``save``, ``recovery`` for a recovery file of what is not saved, ``open`` all patches that a file names, ``perform``
        a MIDI file, ``warm`` up.
    path : Path
    text : str
        Text of the patch as it is now.
    values : list of float
        Values of its parameters, in the order of `parameters.ADDRESSES`.
    changes : tuple of Change
    saved : str or None
        Text that the file held when it was read or written last.
    to : Path or None
        File to write instead.
    rate : float
        Sample rate in hertz of a performance's events, and that drawings are fitted to; the worker's own unless given.
    number : int
        Given by the worker, the same in the answer.
    """

    do: str
    path: Path = field(default_factory=Path)
    text: str = ""
    values: list[float] = field(default_factory=list)
    changes: tuple[Change, ...] = ()
    saved: str | None = None
    to: Path | None = None
    rate: float = 0.0
    number: int = 0


@dataclass(frozen=True)
class Answer:
    """Answer of the worker to one job.

    Attributes
    ----------
    do : str
        As in `Job`.
    path : Path
    patch : LoadedPatch or None
        Patch that was read, built or edited.
    text : str
        Text that was saved.
    trouble : str
        Reason for which nothing came of it; otherwise empty.
    files : tuple of Path
        Drawings of a patch that could not be read, which may be mended before the patch is.
    description : PatchDescription or None
        Of the patch that was saved.
    problem : Problem or None
        First mistake of a patch, where that is the trouble.
    patches : tuple of LoadedPatch
        Patches that were opened.
    events : tuple of Event
        Of a performance.
    warnings : tuple of str
        Sentences to say.
    number : int
        Of the job.
    """

    do: str
    path: Path
    patch: LoadedPatch | None = None
    text: str = ""
    trouble: str = ""
    files: tuple[Path, ...] = ()
    description: PatchDescription | None = None
    problem: Problem | None = None
    patches: tuple[LoadedPatch, ...] = ()
    events: tuple[Event, ...] = ()
    warnings: tuple[str, ...] = ()
    number: int = 0


class Worker:
    """One process, started at the first request, that works through requests in order.

    Its methods never wait, save `close`: a thread speaks with the process, as an answer may be as large as a drawing.

    Parameters
    ----------
    rate : float
        Sample rate in hertz at which patches will be played.
    """

    def __init__(self, rate: float = USUAL_RATE) -> None:
        self._rate = rate
        self._process: subprocess.Popen[bytes] | None = None
        self._jobs: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[Answer | None] = queue.SimpleQueue()
        self._waiting: list[Job] = []
        self._since = 0.0
        self._numbers = 0

    def start_reader(self) -> None:
        """Start the process, and the one that reads drawings, so that the first saved drawing finds them ready."""
        self.ask(Job("warm"))

    def read(self, path: Path) -> None:
        """Ask for a patch file to be read; a request for the same file that still waits is enough."""
        if ("read", path) not in [(job.do, job.path) for job in self._waiting[1:]]:
            self.ask(Job("read", path))

    def ask(self, job: Job) -> int:
        """Ask for something; return the number that its answer will have."""
        self._numbers += 1
        self._waiting.append(replace(job, number=self._numbers, rate=job.rate or self._rate))
        if len(self._waiting) == 1:
            self._hand_on()
        return self._numbers

    def waits(self, do: str, path: Path) -> bool:
        """Return whether such a job has been asked for and not been done yet."""
        return any((job.do, job.path) == (do, path) for job in self._waiting)

    def answers(self) -> list[Answer]:
        """Return what has been done since the last call."""
        found: list[Answer] = []
        while self._waiting and self._process is not None:
            job = self._waiting[0]
            slow = time.monotonic() - self._since > PATIENCE
            try:
                answer = self._answers.get_nowait()
            except queue.Empty:
                if not slow:
                    break
                answer = None
            if answer is None:
                why = f"took longer than {PATIENCE:g} s" if slow else "ended the process that works on patches"
                answer = Answer(
                    job.do, job.path, trouble=f"{job.path}: this file {why}; the old one plays on.", number=job.number
                )
                # The next job gets a new process; nobody waits for the end of this one.
                end_later(self._forget(self._process), _ENDING)
            found.append(answer)
            self._waiting.pop(0)
            self._hand_on()
        return found

    def close(self) -> None:
        """End the process, whatever it is doing; a later request starts another."""
        if self._process is not None:
            end(self._forget(self._process), _ENDING)

    def _hand_on(self) -> None:
        if not self._waiting:
            return
        if self._process is None:
            self._start()
        self._since = time.monotonic()
        self._jobs.put(self._waiting[0])

    def _start(self) -> None:
        # Not forked: a copy of a process with running audio threads may stand still for ever.
        self._process = launch(module_command("instrument.repertoire.patch_worker"))
        # New queues for a new process: a late answer of the one before reaches nobody.
        self._jobs, self._answers = queue.SimpleQueue(), queue.SimpleQueue()
        threading.Thread(
            target=_converse, args=(self._process, self._jobs, self._answers), name="patches", daemon=True
        ).start()

    def _forget(self, process: subprocess.Popen[bytes]) -> subprocess.Popen[bytes]:
        # The signal lets it end the process that reads drawings; one that cannot hear it is ended anyway.
        process.terminate()
        self._jobs.put(None)
        self._process = None
        return process


def _converse(
    process: subprocess.Popen[bytes], jobs: queue.SimpleQueue[Job | None], answers: queue.SimpleQueue[Answer | None]
) -> None:
    """Hand each job on and take its answer, until there is no more of one or the other; None is the last answer."""
    assert process.stdin is not None  # noqa: S101 (it was asked for)
    assert process.stdout is not None  # noqa: S101 (it was asked for)
    with suppress(EOFError, OSError), process.stdin, process.stdout:
        # Duplicates, as a connection closes its handle and so does the pipe's file object.
        to_it = Connection(os.dup(process.stdin.fileno()), readable=False)
        from_it = Connection(os.dup(process.stdout.fileno()), writable=False)
        with to_it, from_it:
            while (job := jobs.get()) is not None:
                to_it.send(job)
                answers.put(from_it.recv())
    answers.put(None)


def work() -> None:
    """Work through the jobs that come through standard input, until it ends; answers go to standard output."""
    # Answers have the pipe to themselves: text that a library prints goes to standard error.
    jobs, answers = Connection(os.dup(0), writable=False), Connection(os.dup(1), readable=False)
    os.dup2(2, 1)
    # Ctrl-C is for the stage, which ends this process; the sound goes first when cores are scarce.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _end)
    if hasattr(os, "nice"):
        os.nice(_NICENESS)
    with suppress(EOFError, OSError):
        while True:
            job = jobs.recv()
            answers.send(replace(_answer(job), number=job.number))
    stop_reader()


def _end(*_: object) -> None:
    stop_reader()
    os._exit(0)


def _answer(job: Job) -> Answer:
    # Patch errors are sentences already; whatever else a file provokes must not end the process.
    try:
        return _done(job)
    except Exception as error:  # noqa: BLE001
        files = files_named_in(job.path) if job.do == "read" else ()
        problem = error.problems[0] if isinstance(error, PatchError) else None
        said = str(error) or f"{job.path}: {type(error).__name__}"
        return Answer(job.do, job.path, trouble=said, files=files, problem=problem)


def _done(job: Job) -> Answer:  # noqa: PLR0911 - one for each kind of job
    do, path = job.do, job.path
    match do:
        case "read":
            return Answer(do, path, read_patch(path, job.rate))
        case "build" | "redraw":
            return Answer(do, path, build_text(path, job.text, job.rate))
        case "edit":
            return Answer(do, path, edit_patch(path, job.text, job.changes, job.rate))
        case "save":
            text, description = write_patch(path, job.text, job.values, job.saved, job.to)
            return Answer(do, job.to or path, text=text, description=description)
        case "open":
            return Answer(do, path, patches=tuple(read_patch(one, job.rate) for one in patches_named(path)))
        case "perform":
            return _performance(job)
        case "recovery" if job.to is not None:
            write_recovery(job.to, path, job.text, job.values)
        case "warm":
            start_reader()
    return Answer(do, path)


def _performance(job: Job) -> Answer:
    # Only here, as it brings the whole compiled engine with it.
    from instrument.midi.files.performance import read_performance  # noqa: PLC0415

    warnings: list[str] = []
    events = tuple(read_performance(job.path, job.rate, warnings.append))
    return Answer(job.do, job.path, events=events, warnings=tuple(warnings))


if __name__ == "__main__":
    # Jobs name the module in which their class is, which is not the one that is run.
    from instrument.repertoire.patch_worker import work as work_on_jobs

    work_on_jobs()
