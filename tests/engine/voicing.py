"""Programs whose layers keys sound, and what can be seen of their voices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.records import FADE, IDLE, RELEASE
from tests.engine.playing import RATE, bare_program, circle
from tests.reference.midi import (
    NOTE_OFF,
    NOTE_ON,
)
from tests.reference.pitch import A4_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program

OFF, MONO, POLY = 0.0, 1.0, 2.0
SUM, TURNS = 0.0, 1.0
LAST, LOW, HIGH = 0.0, 1.0, 2.0
ON = 1.0
WHOLE = 2.0**64
TOP = 127


def notes(mode: float, layer: int = 1, **parameters: float) -> Program:
    """Return a program of one circle that keys sound; times of a voice are 0 unless given."""
    return with_notes(bare_program(), mode, layer, **parameters)


def with_notes(program: Program, mode: float, layer: int = 1, **parameters: float) -> Program:
    circle(program, layer - 1, 0.25)
    program.set(f"layer.{layer}.pen.frequency", A4_HZ)
    for name, value in {"mode": mode, "attack": 0.0, "release": 0.0, **parameters}.items():
        program.set(f"layer.{layer}.notes.{name}", value)
    program.schedule()
    return program


def play(engine: Engine, *messages: tuple[int, ...]) -> None:
    for message in messages:
        assert engine.push(midi_event(0, *message))


def key(number: int, velocity: int = 100, channel: int = 0) -> tuple[int, int, int]:
    return (NOTE_ON + channel, number, velocity)


def up(number: int, channel: int = 0) -> tuple[int, int, int]:
    return (NOTE_OFF + channel, number, 64)


def voices(engine: Engine, layer: int = 1) -> NDArray[np.void]:
    """Return the voices of a layer that are neither silent nor fading, oldest first."""
    rows = engine.record["instances"][int(engine.record["active"])]["layer_voices"][layer - 1]
    sounding = rows[(rows["stage"] != IDLE) & (rows["stage"] != FADE)]
    return np.asarray(sounding[np.argsort(sounding["order"])])


def keys(engine: Engine, layer: int = 1) -> list[int]:
    rows = voices(engine, layer)
    return [int(row["key"]) for row in rows if row["stage"] != RELEASE]


def hertz(engine: Engine, frames: int = 64) -> float:
    """Return the frequency at which the pen of the newest voice goes round."""
    gone = 0
    for _ in range(frames // 8):
        before = int(voices(engine)[-1]["pen"])
        engine.render(8)
        gone += (int(voices(engine)[-1]["pen"]) - before) % int(WHOLE)
    return float(gone / WHOLE / (frames // 8 * 8) * RATE)
