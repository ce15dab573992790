"""Sound servers of their own for all tests that want one, and programs that can be measured."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.memory.layout import MESSAGES
from instrument.engine.parameters import index_of
from instrument.engine.program import Program, new_program
from tools.trials.stand_ins import jack_server

if TYPE_CHECKING:
    from collections.abc import Iterator

PERIOD = 64
RATE = 48_000


@pytest.fixture(scope="session")
def jack() -> Iterator[str]:
    """Name of a real-time JACK server without hardware, at 48 kHz in blocks of 64, that clients find by default."""
    try:
        with jack_server(RATE, PERIOD) as name:
            yield name
    except RuntimeError as error:
        if os.environ.get("CI") == "true":
            raise
        pytest.skip(str(error))


@pytest.fixture(scope="session")
def logs() -> Path:
    """Folder of the logs of the shows that these tests play."""
    return Path(os.environ["XDG_STATE_HOME"]) / "beamhand" / "log"


@pytest.fixture
def level_program() -> Program:
    """A constant on both channels that controller 1 moves at once from 0 to 0.5, with the key as the second level."""
    program = new_program()
    program.record["ramp_seconds"] = 0.0
    program.record["fade_seconds"] = 0.0
    for k, (message, number, address) in enumerate([("cc", 1, "output.offset.x"), ("note", -1, "output.offset.y")]):
        row = program.record["controls"][k]
        row["lo"], row["hi"] = 0.0, 0.5
        row["message"] = MESSAGES.index(message)
        row["channel"] = -1
        row["number"] = number
        row["param"] = index_of(address)
    program.record["n_controls"] = 2
    return program


@pytest.fixture
def tone_program() -> Program:
    """A circle at 440 Hz."""
    program = new_program()
    program.draw_harmonic(0, (np.array([[0.5, 1.0, 0.25]]), np.array([[0.5, 1.0, 0.0]]), np.zeros((0, 3))))
    program.set("layer.1.pen.frequency", 440.0)
    return program
