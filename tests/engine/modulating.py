"""How the tests of modulators build their programs, and how they read what a modulator is at every sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.memory.layout import FEEDBACK_DELAY_SAMPLES
from tests.engine.playing import bare_program, started

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from instrument.engine.engine import Engine, Event
    from instrument.engine.program import Program

FREE, BEAT = 0.0, 1.0
"""Choices of `sync`."""

ON_GATE, ON_NOTE, ON_BEAT = 0.0, 1.0, 2.0
"""Choices of `trigger`."""


def with_modulator(kind: int, **values: float) -> Program:
    """Return a program of one modulator; values are its parameters, a dot in their names written as two underscores.

    The tempo is 120 beats a minute: 24,000 samples a beat at 48 kHz.
    """
    program = bare_program()
    program.modulate(0, kind)
    given(program, **values)
    program.schedule()
    return program


def given(program: Program, **values: float) -> Program:
    """Set parameters of a program's first modulator."""
    for name, value in values.items():
        program.set(f"mod.1.{name.replace('__', '.')}", value)
    return program


def heard(engine: Engine, frames: int, *, number: int = 0, events: Iterable[Event] = ()) -> NDArray[np.float64]:
    """Render and return what a modulator is at every sample.

    Returns
    -------
    np.ndarray [shape=(frames,), dtype=float64]
    """
    found = np.zeros(frames)
    waiting = sorted(events, key=lambda event: event.time)
    done = 0
    while done < frames:
        # No longer than the shortest chunk, and never across an event: the row then holds all of what was rendered.
        count = min(FEEDBACK_DELAY_SAMPLES, frames - done)
        while waiting and waiting[0].time <= engine.time:
            engine.push(waiting.pop(0))
        if waiting:
            count = min(count, waiting[0].time - engine.time)
        engine.render(count, block=count)
        found[done : done + count] = instance(engine)["modulator_rows"][number, :count]
        done += count
    return found


def instance(engine: Engine) -> np.void:
    """Return what plays."""
    return engine.record["instances"][int(engine.record["active"])]  # type: ignore[no-any-return]


def begin_at_beat(engine: Engine, whole: int, part: float = 0.0) -> None:
    """Let a running engine's next sample lie at a position in beats."""
    tempo = engine.record["instances"]["tempo"]
    tempo["whole"] = whole
    tempo["part"] = int(part * 2**64)
    tempo["arrived"] = 1


def playing(program: Program) -> Engine:
    """Return an engine whose next sample is the program's second, as `started` does."""
    return started(program)
