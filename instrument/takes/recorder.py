"""The recorder: a process of its own over the engine's memory, which never touches the thread that makes the sound.

It follows the show from its first sample, so that of any take it knows everything that the sound follows from: every
event and every program since the start. The latest minute of sound is kept in memory for a take after the fact.
"""

from __future__ import annotations

import json
import queue
import signal
import sys
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.memory.allocation import attach
from instrument.engine.memory.layout import EVENT, EVENT_SWAP, SLOTS
from instrument.engine.memory.views import counters, frames_written, sample_rate
from instrument.takes.crash_repair import repair_all
from instrument.takes.disk_writer import DiskWriter
from instrument.takes.engine_readers import EventLogReader, InputRingReader, LatestFrames, OutputRingReader
from instrument.takes.event_text import UNKNOWN
from instrument.takes.stored_program import copy_program, identity_in
from instrument.takes.take import Counts, PatchOrigin, PlayedProgram, Take
from instrument.takes.take_folder import TakeMetadata, new_folder, versions

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    Events = npt.NDArray[np.void]

PAUSE_SECONDS = 0.02
"""Between two readings of the rings."""

STATUS_SECONDS = 0.25

RETROSPECTIVE = -1
"""In place of the number of a take: it was made after the fact."""

INPUT_SECONDS = 30.0
"""Of live input before a take that are kept with it: a rendering comes from there, and filters forget sooner."""

MOST_MARKS = 4096
"""Readings of the counted that are kept, for takes that begin in the past."""

PATIENCE_SECONDS = 4.0
"""Time that a change of program waits for the notice of whose program it is: less than what the output ring holds."""


@dataclass(frozen=True)
class ProgramNotice:
    """Word from the stage that a program was loaded into a slot: when, as events of the log by then, and which one."""

    since: int
    check: str
    note: PatchOrigin


