"""Write the performance of every patch of the factory set, NAME.mid beside NAME.toml: `python tools/factory/make_performances.py`."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import mido

from instrument.patch.number import note_to_key
from tools.factory.make_performance import Timed, control
from tools.factory.scores import SCORES, Score

FOLDER = Path(__file__).resolve().parents[2] / "patches"

TICKS = 480
STEPS_A_BEAT = 12
"""Places of a knob in a beat, as closely as ramps can be told from them."""

VELOCITY = 90
LEGATO = 0.04
"""Beats for which a note is held on into the next one, so that the gate stays open; struck again, it ends before."""

TAIL = 0.5
"""Beats after the last note."""


def notes(text: str) -> tuple[list[Timed], float]:
    """Return note-ons and note-offs by beat, and the beat at which the last one ends."""
    found: list[Timed] = []
    beat = 0.0
    words = text.split()
    for word, following in zip(words, [*words[1:], ""], strict=True):
        name, length, *rest = word.split(":")
        over = -LEGATO if following.split(":")[0] in {name, ""} else LEGATO
        if name != "-":
            key = note_to_key(name)
            velocity = int(rest[0]) if rest else VELOCITY
            found.append((beat, mido.Message("note_on", note=key, velocity=velocity)))
            found.append((beat + float(length) + over, mido.Message("note_off", note=key, velocity=64)))
        beat += float(length)
    return found, beat


def swept(first: float, last: float) -> list[tuple[float, float]]:
    """Return beats between two, and how far each is along the way."""
    steps = max(round((last - first) * STEPS_A_BEAT), 1)
    return [(first + (last - first) * k / steps, k / steps) for k in range(steps + 1)]


def knobs(score: Score) -> list[Timed]:
    """Return the knobs by beat; what stays where it was is said once."""
    found: list[Timed] = []
    before: dict[int, int] = {}
    ways = [(n, a, b, low, high, None) for n, a, b, low, high in score.knobs]
    for number, first, last, low, high, times in [*ways, *score.waves]:
        for beat, along in swept(first, last):
            reach = along if times is None else math.sin(math.pi * times * along) ** 2
            value = round(low + (high - low) * reach)
            if before.get(number) != value:
                found.append((beat, control(number, value)))
                before[number] = value
    return found


def hands(score: Score) -> list[Timed]:
    """Return buttons, wheel and pressure by beat."""
    found: list[Timed] = []
    for beat, number in score.buttons:
        found += [(beat, control(number, 127)), (beat + 0.2, control(number, 0))]
    for first, last, height, waves in score.bends:
        for beat, along in swept(first, last):
            pitch = round(8191 * height * math.sin(2 * math.pi * waves * along))
            found.append((beat, mido.Message("pitchwheel", pitch=pitch)))
    for first, last, height in score.pressures:
        for beat, along in swept(first, last):
            value = round(127 * height * math.sin(math.pi * along) ** 2)
            found.append((beat, mido.Message("aftertouch", value=value)))
    return found


def performance(name: str) -> mido.MidiFile:
    """Return the performance of a patch."""
    score = SCORES[name]
    played, end = notes(score.notes)
    track = mido.MidiTrack(
        [
            mido.MetaMessage("track_name", name=name),
            mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(score.bpm)),
        ]
    )
    now = 0
    for tick, message in sorted(
        ((round(beat * TICKS), message) for beat, message in [*knobs(score), *hands(score), *played]),
        key=lambda pair: (pair[0], pair[1].type != "note_off", pair[1].type == "note_on"),
    ):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=round((end + TAIL) * TICKS) - now))
    file = mido.MidiFile(type=0, ticks_per_beat=TICKS)
    file.tracks.append(track)
    return file


def main(folder: Path = FOLDER) -> None:
    """Write them all."""
    for name in SCORES:
        performance(name).save(folder / f"{name}.mid")
        print(folder / f"{name}.mid")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
