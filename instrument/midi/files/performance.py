"""A Standard MIDI File becomes events with exact sample times, the same live and offline."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from instrument.engine.engine import Event, midi_event
from instrument.midi.files.chunks import Chunks, Oddities, parse_chunks
from instrument.midi.files.track import Track, read_track
from instrument.midi.message_decoder import MidiError

if TYPE_CHECKING:
    from collections.abc import Callable

LARGEST = 32 << 20
"""Bytes of a file that are read; a year of dense playing is smaller."""

LONGEST_SECONDS = 1_000 * 3600
"""Longest time of an event; later ones are a mistake of the file."""

_DEFAULT_TEMPO = 500_000
"""Microseconds a quarter note until the file says otherwise: 120 a minute (Standard MIDI Files 1.0, tempo)."""

_INDEPENDENT = 2
_FRAME_RATES = {24: Fraction(24), 25: Fraction(25), 29: Fraction(30_000, 1001), 30: Fraction(30)}
"""Frames a second by SMPTE's code; 29 is drop-frame (Standard MIDI Files 1.0, division)."""

Timed = tuple[Fraction, tuple[int, int, int]]
"""Seconds, and a complete message."""


def read_performance(path: str | Path, rate: float, tell: Callable[[str], object] | None = None) -> list[Event]:
    """Read a Standard MIDI File, all tracks merged, as events for an instrument that starts at sample 0.

    A file that is not as the standard wants it is played as far as it makes sense.

    Parameters
    ----------
    path : str or Path
    rate : float
        Sample rate in hertz.
    tell : callable, optional
        Takes a sentence for each kind of oddity.

    Returns
    -------
    list of Event
        Messages in order of time, each on the sample nearest to its exact time; those of other kinds only shape the
        tempo.

    Raises
    ------
    MidiError
        If it cannot be read, or is no MIDI file.
    """
    path = Path(path)
    data = _content(path)
    oddities = Oddities()
    try:
        chunks = parse_chunks(data, oddities)
    except MidiError as error:
        raise MidiError(f"{path}: {error}") from None
    exact = Fraction(rate)
    events = []
    for seconds, message in _all_timed(chunks, oddities):
        if seconds > LONGEST_SECONDS:
            oddities.note(f"messages behind {LONGEST_SECONDS // 3600} hours are left out")
        else:
            events.append(midi_event(round(seconds * exact), *message))
    if not events:
        oddities.note("there is no message in it")
    if tell is not None:
        for sentence in oddities.sentences():
            tell(f"{path}: {sentence}")
    return events


def _content(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise MidiError(f"{path}: this is a folder; name a MIDI file, which ends in .mid.")
        with path.open("rb") as opened:
            data = opened.read(LARGEST + 1)
    except FileNotFoundError:
        raise MidiError(f"{path}: there is no such file; check the name.") from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise MidiError(f"{path}: the file cannot be read ({reason}); check its name and its rights.") from None
    if len(data) > LARGEST:
        raise MidiError(f"{path}: the file is larger than {LARGEST >> 20} MiB; no performance is.")
    return data


def _timed(tracks: list[Track], division: int) -> tuple[list[Timed], Fraction]:
    # The messages of tracks that are played together, in order of time, and when the longest of them ends.
    merged = [pair for track in tracks for pair in track.messages]
    merged.sort(key=lambda pair: pair[0])  # at one tick the earlier track comes first
    tempos = sorted((pair for track in tracks for pair in track.tempos), key=lambda pair: pair[0])
    end = max((track.ticks for track in tracks), default=0)
    *seconds, length = _seconds_at([*(tick for tick, _ in merged), end], tempos, division)
    return [(at, message) for at, (_, message) in zip(seconds, merged, strict=True)], length


def _seconds_at(ticks: list[int], tempos: list[tuple[int, int]], division: int) -> list[Fraction]:
    # Whole numbers up to the last division, so that nothing adds up however often the tempo changes.
    if division < 0:
        return [tick / _frame_ticks(division) for tick in ticks]
    seconds = []
    passed = begun = done = 0  # microseconds times division, up to the tick on which the tempo began
    tempo = _DEFAULT_TEMPO
    for tick in ticks:
        while done < len(tempos) and tempos[done][0] <= tick:
            passed += (tempos[done][0] - begun) * tempo
            begun, tempo = tempos[done]
            done += 1
        seconds.append(Fraction(passed + (tick - begun) * tempo, 1_000_000 * division))
    return seconds


def _frame_ticks(division: int) -> Fraction:
    # A negative division counts SMPTE frames (high byte, negated) and ticks in a frame (low byte).
    frames, ticks = -(division >> 8), max(division & 0xFF, 1)
    return _FRAME_RATES.get(frames, Fraction(frames)) * ticks


def _look_at_division(division: int, oddities: Oddities) -> None:
    if division < 0 and -(division >> 8) not in _FRAME_RATES:
        oddities.note(f"SMPTE has no {-(division >> 8)} frames a second, and so it is played")
    if division < 0 and division & 0xFF == 0:
        oddities.note("it says 0 ticks a frame; 1 is taken")


def _all_timed(chunks: Chunks, oddities: Oddities) -> list[Timed]:
    tracks = [read_track(data, number, oddities) for number, data in enumerate(chunks.tracks, 1)]
    _look_at_division(chunks.division, oddities)
    if chunks.kind != _INDEPENDENT:
        return _timed(tracks, chunks.division)[0]
    if len(tracks) > 1:
        oddities.note("its tracks share no time (type 2); they are played one after another")
    found: list[Timed] = []
    start = Fraction(0)
    for track in tracks:
        timed, length = _timed([track], chunks.division)
        found += [(start + seconds, message) for seconds, message in timed]
        start += length
    return found
