"""The processes that draw a film side by side, seen from the one that puts it together."""

from __future__ import annotations

import contextlib
import json
import queue
from functools import partial
from typing import TYPE_CHECKING, Any, Self

from instrument.common.child_process import END_SECONDS, ChildProcess, module_command
from instrument.export.film_segment import RawSamples, SegmentRenderer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from instrument.export.film_plan import FilmPlan

AHEAD = 4
"""Segments for each process that may wait on the disk for an earlier one."""

PATIENCE_SECONDS = 0.5
"""Between looks at whether processes live, and at the keyboard where a wait cannot be interrupted."""


class WorkerError(RuntimeError):
    """A process that draws has ended."""


class WorkerPool:
    """Draws the segments of a film, in as many processes as are asked for; one draws within this process.

    Parameters
    ----------
    plan : FilmPlan
    segments : list of (int, int)
        First frame and the one behind the last, of each.
    processes : int

    Notes
    -----
    The processes start with the first line of this class and load their libraries while the sound is
    rendered. They end when their standard input does, so none outlives the one that started them,
    however that ends. What they draw waits in files, so that memory does not grow with the film.
    """

    def __init__(self, plan: FilmPlan, segments: list[tuple[int, int]], processes: int) -> None:
        self._plan = plan
        self._segments = segments
        self._said: queue.SimpleQueue[tuple[int, dict[str, Any] | None]] = queue.SimpleQueue()
        self._workers: list[ChildProcess] = []
        processes = min(processes, len(segments))
        try:
            for number in range(processes if processes > 1 else 0):
                worker = ChildProcess("film", partial(self._take, number))
                worker.start(module_command("instrument.export.film_segment"), one_core=True)
                self._workers.append(worker)
                worker.send({"plan": plan.to_json()})
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self.close()

    def close(self) -> None:
        """End every process, whatever it is doing."""
        for worker in self._workers:
            worker.end(0.0)
        self._workers = []

    def draw(self, sound: Path, folder: Path, tell: Callable[[int], None]) -> Iterator[Path]:
        """Give the file of each segment in turn, which is removed when the next one is asked for.

        Parameters
        ----------
        sound : Path
            Bare samples, as `film_samples.RawSamples` reads them.
        folder : Path
            For the files.
        tell : callable
            Takes how many frames are drawn in all.

        Raises
        ------
        OSError
            If a file cannot be written.
        WorkerError
            If a process has ended.
        """
        made = self._apart(sound, folder, tell) if self._workers else self._here(sound, folder, tell)
        for path in made:
            yield path
            path.unlink()

    def _here(self, sound: Path, folder: Path, tell: Callable[[int], None]) -> Iterator[Path]:
        with RawSamples(sound) as samples:
            artist = SegmentRenderer(self._plan, samples)
            for number, (first, end) in enumerate(self._segments):
                artist.draw(first, end, _file(folder, number), lambda frame: tell(frame + 1))
                yield _file(folder, number)

    def _apart(self, sound: Path, folder: Path, tell: Callable[[int], None]) -> Iterator[Path]:
        drawn = [0] * len(self._segments)
        doing: dict[int, int] = {}
        done: set[int] = set()
        next_one = 0
        for number in range(len(self._segments)):
            while True:
                furthest = min(number + AHEAD * len(self._workers), len(self._segments))
                for worker in range(len(self._workers)):
                    if worker not in doing and next_one < furthest:
                        first, end = self._segments[next_one]
                        into = str(_file(folder, next_one).absolute())
                        self._workers[worker].send(
                            {"sound": str(sound.absolute()), "first": first, "end": end, "into": into}
                        )
                        doing[worker] = next_one
                        next_one += 1
                if number in done:
                    break
                worker, words = self._heard()
                segment = doing[worker]
                first, end = self._segments[segment]
                if "done" in words:
                    done.add(segment)
                    del doing[worker]
                drawn[segment] = end - first if "done" in words else words["frame"] + 1 - first
                tell(sum(drawn))
            yield _file(folder, number)

    def _take(self, number: int, line: bytes | None) -> None:
        self._said.put((number, None if line is None else json.loads(line)))

    def _heard(self) -> tuple[int, dict[str, Any]]:
        while True:
            for child in self._workers:
                child.send_on()
            with contextlib.suppress(queue.Empty):
                worker, words = self._said.get(timeout=PATIENCE_SECONDS)
                if words is None:
                    status = self._workers[worker].wait_for_end(END_SECONDS)
                    raise WorkerError(f"a process that draws the film has ended by itself (status {status})")
                if "failed" in words:
                    raise OSError(words["errno"] or 0, words["failed"])
                return worker, words


def _file(folder: Path, number: int) -> Path:
    return folder / f"segment-{number:06}.h264"
