"""Rendering a take again: the same bytes at its own rate, and the same performance anew at another."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from instrument.engine.engine import Engine, Event, swap_event
from instrument.engine.memory.layout import EVENT_SWAP, FLAG_CARRY, RING_PERFORM
from instrument.engine.parameters import ADDRESSES
from instrument.takes.crash_repair import frames_in, repair_take
from instrument.takes.offline_rendering import RecordedInput, render_frames
from instrument.takes.performance_file import read_take_events
from instrument.takes.stored_program import identity_of, read_program, rebuild
from instrument.takes.take_folder import (
    EARLIER_EVENTS,
    INPUT,
    METADATA,
    PERFORMANCE,
    PLAYED_PROGRAM,
    SOUND,
    TakeError,
    TakeMetadata,
    digest_of,
    inside,
    read_metadata,
    versions,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import numpy.typing as npt

    from instrument.engine.program import Program

    Events = npt.NDArray[np.void]
    Frames = npt.NDArray[np.float32]

LONGEST_FRAMES = 1 << 40
"""Frames of a take: two months at the highest rate."""

_BITS_DEPEND_ON = ("engine", "machine", "numpy")


@dataclass(frozen=True)
class StoredTake:
    """A take as it lies on the disk.

    Attributes
    ----------
    folder : Path
    metadata : TakeMetadata
    events : np.ndarray [dtype=layout.EVENT]
        From the start of the show, in samples of the show at the take's rate; the index of a change of program is
        the number of the program.
    warnings : tuple of str
        What was changed since the recording.
    found : list of str
        What a rendering finds to be different, as it goes on.
    """

    folder: Path
    metadata: TakeMetadata
    events: Events
    warnings: tuple[str, ...] = ()
    found: list[str] = field(default_factory=list)


def open_take(path: Path) -> StoredTake:
    """Read a take, and finish it first if a crash had cut it off.

    Parameters
    ----------
    path : Path
        Its folder, or the `take.toml` in it.

    Raises
    ------
    TakeError
        If it is damaged, or being recorded.
    """
    folder = path if path.is_dir() else path.parent
    warnings = []
    if repair_take(folder):
        warnings.append(f"{folder}: this take was cut off and is whole again.")
    metadata = read_metadata(folder)
    warnings += _changes(folder, metadata)
    _check_length(folder, metadata)
    events, _ = read_take_events(inside(folder, PERFORMANCE), metadata.rate)
    events["time"] += metadata.begins_at
    if metadata.begins_at:
        before, _ = read_take_events(inside(folder, EARLIER_EVENTS), metadata.rate)
        events = np.concatenate([before[before["time"] < metadata.begins_at], events])
    return StoredTake(folder, metadata, events[np.argsort(events["time"], kind="stable")], tuple(warnings))


def render_take(
    take: StoredTake,
    rate: int | None = None,
    block: int = 1024,
    progress: Callable[[float], None] | None = None,
) -> Iterator[Frames]:
    """Yield float32 pieces [shape=(n, 2)] of the take's sound, rendered from its events.

    A take that begins amid a show is preceded by everything that was played before: rendering begins at the show's
    first sample, and what comes before the take is not given out. So every phase, filter, ramp and delay is where it
    was, by construction.

    Parameters
    ----------
    take : StoredTake
    rate : int, optional
        Sample rate in hertz; the take's own by default. At another, event times are scaled.
    block : int
        Frames a call; changes no bit.
    progress : callable, optional
        Takes the share that is done, 0 to 1.

    Raises
    ------
    ValueError
        If a program of the take is refused.
    """
    own = take.metadata.rate
    rate = rate or own
    scaled = [(time * rate + own // 2) // own for time in take.events["time"].tolist()]
    begin = take.metadata.begins_at * rate // own
    end = begin + length_at(take, rate)
    engine = Engine(rate)
    # What controls had asked for is among the events, with the programs that were changed to.
    engine.record["replaying"] = 1
    programs = _Programs(take)
    heard = None
    if (path := inside(take.folder, INPUT)).exists():
        heard = RecordedInput(path, take.metadata.input_at, rate)
    try:
        for piece in _pieces(engine, take.events, scaled, programs, end, block, heard):
            first = engine.time - len(piece)
            if progress is not None:
                progress(engine.time / end)
            if engine.time > begin:
                yield piece[max(begin - first, 0) :]
    finally:
        if heard is not None:
            heard.close()


def length_at(take: StoredTake, rate: int) -> int:
    """Return the frames of a take at a rate."""
    return take.metadata.frames * rate // take.metadata.rate


class Comparison:
    """Holds what is rendered against what was recorded.

    Parameters
    ----------
    take : StoredTake
    """

    def __init__(self, take: StoredTake) -> None:
        self._take = take
        self._digest = hashlib.sha256()
        self._at = 0
        self._different = -1
        self._sound: soundfile.SoundFile | None = None
        try:
            self._sound = soundfile.SoundFile(take.folder / SOUND)
        except (OSError, soundfile.SoundFileError):
            self._sound = None

    def through(self, pieces: Iterator[Frames]) -> Iterator[Frames]:
        """Pass pieces on and compare them."""
        for piece in pieces:
            self._digest.update(np.ascontiguousarray(piece, "<f4").data)
            self._look(piece)
            yield piece
        if self._sound is not None:
            self._sound.close()

    @property
    def same(self) -> bool:
        """True if every bit is as it was recorded."""
        return self._digest.hexdigest() == self._take.metadata.sound_sha256

    def sentence(self) -> str:
        """Return what came of it, for whoever rendered."""
        metadata = self._take.metadata
        if self.same:
            return f"the same bytes as the recording (SHA-256 of the samples {metadata.sound_sha256[:16]}...)"
        where = ""
        if self._different >= 0:
            where = f" from sample {self._different} ({self._different / metadata.rate:.3f} s) on"
        elif metadata.lost:
            return "the same as the recording but for the frames that it had lost"
        reasons = [*metadata.doubts, *dict.fromkeys(self._take.found), *_other_versions(metadata)]
        why = f"; {', '.join(reasons)}" if reasons else ""
        return f"not the same bytes as the recording{where}{why}"

    def _look(self, piece: Frames) -> None:
        if self._sound is None or self._different >= 0:
            self._at += len(piece)
            return
        recorded = self._sound.read(len(piece), dtype="float32", always_2d=True)
        compared = min(len(recorded), len(piece))
        differs = (recorded[:compared].view(np.uint32) != piece[:compared].view(np.uint32)).any(axis=1)
        for first, count in self._take.metadata.lost:
            differs[max(first - self._at, 0) : max(first + count - self._at, 0)] = False
        found = np.flatnonzero(differs)
        if len(found):
            self._different = self._at + int(found[0])
        self._at += len(piece)


class _Programs:
    # Programs of a take by number, built when they are needed; the latest are at hand.

    def __init__(self, take: StoredTake) -> None:
        self._take = take
        self._rows = {row.number: row for row in take.metadata.program}
        self._built: dict[int, Program] = {}

    def get(self, number: int) -> Program:
        if number not in self._built:
            while len(self._built) > 8:
                del self._built[next(iter(self._built))]
            self._built[number] = self._build(number)
        return self._built[number]

    def _build(self, number: int) -> Program:
        folder = self._take.folder
        if number not in self._rows:
            raise TakeError(f"{folder}: the take does not hold program {number}, which it changes to.")
        patch = inside(folder, self._rows[number].patch)
        try:
            text = patch.read_text(encoding="utf-8")
        except (OSError, ValueError) as error:
            raise TakeError(f"{patch}: this patch of the take cannot be read ({error}).") from None
        stored = read_program(patch.parent / PLAYED_PROGRAM)
        program = rebuild(stored, text, patch)
        if stored.identity and stored.addresses == ADDRESSES and identity_of(program) != stored.identity:
            self._take.found.append(f"{patch.name} builds another program here than was played")
        return program


def _pieces(
    engine: Engine,
    events: Events,
    times: list[int],
    programs: _Programs,
    end: int,
    block: int,
    heard: RecordedInput | None,
) -> Iterator[Frames]:
    waiting: list[Event] = []
    at = 0
    changes = [k for k, event in enumerate(events) if event["kind"] == EVENT_SWAP] + [len(events)]
    for change in changes:
        stop = min(times[change], end) if change < len(events) else end
        waiting += [_event(events[k], times[k]) for k in range(at, change)]
        yield from render_frames(engine, stop - engine.time, block, waiting, heard)
        waiting = [event for event in waiting if event.time >= stop]
        if engine.time >= end:
            return
        # Loaded only now, as on stage: what is played until here must not be overwritten.
        slot = engine.load(programs.get(int(events["index"][change])))
        carry = bool(events["flags"][change] & FLAG_CARRY)
        waiting.append(swap_event(stop, slot, carry=carry, fade=float(events["value"][change])))
        while waiting and engine.push(waiting[0], RING_PERFORM):
            waiting.pop(0)
        at = change + 1


def _event(row: np.void, time: int) -> Event:
    first, second, third = (int(byte) for byte in row["data"])
    return Event(
        time,
        int(row["kind"]),
        int(row["index"]),
        float(row["value"]),
        (first, second, third),
        int(row["flags"]),
        int(row["port"]),
    )


def _changes(folder: Path, metadata: TakeMetadata) -> list[str]:
    said = []
    for name, digest in metadata.files.items():
        path = inside(folder, name)
        try:
            if digest_of(path) != digest:
                said.append(f"{path}: this was changed after the recording; rendering it as it is now.")
        except OSError:
            said.append(f"{path}: this part of the take is missing.")
    return said


def _check_length(folder: Path, metadata: TakeMetadata) -> None:
    path = folder / SOUND
    if metadata.frames > LONGEST_FRAMES:
        raise TakeError(f"{folder / METADATA}: frames is {metadata.frames}, longer than any take; restore a copy.")
    if not path.exists():
        return
    try:
        found = frames_in(path)
    except (OSError, soundfile.SoundFileError) as error:
        raise TakeError(f"{path}: this is no sound that can be read ({error}); restore a copy.") from None
    if found != metadata.frames:
        raise TakeError(
            f"{path}: the sound has {found} frames, {METADATA} says {metadata.frames}; restore a copy of both."
        )


def _other_versions(metadata: TakeMetadata) -> list[str]:
    now = versions()
    return [
        f"recorded with {name} {metadata.versions[name]}, this is {now[name]}"
        for name in _BITS_DEPEND_ON
        if name in metadata.versions and metadata.versions[name] != now[name]
    ]