class Recorder:
    """Work of the recorder process.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
        The engine's memory.
    keep : float
        Seconds of sound kept for a take after the fact.
    requests : queue of dict
        Requests from the stage; ``{"do": "end"}`` is the last.
    tell : callable
        Takes a message for the stage; may be called from several threads.
    """

    def __init__(
        self,
        record: npt.NDArray[np.void],
        keep: float,
        requests: queue.SimpleQueue[dict[str, Any]],
        tell: Any,
    ) -> None:
        self._record = record
        self._requests = requests
        self._tell = tell
        self._rate = round(sample_rate(record))
        self._sound = OutputRingReader(record)
        self._log = EventLogReader(record)
        self._recent = LatestFrames(round(keep * self._rate))
        self._input = InputRingReader(record)
        # Pages that were never written take no memory yet.
        self._heard = LatestFrames(round((keep + INPUT_SECONDS) * self._rate))
        self._events: list[Events] = []
        self._programs: list[PlayedProgram] = []
        self._numbers: dict[str, int] = {}
        self._told: list[deque[ProgramNotice]] = [deque() for _ in range(SLOTS)]
        self._doubts: dict[str, None] = {}
        self._writer: DiskWriter | None = None
        self._begin_at = 0
        self._given: set[int] = set()
        self._take_number = 0
        self._ending: list[tuple[DiskWriter, int]] = []
        self._requested: deque[dict[str, Any]] = deque()
        self._marks: deque[tuple[int, int, int]] = deque([(0, 0, 0)], MOST_MARKS)
        self._over = False

    def run(self) -> None:
        """Work until the stage ends the conversation, then end the take under way."""
        self._tell({"ready": True})
        status_again = 0.0
        while not self._over:
            self._listen()
            while self._requested:
                self._do(self._requested.popleft())
            self._read()
            self._look()
            now = time.monotonic()
            if now >= status_again:
                status_again = now + STATUS_SECONDS
                self._mark()
                self._tell_status()
            time.sleep(PAUSE_SECONDS)
        self._read()
        self._stop()
        for writer, _ in self._ending:
            writer.wait()
        self._look()

    def _listen(self) -> None:
        # Word on programs is taken in even while an event waits for it; everything else has its turn later.
        while not self._requests.empty():
            request = self._requests.get()
            if request.get("do") == "program":
                self._hear(request)
            else:
                self._requested.append(request)

    def _do(self, request: dict[str, Any]) -> None:
        do = request.get("do")
        if do == "start":
            self._start(Path(request["folder"]), request.get("tags", {}), int(request.get("take", 0)))
        elif do == "retrospective":
            self._start_retrospective(Path(request["folder"]), request.get("tags", {}))
        elif do == "stop":
            self._read()
            self._stop()
        elif do == "repair":
            threading.Thread(target=self._repair, args=(Path(request["folder"]),), daemon=True).start()
        elif do == "end":
            self._over = True

    def _hear(self, request: dict[str, Any]) -> None:
        files = tuple(Path(name) for name in request["files"])
        note = PatchOrigin(request["name"], request["title"], request["text"], Path(request["folder"]), files)
        self._told[int(request["slot"])].append(ProgramNotice(int(request["since"]), str(request["check"]), note))

    def _read(self) -> None:
        lost, frames = self._sound.read()
        # Sound before events: whatever is heard by now has its cause in the log by now.
        events = self._log.read()
        at = self._log.at - len(events)
        for k in np.flatnonzero(events["kind"] == EVENT_SWAP).tolist():
            events["index"][k] = self._number_of(int(events["index"][k]), at + k)
        if len(events):
            self._events.append(events)
        if lost:
            self._recent.add(np.zeros((min(lost, self._recent.capacity), 2), np.float32), lost)
        self._recent.add(frames)
        first = self._sound.at - len(frames)
        heard = self._input.read(first, len(frames))
        if heard is not None:
            if lost:
                self._input.lost += lost
                self._heard.add(np.zeros((min(lost, self._heard.capacity), 2), np.float32), lost)
            self._heard.add(heard)
        if self._writer is not None:
            if heard is not None and len(heard):
                self._writer.input(first, heard)
            if lost:
                self._writer.gap(lost)
            self._give(self._writer, events, self._begin_at, self._given)
            if len(frames):
                self._writer.sound(frames)

    def _number_of(self, slot: int, at: int) -> int:
        # Of the program that the change at a place of the log went to.
        if not 0 <= slot < SLOTS:
            return UNKNOWN
        # All of it, its drawings too: a slot that was filled again meanwhile may differ in them alone.
        check = identity_in(self._record, slot)
        deadline = time.monotonic() + PATIENCE_SECONDS
        while (told := self._told_of(slot, at, check)) is None and time.monotonic() < deadline:
            if any(word.since > at for word in self._told[slot]):
                break  # word of it has come, and the slot is another's by now
            self._listen()
            time.sleep(PAUSE_SECONDS)
        if told is None:
            self._doubts["a program was gone before it could be kept"] = None
            return UNKNOWN
        # The text beside it: two texts may make the same program, and a take keeps what was played from which.
        key = f"{check} {told.note.text}"
        if key not in self._numbers:
            self._numbers[key] = len(self._programs)
            self._programs.append(PlayedProgram(copy_program(self._record, slot), told.note))
        return self._numbers[key]

    def _give(self, writer: DiskWriter, events: Events, begin: int, given: set[int]) -> None:
        # Programs go before the events that change to them.
        mine = events[events["time"] >= begin]
        self._give_programs(writer, mine, given)
        mine["time"] -= begin
        writer.events(mine)

    def _give_input(self, writer: DiskWriter, begin: int) -> None:
        # What was heard up to now, of which a rendering needs what lies before the take too.
        heard = self._heard.all()
        if not len(heard) or self._input.first is None:
            return
        first = self._sound.at - len(heard)
        if first > self._input.first:
            seconds = (begin - first) / self._rate
            self._doubts[f"of the live input before the take only some {seconds:.0f} s are kept"] = None
        writer.input(first, heard)

    def _give_programs(self, writer: DiskWriter, events: Events, given: set[int]) -> None:
        for number in events[events["kind"] == EVENT_SWAP]["index"].tolist():
            if number != UNKNOWN and number not in given:
                given.add(number)
                writer.program(number, self._programs[number])

    def _told_of(self, slot: int, at: int, check: str) -> ProgramNotice | None:
        # A program that is held ready is told of once and changed to many times.
        told = self._told[slot]
        while len(told) > 1 and told[1].since <= at:
            told.popleft()
        return told[0] if told and told[0].since <= at and told[0].check == check else None

    def _all_events(self) -> Events:
        if len(self._events) > 1:
            self._events = [np.concatenate(self._events)]
        return self._events[0] if self._events else np.zeros(0, EVENT)

    def _start(self, folder: Path, tags: dict[str, str], number: int) -> None:
        if self._writer is not None:
            return
        self._read()
        begin = self._sound.at
        self._take_number = number
        self._writer, self._given = self._begin(folder, tags, begin, number)
        self._begin_at = begin
        if self._writer is not None:
            self._give_input(self._writer, begin)
            # What comes next may have been caused by events that were in the log already.
            self._give(self._writer, self._all_events(), begin, self._given)

    def _start_retrospective(self, folder: Path, tags: dict[str, str]) -> None:
        self._read()
        frames = self._recent.all()
        if not len(frames):
            self._tell({"say": "there is nothing yet that could be kept."})
            self._tell({"stopped": "", "take": RETROSPECTIVE})
            return
        begin = self._sound.at - len(frames)
        writer, given = self._begin(folder, tags, begin, RETROSPECTIVE)
        if writer is None:
            return
        self._give_input(writer, begin)
        self._give(writer, self._all_events(), begin, given)
        for start, count in self._recent.gaps(self._sound.at):
            writer.sound(frames[: start - begin])
            writer.gap(count)
            frames, begin = frames[start - begin + count :], start + count
        writer.sound(frames)
        writer.stop()
        self._ending.append((writer, RETROSPECTIVE))

    def _begin(self, parent: Path, tags: dict[str, str], begin: int, number: int) -> tuple[DiskWriter | None, set[int]]:
        before, later = self._around(begin)
        note = self._note_of(before, later)
        when = datetime.now().astimezone() - timedelta(seconds=(frames_written(self._record) - begin) / self._rate)
        about = {"title": note.title if note else "", "date": when.date().isoformat(), **tags}
        metadata = TakeMetadata(
            rate=self._rate,
            begins_at=begin,
            started=when.isoformat(timespec="seconds"),
            versions=versions(),
            title=about["title"],
            artist=about.get("artist", ""),
            date=about["date"],
        )
        try:
            folder = new_folder(parent, when, Path(note.name).stem if note else "take")
        except OSError as error:
            self._tell({"say": f"the recording cannot begin ({error}); the show goes on.", "trouble": True})
            self._tell({"stopped": "", "take": number})
            return None, set()
        at_first = self._mark_before(begin)

        def make() -> Take:
            take = Take(folder, metadata, before)
            self._tell({"started": str(folder)})
            return take

        writer = DiskWriter(make, self._rate, self._say, lambda: self._counts_since(at_first))
        given: set[int] = set()
        self._give_programs(writer, before, given)
        return writer, given

    def _around(self, begin: int) -> tuple[Events, Events]:
        events = self._all_events()
        return events[events["time"] < begin], events[events["time"] >= begin]

    def _note_of(self, before: Events, later: Events) -> PatchOrigin | None:
        # The patch that plays at the beginning; in the first moment of a show its change is still to come.
        played = [
            before[before["kind"] == EVENT_SWAP]["index"][-1:],
            later[later["kind"] == EVENT_SWAP]["index"][:1],
        ]
        numbers = [int(number) for number in np.concatenate(played) if number != UNKNOWN]
        if numbers:
            return self._programs[numbers[0]].note
        return next((told[0].note for told in self._told if told), None)

    def _stop(self) -> None:
        if self._writer is not None:
            self._writer.stop()
            self._ending.append((self._writer, self._take_number))
            self._writer = None

    def _mark(self) -> None:
        counted = counters(self._record)
        mark = frames_written(self._record), int(counted["underflows"]), int(counted["late_events"])
        self._marks.append(mark)

    def _mark_before(self, begin: int) -> tuple[int, int, int]:
        self._mark()
        return next((mark for mark in reversed(self._marks) if mark[0] <= begin), self._marks[0])

    def _counts_since(self, mark: tuple[int, int, int]) -> Counts:
        counted = counters(self._record)
        return Counts(
            block=int(counted["largest_block"]),
            underflows=int(counted["underflows"]) - mark[1],
            late_events=int(counted["late_events"]) - mark[2],
            lost_events=self._log.lost,
            doubts=[*self._doubts, *self._input_doubts()],
        )

    def _input_doubts(self) -> list[str]:
        return [f"{self._input.lost} frames of live input were lost"] if self._input.lost else []

    def _look(self) -> None:
        if self._writer is not None and self._writer.over:
            self._ending.append((self._writer, self._take_number))
            self._writer = None
        for ended in [pair for pair in self._ending if pair[0].over]:
            self._ending.remove(ended)
            writer, number = ended
            folder = str(writer.take.folder) if writer.take else ""
            self._tell({"stopped": folder, "seconds": writer.status().seconds, "take": number})

    def _tell_status(self) -> None:
        if self._writer is not None:
            status = self._writer.status()
            self._tell(
                {
                    "recording": round(status.seconds, 1),
                    "lag": round(status.lag, 3),
                    "disk_minutes": round(min(status.minutes, 1e6), 1),
                    "lost": status.lost,
                }
            )

    def _say(self, sentence: str) -> None:
        self._tell({"say": sentence, "trouble": True})

    def _repair(self, folder: Path) -> None:
        for sentence in repair_all(folder):
            self._tell({"say": sentence})


def main(arguments: list[str]) -> None:
    """Run as ``python -m instrument.takes.recorder MEMORY KEEP_SECONDS``, requests on standard input."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    memory = attach(arguments[0])
    requests: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    threading.Thread(target=_take_requests, args=(requests,), daemon=True).start()
    Recorder(memory.record, float(arguments[1]), requests, _Teller()).run()


class _Teller:
    """Writes messages to standard output, a line each, while somebody listens."""

    def __init__(self) -> None:
        self._lock = threading.Lock()

    def __call__(self, message: dict[str, Any]) -> None:
        with self._lock, suppress(OSError, ValueError):
            sys.stdout.write(json.dumps(message) + "\n")
            sys.stdout.flush()


def _take_requests(requests: queue.SimpleQueue[dict[str, Any]]) -> None:
    for request in _requests_in(sys.stdin.buffer):
        requests.put(request)
    requests.put({"do": "end"})


def _requests_in(stream: Any) -> Iterator[dict[str, Any]]:
    for line in stream:
        with suppress(ValueError):
            request = json.loads(line)
            if isinstance(request, dict):
                yield request


if __name__ == "__main__":
    main(sys.argv[1:])
