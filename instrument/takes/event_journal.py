"""Events while a take is being recorded: a line each, so that a crash costs at most the last one."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.memory.layout import EVENT, EVENT_MIDI
from instrument.takes.event_words import event_from, message_of, words_of
from instrument.takes.take_errors import TakeError

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    Events = npt.NDArray[np.void]


class Journal:
    """The file of events to which lines are added.

    Parameters
    ----------
    path : Path
        Must not be there yet.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("xb", buffering=0)

    def add(self, events: Events) -> None:
        """Append events, dtype `layout.EVENT`, times in samples of the take.

        Raises
        ------
        OSError
            If the disk takes no more.
        """
        if len(events):
            self._file.write("".join(map(_line, events)).encode())

    def sync(self) -> None:
        """Have the system put everything on the disk itself; may be called from another thread."""
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Add no more."""
        self._file.close()


def read_journal(path: Path) -> Events:
    """Return the events of a journal, none if there is no file; a line that a crash cut short is left out.

    Raises
    ------
    TakeError
        If another line is damaged.
    """
    rows = []
    lines = path.read_bytes().split(b"\n")[:-1] if path.exists() else []
    for number, line in enumerate(lines, start=1):
        try:
            rows.append(_row(json.loads(line)))
        except (ValueError, TypeError, IndexError, RecursionError) as error:
            if number == len(lines):
                break  # power went away while the system wrote it
            raise TakeError(f"{path}, line {number}: {error}") from None
    return np.array(rows, EVENT)


def _line(event: np.void) -> str:
    time, port = int(event["time"]), int(event["port"])
    data = message_of(event)
    if data is None:
        return f'[{time},{port},"{words_of(event)}"]\n'
    return f"[{time},{port},{','.join(map(str, data))}]\n"


def _row(
    line: list[int | str],
) -> tuple[int, float, int, int, tuple[int, int, int], int, int]:
    time, port, *rest = line
    if isinstance(rest[0], str):
        kind, index, value, flags, data = event_from(rest[0])
        return int(time), value, kind, index, data, int(port), flags
    first, second, third = (int(byte) for byte in (*rest, 0, 0)[:3])
    return int(time), 0.0, EVENT_MIDI, 0, (first, second, third), int(port), 0
