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

MOST_COUNTER_READINGS = 4096
"""Readings of the counted that are kept, for takes that begin in the past."""

NOTICE_SECONDS = 4.0
"""Time that a change of program waits for the notice of whose program it is: less than what the output ring holds."""


@dataclass(frozen=True)
class ProgramNotice:
    """Word from the stage that a program was loaded into a slot: when, as events of the log by then, and which one."""

    since: int
    check: str
    origin: PatchOrigin


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
    send : callable
        Takes a message for the stage; may be called from several threads.
    """

    def __init__(
        self,
        record: npt.NDArray[np.void],
        keep: float,
        requests: queue.SimpleQueue[dict[str, Any]],
        send: Any,
    ) -> None:
        self._record = record
        self._requests = requests
        self._send = send
        self._rate = round(sample_rate(record))
        self._sound = OutputRingReader(record)
        self._log = EventLogReader(record)
        self._recent_sound = LatestFrames(round(keep * self._rate))
        self._input = InputRingReader(record)
        # Pages that were never written take no memory yet.
        self._recent_input = LatestFrames(round((keep + INPUT_SECONDS) * self._rate))
        self._events: list[Events] = []
        self._programs: list[PlayedProgram] = []
        self._numbers: dict[str, int] = {}
        self._notices: list[deque[ProgramNotice]] = [deque() for _ in range(SLOTS)]
        self._doubts: dict[str, None] = {}
        self._writer: DiskWriter | None = None
        self._begin_at = 0
        self._passed: set[int] = set()
        self._take_number = 0
        self._ending: list[tuple[DiskWriter, int]] = []
        self._requested: deque[dict[str, Any]] = deque()
        self._counter_readings: deque[tuple[int, int, int]] = deque([(0, 0, 0)], MOST_COUNTER_READINGS)
        self._over = False

    def run(self) -> None:
        """Work until the stage ends the conversation, then end the take under way."""
        self._send({"ready": True})
        status_again = 0.0
        while not self._over:
            self._receive()
            while self._requested:
                self._handle(self._requested.popleft())
            self._read()
            self._collect_ended()
            now = time.monotonic()
            if now >= status_again:
                status_again = now + STATUS_SECONDS
                self._read_counters()
                self._send_status()
            time.sleep(PAUSE_SECONDS)
        self._read()
        self._stop()
        for writer, _ in self._ending:
            writer.wait()
        self._collect_ended()

    def _receive(self) -> None:
        # Word on programs is taken in even while an event waits for it; everything else has its turn later.
        while not self._requests.empty():
            request = self._requests.get()
            if request.get("do") == "program":
                self._note_program(request)
            else:
                self._requested.append(request)

    def _handle(self, request: dict[str, Any]) -> None:
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

    def _note_program(self, request: dict[str, Any]) -> None:
        files = tuple(Path(name) for name in request["files"])
        origin = PatchOrigin(request["name"], request["title"], request["text"], Path(request["folder"]), files)
        self._notices[int(request["slot"])].append(ProgramNotice(int(request["since"]), str(request["check"]), origin))

    def _read(self) -> None:
        lost, frames = self._sound.read()
        # Sound before events: the callback logs an event before it renders the samples that follow from it, so whatever
        # sound is there by now has its cause in the log by now. The other order could pass on sound without its cause.
        events = self._log.read()
        at = self._log.at - len(events)
        for k in np.flatnonzero(events["kind"] == EVENT_SWAP).tolist():
            events["index"][k] = self._number_of(int(events["index"][k]), at + k)
        if len(events):
            self._events.append(events)
        if lost:
            self._recent_sound.add(np.zeros((min(lost, self._recent_sound.capacity), 2), np.float32), lost)
        self._recent_sound.add(frames)
        first = self._sound.at - len(frames)
        live_input = self._input.read(first, len(frames))
        if live_input is not None:
            if lost:
                self._input.lost += lost
                self._recent_input.add(np.zeros((min(lost, self._recent_input.capacity), 2), np.float32), lost)
            self._recent_input.add(live_input)
        if self._writer is not None:
            if live_input is not None and len(live_input):
                self._writer.input(first, live_input)
            if lost:
                self._writer.gap(lost)
            self._pass_events(self._writer, events, self._begin_at, self._passed)
            if len(frames):
                self._writer.sound(frames)

    def _number_of(self, slot: int, at: int) -> int:
        # Of the program that the change at a place of the log went to.
        if not 0 <= slot < SLOTS:
            return UNKNOWN
        # The key covers the whole program, its drawings too: a slot that was filled again meanwhile may differ in them
        # alone. The event says only the slot; which program lay there when it was applied follows from three facts:
        # the order of the log, the notice that the show sent with its place in that order, and this key. A notice may
        # arrive after its event, for pipe and shared memory have no common order, and so it is waited for.
        check = identity_in(self._record, slot)
        deadline = time.monotonic() + NOTICE_SECONDS
        while (notice := self._notice_of(slot, at, check)) is None and time.monotonic() < deadline:
            if any(word.since > at for word in self._notices[slot]):
                break  # word of it has come, and the slot is another's by now
            self._receive()
            time.sleep(PAUSE_SECONDS)
        if notice is None:
            self._doubts["a program was gone before it could be kept"] = None
            return UNKNOWN
        # The text beside it: two texts may make the same program, and a take keeps what was played from which.
        key = f"{check} {notice.origin.text}"
        if key not in self._numbers:
            self._numbers[key] = len(self._programs)
            self._programs.append(PlayedProgram(copy_program(self._record, slot), notice.origin))
        return self._numbers[key]

    def _pass_events(self, writer: DiskWriter, events: Events, begin: int, passed: set[int]) -> None:
        # Programs go before the events that change to them.
        mine = events[events["time"] >= begin]
        self._pass_programs(writer, mine, passed)
        mine["time"] -= begin
        writer.events(mine)

    def _pass_input(self, writer: DiskWriter, begin: int) -> None:
        # What was heard up to now, of which a rendering needs what lies before the take too.
        live_input = self._recent_input.all()
        if not len(live_input) or self._input.first is None:
            return
        first = self._sound.at - len(live_input)
        if first > self._input.first:
            seconds = (begin - first) / self._rate
            self._doubts[f"of the live input before the take only some {seconds:.0f} s are kept"] = None
        writer.input(first, live_input)

    def _pass_programs(self, writer: DiskWriter, events: Events, passed: set[int]) -> None:
        for number in events[events["kind"] == EVENT_SWAP]["index"].tolist():
            if number != UNKNOWN and number not in passed:
                passed.add(number)
                writer.program(number, self._programs[number])

    def _notice_of(self, slot: int, at: int, check: str) -> ProgramNotice | None:
        # A program that is held ready is told of once and changed to many times.
        notices = self._notices[slot]
        while len(notices) > 1 and notices[1].since <= at:
            notices.popleft()
        return notices[0] if notices and notices[0].since <= at and notices[0].check == check else None

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
        self._writer, self._passed = self._begin(folder, tags, begin, number)
        self._begin_at = begin
        if self._writer is not None:
            self._pass_input(self._writer, begin)
            # What comes next may have been caused by events that were in the log already.
            self._pass_events(self._writer, self._all_events(), begin, self._passed)

    def _start_retrospective(self, folder: Path, tags: dict[str, str]) -> None:
        self._read()
        frames = self._recent_sound.all()
        if not len(frames):
            self._send({"say": "there is nothing yet that could be kept."})
            self._send({"stopped": "", "take": RETROSPECTIVE})
            return
        begin = self._sound.at - len(frames)
        writer, passed = self._begin(folder, tags, begin, RETROSPECTIVE)
        if writer is None:
            return
        self._pass_input(writer, begin)
        self._pass_events(writer, self._all_events(), begin, passed)
        for start, count in self._recent_sound.gaps(self._sound.at):
            writer.sound(frames[: start - begin])
            writer.gap(count)
            frames, begin = frames[start - begin + count :], start + count
        writer.sound(frames)
        writer.stop()
        self._ending.append((writer, RETROSPECTIVE))

    def _begin(self, parent: Path, tags: dict[str, str], begin: int, number: int) -> tuple[DiskWriter | None, set[int]]:
        before, later = self._around(begin)
        origin = self._origin_of(before, later)
        when = datetime.now().astimezone() - timedelta(seconds=(frames_written(self._record) - begin) / self._rate)
        about = {"title": origin.title if origin else "", "date": when.date().isoformat(), **tags}
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
            folder = new_folder(parent, when, Path(origin.name).stem if origin else "take")
        except OSError as error:
            self._send({"say": f"the recording cannot begin ({error}); the show goes on.", "trouble": True})
            self._send({"stopped": "", "take": number})
            return None, set()
        at_first = self._counters_before(begin)

        def make() -> Take:
            take = Take(folder, metadata, before)
            self._send({"started": str(folder)})
            return take

        writer = DiskWriter(make, self._rate, self._report, lambda: self._counts_since(at_first))
        passed: set[int] = set()
        self._pass_programs(writer, before, passed)
        return writer, passed

    def _around(self, begin: int) -> tuple[Events, Events]:
        events = self._all_events()
        return events[events["time"] < begin], events[events["time"] >= begin]

    def _origin_of(self, before: Events, later: Events) -> PatchOrigin | None:
        # The patch that plays at the beginning; in the first moment of a show its change is still to come.
        played = [
            before[before["kind"] == EVENT_SWAP]["index"][-1:],
            later[later["kind"] == EVENT_SWAP]["index"][:1],
        ]
        numbers = [int(number) for number in np.concatenate(played) if number != UNKNOWN]
        if numbers:
            return self._programs[numbers[0]].origin
        return next((notices[0].origin for notices in self._notices if notices), None)

    def _stop(self) -> None:
        if self._writer is not None:
            self._writer.stop()
            self._ending.append((self._writer, self._take_number))
            self._writer = None

    def _read_counters(self) -> None:
        counted = counters(self._record)
        mark = frames_written(self._record), int(counted["underflows"]), int(counted["late_events"])
        self._counter_readings.append(mark)

    def _counters_before(self, begin: int) -> tuple[int, int, int]:
        self._read_counters()
        return next((mark for mark in reversed(self._counter_readings) if mark[0] <= begin), self._counter_readings[0])

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

    def _collect_ended(self) -> None:
        if self._writer is not None and self._writer.over:
            self._ending.append((self._writer, self._take_number))
            self._writer = None
        for ended in [pair for pair in self._ending if pair[0].over]:
            self._ending.remove(ended)
            writer, number = ended
            folder = str(writer.take.folder) if writer.take else ""
            self._send({"stopped": folder, "seconds": writer.status().seconds, "take": number})

    def _send_status(self) -> None:
        if self._writer is not None:
            status = self._writer.status()
            self._send(
                {
                    "recording": round(status.seconds, 1),
                    "lag": round(status.lag, 3),
                    "disk_minutes": round(min(status.minutes, 1e6), 1),
                    "lost": status.lost,
                }
            )

    def _report(self, sentence: str) -> None:
        self._send({"say": sentence, "trouble": True})

    def _repair(self, folder: Path) -> None:
        for sentence in repair_all(folder):
            self._send({"say": sentence})


def main(arguments: list[str]) -> None:
    """Run as ``python -m instrument.takes.recorder MEMORY KEEP_SECONDS``, requests on standard input."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    memory = attach(arguments[0])
    requests: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    threading.Thread(target=_take_requests, args=(requests,), daemon=True).start()
    Recorder(memory.record, float(arguments[1]), requests, _MessageWriter()).run()


class _MessageWriter:
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
