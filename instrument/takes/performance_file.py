"""A performance as a Standard MIDI File whose tick is one sample: raw messages as they came, the rest in words."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import mido
import numpy as np

from instrument.engine.memory.layout import EVENT, EVENT_MIDI
from instrument.takes.event_text import event_from_text, event_text, midi_bytes_of
from instrument.takes.take_folder import TakeError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import numpy.typing as npt

    Events = npt.NDArray[np.void]

LARGEST = 256 << 20
"""Bytes of a file that are read."""

LONGEST_DELTA = 0x0FFFFFFF
"""Ticks between two events at most (Standard MIDI Files 1.0, variable-length quantity)."""

_LARGEST_DIVISION = 0x7FFF
_LARGEST_TEMPO = 0xFFFFFF
_USUAL_TEMPO = 500_000
_NOTHING = "-"
"""Text of events that only carry time on."""


def division_of(rate: int) -> tuple[int, int]:
    """Return ticks a quarter note and microseconds a quarter note such that a tick is exactly one sample.

    Parameters
    ----------
    rate : int
        Sample rate in hertz.

    Raises
    ------
    TakeError
        If no pair that a file can hold is exact.

    Source: Standard MIDI Files 1.0, division (15 bits) and tempo (24 bits).

    Examples
    --------
    >>> division_of(48_000), division_of(192_000), division_of(44_100)
    ((24000, 500000), (24000, 125000), (22050, 500000))
    """
    step = 1_000_000 // math.gcd(rate, 1_000_000)
    fitting = min(_LARGEST_TEMPO, _LARGEST_DIVISION * 1_000_000 // max(rate, 1)) // step * step
    tempo = _USUAL_TEMPO
    while tempo > 1 and (tempo % step or tempo > fitting) and tempo % 2 == 0:
        tempo //= 2
    if tempo % step or tempo > fitting:
        tempo = fitting
    if tempo <= 0 or rate <= 0:
        raise TakeError(f"{rate} Hz cannot be kept exactly in a MIDI file; record at 48000 or 44100 Hz.")
    return rate * tempo // 1_000_000, tempo


def write_take_events(path: Path, events: Events, rate: int, length: int) -> None:
    """Write events as a MIDI file.

    Parameters
    ----------
    path : Path
    events : np.ndarray [shape=(n,), dtype=layout.EVENT]
        In the order in which they were applied, times in samples from 0; the index of a change of program is the
        number of the program in the take.
    rate : int
    length : int
        Samples; where the track ends.

    Raises
    ------
    TakeError
        If the rate cannot be kept.
    OSError
        If the file cannot be written.
    """
    division, tempo = division_of(rate)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=tempo)])
    at = port = 0
    for event in events:
        time = max(int(event["time"]), at)
        if int(event["port"]) != port:
            port = int(event["port"])
            at = _append(track, mido.MetaMessage("midi_port", port=port), at, time)
        at = _append(track, _message(event), at, time)
    _append(track, mido.MetaMessage("end_of_track"), at, max(length, at))
    with path.open("wb") as file:
        mido.MidiFile(type=0, ticks_per_beat=division, tracks=[track]).save(file=file)


def read_take_events(path: Path, rate: int) -> tuple[Events, int]:
    """Read a performance that `write_take_events` wrote, or that was changed since.

    Parameters
    ----------
    path : Path
    rate : int
        Sample rate of the take in hertz.

    Returns
    -------
    np.ndarray [shape=(n,), dtype=layout.EVENT]
        Events as `write_take_events` takes them.
    int
        Samples to the end of the longest track.

    Raises
    ------
    TakeError
        If it is no MIDI file, or holds words that are no event.
    """
    rows: list[tuple[int, float, int, int, tuple[int, int, int], int, int]] = []
    end = port = 0
    for time, message in _timed(_parsed(path), rate):
        end = max(end, time)
        if message.type == "midi_port":
            port = message.port
        elif message.type == "text" and message.text != _NOTHING:
            try:
                kind, index, value, flags, data = event_from_text(message.text)
            except TakeError as error:
                raise TakeError(f"{path}, sample {time}: {error}") from None
            rows.append((time, value, kind, index, data, port, flags))
        elif not message.is_meta and message.type != "sysex" and message.bytes()[0] < 0xF0:
            first, second, third = (*message.bytes(), 0, 0)[:3]
            rows.append((time, 0.0, EVENT_MIDI, 0, (first, second, third), port, 0))
    return np.array(rows, EVENT), end


def _append(track: mido.MidiTrack, message: mido.Message, at: int, time: int) -> int:
    while time - at > LONGEST_DELTA:
        track.append(mido.MetaMessage("text", text=_NOTHING, time=LONGEST_DELTA))
        at += LONGEST_DELTA
    message.time = time - at
    track.append(message)
    return time


def _message(event: np.void) -> mido.Message:
    data = midi_bytes_of(event)
    if data is None:
        return mido.MetaMessage("text", text=event_text(event))
    return mido.Message.from_bytes(data)


def _parsed(path: Path) -> mido.MidiFile:
    try:
        if path.stat().st_size > LARGEST:
            raise TakeError(f"{path}: the file is larger than {LARGEST >> 20} MiB; no performance is.")
        with path.open("rb") as opened:
            file = mido.MidiFile(file=opened)
    except FileNotFoundError:
        raise TakeError(f"{path}: the take's performance is missing; restore a copy.") from None
    except (OSError, ValueError, LookupError, TypeError, ArithmeticError, EOFError) as error:
        # mido says what is wrong with the content as an OSError without the system's number.
        raise TakeError(
            f"{path}: this is no MIDI file that can be read ({str(error) or 'it ends too early'}); restore a copy."
        ) from None
    if file.type == 2 or file.ticks_per_beat <= 0:
        raise TakeError(f"{path}: the tracks of this MIDI file share no time; save it as type 0 or 1.")
    return file


def _timed(file: mido.MidiFile, rate: int) -> Iterator[tuple[int, mido.Message]]:
    # Exact fractions: with the division that was written, a tick is one sample and nothing is rounded.
    seconds, tempo = Fraction(0), _USUAL_TEMPO
    for message in mido.merge_tracks(file.tracks):
        if message.time:
            seconds += Fraction(message.time * tempo, file.ticks_per_beat * 1_000_000)
        yield round(seconds * rate), message
        if message.type == "set_tempo":
            tempo = message.tempo
