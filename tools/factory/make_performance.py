"""Write the factory performance, patches/harbour.mid: python3 tools/factory/make_performance.py [FILE].

An evening at the quay in three parts for one voice, eight knobs and the bend wheel, our own composition. Knobs rest
where the factory patches look as they are written, and each part moves some of them and puts them back.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import mido

if TYPE_CHECKING:
    from collections.abc import Callable

FILE = Path(__file__).resolve().parents[2] / "patches" / "harbour.mid"

TICKS = 480
BEATS_A_MINUTE = 76
STEPS_A_BEAT = 12
"""Positions of a knob written for each beat: one every 66 ms, closer than a patch's ramps can be told from."""

BEND_TOP = 8191

EVENING = (
    # Beat, length in beats, key, velocity: the tide comes in, long notes a fifth and a fourth apart.
    (0, 3.5, 45, 70),
    (4, 3.5, 40, 64),
    (8, 3.5, 43, 76),
    (12, 1.75, 38, 60),
    (14, 1.75, 40, 72),
)
"""Bars 1 to 4."""

LAMP_KEYS = (45, 52, 57, 60, 57, 52, 50, 57, 62, 65, 62, 57, 48, 55, 60, 64, 60, 55, 47, 55, 59, 62, 64, 59)
"""The lamp turns: broken chords in sixes, A minor, D minor, C major, E minor with its fourth."""

NIGHT = (
    # The last boat: a slow line down to where it began.
    (32, 2, 57, 96),
    (34, 1, 55, 84),
    (35, 1, 52, 80),
    (36, 2, 53, 88),
    (38, 2, 50, 76),
    (40, 1, 48, 70),
    (41, 1, 47, 66),
    (42, 6, 45, 90),
)
LENGTH = 50
"""Beats in all."""

REST = {1: 0, 2: 40, 3: 42, 4: 64, 5: 20, 6: 32, 7: 112, 8: 64}
"""Place of each knob at rest, by its controller number."""

SWEEPS = (
    # Controller, first beat, last beat, where to, and how often there and back.
    (1, 2, 14, 70, 1),
    (8, 4, 12, 92, 1),
    (4, 8, 16, 96, 1),
    (2, 16, 30, 118, 3),
    (3, 17, 31, 96, 2),
    (6, 20, 32, 84, 1),
    (5, 32, 40, 104, 1),
    (8, 34, 42, 20, 2),
    (1, 40, 48, 118, 1),
)
FADE = (44, 50)
"""Beats over which knob 7 takes the level down to nothing."""

BENDS = (
    # First beat, last beat, height of the bend from -1 to 1, waves.
    (6, 7.5, -0.5, 0.5),
    (14.5, 15.75, 0.25, 2),
    (29, 31.5, 1.0, 0.5),
    (36.5, 38, 0.3, 3),
    (44, 47.5, -1.0, 0.5),
)

Timed = tuple[float, mido.Message]


def notes() -> list[Timed]:
    """Return note-ons and note-offs by beat."""
    line = [
        *EVENING,
        *((16 + k * 2 / 3, 0.5, key, 72 + 8 * (k % 6 == 0)) for k, key in enumerate(LAMP_KEYS)),
        *NIGHT,
    ]
    found: list[Timed] = []
    for beat, length, key, velocity in line:
        found.append((beat, mido.Message("note_on", note=key, velocity=velocity)))
        found.append((beat + length, mido.Message("note_off", note=key, velocity=40)))
    return found


def knobs() -> list[Timed]:
    """Return the knobs' positions by beat: at rest first, then each change of a sweep."""
    found = [(0.0, control(number, value)) for number, value in REST.items()]
    for number, first, last, top, times in SWEEPS:
        found += positions(number, first, last, there_and_back(REST[number], top, times))
    found += positions(7, *FADE, lambda t: REST[7] * (1 - t))
    return found


def positions(number: int, first: float, last: float, value_at: Callable[[float], float]) -> list[Timed]:
    """Return a knob's positions between two beats, those alone that differ from the one before."""
    found: list[Timed] = []
    before = REST[number]
    steps = round((last - first) * STEPS_A_BEAT)
    for k in range(1, steps + 1):
        value = round(value_at(k / steps))
        if value != before:
            found.append((first + k / STEPS_A_BEAT, control(number, value)))
            before = value
    return found


def there_and_back(rest: float, top: float, times: int) -> Callable[[float], float]:
    """Return a smooth way from rest to top and back, so many times while its argument goes from 0 to 1."""
    return lambda t: rest + (top - rest) * math.sin(math.pi * times * t) ** 2


def control(number: int, value: int) -> mido.Message:
    """Return a control change."""
    return mido.Message("control_change", control=number, value=value)


def bends() -> list[Timed]:
    """Return the bend wheel by beat; every bend ends in the middle."""
    found: list[Timed] = []
    for first, last, height, waves in BENDS:
        steps = round((last - first) * STEPS_A_BEAT)
        for k in range(1, steps + 1):
            pitch = round(BEND_TOP * height * math.sin(2 * math.pi * waves * k / steps))
            found.append((first + k / STEPS_A_BEAT, mido.Message("pitchwheel", pitch=pitch)))
        found.append((last, mido.Message("pitchwheel", pitch=0)))
    return found


def track(name: str, timed: list[Timed]) -> mido.MidiTrack:
    """Return a track of messages by beat; at one beat a note ends before another begins."""
    made = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    now = 0
    for tick, message in sorted(
        ((round(beat * TICKS), message) for beat, message in timed),
        key=lambda pair: (pair[0], pair[1].type != "note_off"),
    ):
        made.append(message.copy(time=tick - now))
        now = tick
    made.append(mido.MetaMessage("end_of_track", time=LENGTH * TICKS - now))
    return made


def performance() -> mido.MidiFile:
    """Return the whole file."""
    beat = mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(BEATS_A_MINUTE))
    head = mido.MidiTrack([mido.MetaMessage("track_name", name="Harbour at night"), beat])
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks.extend([head, track("knobs", knobs()), track("wheel", bends()), track("keys", notes())])
    return file


if __name__ == "__main__":
    performance().save(sys.argv[1] if len(sys.argv) > 1 else FILE)
