"""The window says how many points draw one cycle beside the drawing's corners, at the pitch that is played now."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from instrument.engine.memory.allocation import allocate
from instrument.engine.parameters import index_of
from instrument.patch.number import key_to_hertz
from instrument.window.legibility import legibility
from tests.window.memory import RATE

Record = npt.NDArray[np.void]


@pytest.fixture
def record() -> Record:
    return allocate(RATE, ring_seconds=0.01).record


def play(record: Record, layer: int = 1, frequency: float = 110.0, key: float = 69.0, bend: float = 0.0) -> None:
    values = record["instances"][int(record["active"])]["value"]
    for name, value in (("frequency", frequency), ("key", key), ("bend", bend)):
        values[index_of(f"layer.{layer}.pen.{name}")] = value


def test_points_are_the_rate_over_the_frequency(record: Record) -> None:
    play(record, frequency=100.0)
    words, _ = legibility(record, RATE, [{"layer": 1, "corners": 88}])
    assert words == "480 points for 88 corners"


def test_a_drawing_with_more_corners_than_points_blurs(record: Record) -> None:
    play(record, frequency=100.0)
    assert legibility(record, RATE, [{"layer": 1, "corners": 481}])[0].startswith("blurred: 480 points")
    assert not legibility(record, RATE, [{"layer": 1, "corners": 480}])[0].startswith("blurred")


def test_key_and_bend_move_the_pitch_in_equal_temperament(record: Record) -> None:
    play(record, frequency=440.0, key=59.0, bend=1.0)
    points = int(RATE / key_to_hertz(60.0))  # ISO 16 for A4, twelve equal steps an octave
    assert legibility(record, RATE, [{"layer": 1, "corners": 4}])[0] == f"{points} points for 4 corners"


def test_of_several_drawings_the_worst_is_told(record: Record) -> None:
    play(record, 1, 100.0)
    play(record, 3, 1000.0)
    drawings = [{"layer": 1, "corners": 100}, {"layer": 3, "corners": 24}]
    assert legibility(record, RATE, drawings)[0] == "48 points for 24 corners"


@pytest.mark.parametrize("frequency", [0.0, np.inf, -np.inf, np.nan, 1e308, 5e-324])
def test_any_number_gives_words_or_none(record: Record, frequency: float) -> None:
    play(record, frequency=frequency, key=1e4)
    words, widest = legibility(record, RATE, [{"layer": 1, "corners": 88}])
    assert len(words) <= len(widest)


@pytest.mark.parametrize(
    "said", [None, "x", {}, [1], [{}], [{"layer": 99, "corners": 3}], [{"layer": "a", "corners": 3}], []]
)
def test_what_is_no_drawing_gives_no_words(record: Record, said: Any) -> None:
    assert legibility(record, RATE, said) == ("", "")
