"""Events as text, where MIDI has no message for them, exact to the last bit; and a file of them, a line each."""

from __future__ import annotations

import difflib
import json
import os
import re
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.memory.layout import (
    ACTIONS,
    EVENT,
    EVENT_ACTION,
    EVENT_MIDI,
    EVENT_PANIC,
    EVENT_SET,
    EVENT_SWAP,
    FLAG_AT_ONCE,
    FLAG_CARRY,
)
from instrument.engine.parameters import ADDRESSES, FORMER_ADDRESSES, INDEX
from instrument.takes.take_folder import TakeError

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    Events = npt.NDArray[np.void]

UNKNOWN = -1
"""Number of a program that nobody has told the recorder about."""

_RAW = re.compile(r"raw ([0-9a-f]{2}) ([0-9a-f]{2}) ([0-9a-f]{2})")
_PROGRAM = re.compile(r"program (\d{1,9}|unknown)( carry)?(?: fade (\S+))?")
_ACTION = re.compile(r"action (\S+)(?: (\S+))?")
_SET = re.compile(r"set (\S+) (\S+)( at once)?")


def midi_bytes_of(event: np.void) -> list[int] | None:
    """Return the bytes of a raw channel message as a MIDI file can hold it, or None.

    Parameters
    ----------
    event : np.void [dtype=layout.EVENT]
        The index of a change of program is a program's number, not a slot.
    """
    status, first, second = (int(byte) for byte in event["data"])
    if event["kind"] != EVENT_MIDI or not 0x80 <= status < 0xF0 or first > 0x7F or second > 0x7F:
        return None
    if status & 0xE0 == 0xC0:  # program change and channel pressure have one data byte
        return [status, first] if second == 0 else None
    return [status, first, second]


def event_text(event: np.void) -> str:
    """Return what `midi_bytes_of` cannot say of an event.

    Examples
    --------
    >>> import numpy as np
    >>> from instrument.engine.memory.layout import EVENT
    >>> event = np.zeros((), EVENT)
    >>> event["kind"], event["index"], event["value"] = EVENT_SET, INDEX["layer.1.level"], 0.1
    >>> event_text(event[()])
    'set layer.1.level 0x1.999999999999ap-4'
    """
    kind, index, value, flags = int(event["kind"]), int(event["index"]), float(event["value"]), event["flags"]
    if kind == EVENT_SET and 0 <= index < len(ADDRESSES):
        return f"set {ADDRESSES[index]} {value.hex()}" + (" at once" if flags & FLAG_AT_ONCE else "")
    if kind == EVENT_SWAP:
        fade = f" fade {value.hex()}" if value else ""
        number = "unknown" if index < 0 else str(index)
        return f"program {number}" + (" carry" if flags & FLAG_CARRY else "") + fade
    if kind == EVENT_ACTION and 0 <= index < len(ACTIONS):
        return f"action {ACTIONS[index]}" + (f" {_short(value)}" if value else "")
    if kind == EVENT_PANIC:
        return "panic"
    return "raw {:02x} {:02x} {:02x}".format(*event["data"])


def event_from_text(words: str) -> tuple[int, int, float, int, tuple[int, int, int]]:
    """Return kind, index, value, flags and raw bytes of an event in words.

    Raises
    ------
    TakeError
        If these are no such words.

    Examples
    --------
    >>> event_from_text("program 3 carry fade 0x1.0p-4") == (EVENT_SWAP, 3, 0.0625, FLAG_CARRY, (0, 0, 0))
    True
    """
    if words == "panic":
        return EVENT_PANIC, 0, 0.0, 0, (0, 0, 0)
    if found := _RAW.fullmatch(words):
        first, second, third = (int(byte, 16) for byte in found.groups())
        return EVENT_MIDI, 0, 0.0, 0, (first, second, third)
    if found := _PROGRAM.fullmatch(words):
        number = UNKNOWN if found[1] == "unknown" else int(found[1])
        fade = _number(found[3], words) if found[3] else 0.0
        return EVENT_SWAP, number, fade, FLAG_CARRY if found[2] else 0, (0, 0, 0)
    if found := _ACTION.fullmatch(words):
        if found[1] not in ACTIONS:
            raise TakeError(f"there is no action {found[1][:40]}; there are {', '.join(ACTIONS[1:])}.")
        value = _number(found[2], words) if found[2] else 0.0
        return EVENT_ACTION, ACTIONS.index(found[1]), value, 0, (0, 0, 0)
    if found := _SET.fullmatch(words):
        address = FORMER_ADDRESSES.get(found[1], found[1])
        if address not in INDEX:
            near = difflib.get_close_matches(found[1], ADDRESSES, n=1)
            meant = f" Did you mean {near[0]}?" if near else ""
            raise TakeError(f"there is no parameter {found[1]}.{meant}")
        return (
            EVENT_SET,
            INDEX[address],
            _number(found[2], words),
            FLAG_AT_ONCE if found[3] else 0,
            (0, 0, 0),
        )
    raise TakeError(
        f"{words[:60]!r} is no event; it may read: set ADDRESS NUMBER [at once], program NUMBER [carry] "
        "[fade SECONDS], action NAME [NUMBER], panic, or raw and three bytes."
    )


def _short(value: float) -> str:
    # Patches and snapshots are counted; a number that is no such count keeps its last bit.
    return f"{value:.0f}" if value.is_integer() and abs(value) < 1e6 else value.hex()


def _number(text: str, words: str) -> float:
    try:
        return float.fromhex(text) if "x" in text else float(text)
    except (ValueError, OverflowError):
        raise TakeError(f"{text[:40]!r} in {words[:60]!r} is not a number.") from None


class EventLineFile:
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


def read_event_lines(path: Path) -> Events:
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
    data = midi_bytes_of(event)
    if data is None:
        return f'[{time},{port},"{event_text(event)}"]\n'
    return f"[{time},{port},{','.join(map(str, data))}]\n"


def _row(
    line: list[int | str],
) -> tuple[int, float, int, int, tuple[int, int, int], int, int]:
    time, port, *rest = line
    if isinstance(rest[0], str):
        kind, index, value, flags, data = event_from_text(rest[0])
        return int(time), value, kind, index, data, int(port), flags
    first, second, third = (int(byte) for byte in (*rest, 0, 0)[:3])
    return int(time), 0.0, EVENT_MIDI, 0, (first, second, third), int(port), 0
