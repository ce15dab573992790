"""A Standard MIDI File becomes events with exact sample times, the same live and offline."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import mido

from instrument.engine.engine import Event, midi_event
from instrument.midi.decode import channel_messages
from instrument.midi.errors import MidiError

if TYPE_CHECKING:
    from collections.abc import Iterator

LARGEST = 32 << 20
"""Bytes of a file that are read; a year of dense playing is smaller."""

_DEFAULT_TEMPO = 500_000
"""Microseconds a quarter note until the file says otherwise: 120 a minute (Standard MIDI Files 1.0, tempo)."""

_ASYNCHRONOUS = 2
_DROP_FRAME = 29
"""SMPTE code for 30000/1001 frames a second (Standard MIDI Files 1.0, division)."""


def read_performance(path: str | Path, rate: float) -> list[Event]:
    """Read a Standard MIDI File, all tracks merged, as events for an instrument that starts at sample 0.

    Parameters
    ----------
    path : str or Path
    rate : float
        Sample rate in hertz.

    Returns
    -------
    list of Event
        Channel messages in order of time, each on the sample nearest to its exact time; other messages only
        shape the tempo.

    Raises
    ------
    MidiError
        If it cannot be read, or is no MIDI file that can be played.
    """
    path = Path(path)
    file = _parsed(path)
    if file.type == _ASYNCHRONOUS:
        raise MidiError(
            f"{path}: this MIDI file is of type 2, whose tracks share no time; save it as type 0 or 1."
        )
    if file.ticks_per_beat == 0:
        raise MidiError(f"{path}: the file says 0 ticks a beat, so it has no time; save it again.")
    exact = Fraction(rate)
    return [
        midi_event(round(seconds * exact), *found)
        for seconds, message in _timed(file)
        if not message.is_meta
        for found in channel_messages(message.bytes())
    ]


def _parsed(path: Path) -> mido.MidiFile:
    try:
        if path.is_dir():
            raise MidiError(f"{path}: this is a folder; name a MIDI file, which ends in .mid.")
        size = path.stat().st_size
        if size > LARGEST:
            raise MidiError(f"{path}: the file is larger than {LARGEST >> 20} MiB; no performance is.")
        with path.open("rb") as opened:
            if opened.read(4) != b"MThd":
                raise MidiError(f"{path}: this is not a MIDI file (it does not begin with MThd).")
            opened.seek(0)
            return mido.MidiFile(file=opened, clip=True)
    except FileNotFoundError:
        raise MidiError(f"{path}: there is no such file; check the name.") from None
    except EOFError:
        raise MidiError(f"{path}: the MIDI file ends too early; restore a copy or save it again.") from None
    except (OSError, ValueError, LookupError, TypeError, ArithmeticError) as error:
        # mido says what is wrong with the content as an OSError without the system's number.
        if isinstance(error, OSError) and error.strerror:
            said = f"the file cannot be read ({error.strerror}); check its name and its rights."
        else:
            said = f"the MIDI file is damaged ({error}); restore a copy or save it again."
        raise MidiError(f"{path}: {said}") from None


def _timed(file: mido.MidiFile) -> Iterator[tuple[Fraction, mido.Message]]:
    # Tracks merged in order of time; at one time the earlier track comes first.
    merged = []
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            merged.append((tick, message))
    merged.sort(key=lambda pair: pair[0])
    fixed = _fixed_tick(file.ticks_per_beat)
    length = fixed or Fraction(_DEFAULT_TEMPO, 1_000_000 * file.ticks_per_beat)
    now, seconds = 0, Fraction(0)
    for tick, message in merged:
        seconds += (tick - now) * length
        now = tick
        if message.type == "set_tempo" and fixed is None:
            length = Fraction(message.tempo, 1_000_000 * file.ticks_per_beat)
        yield seconds, message


def _fixed_tick(division: int) -> Fraction | None:
    # A negative division counts SMPTE frames (high byte, negated) and ticks in a frame (low byte).
    if division >= 0:
        return None
    frames, ticks = -(division >> 8), max(division & 0xFF, 1)
    rate = Fraction(30_000, 1001) if frames == _DROP_FRAME else Fraction(frames)
    return 1 / (rate * ticks)
