"""The figures beside the picture are those of the engine, at the pitch that is played now."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from instrument.engine.memory.allocation import allocate
from instrument.engine.memory.layout import EVENT_SET
from instrument.engine.parameters import index_of
from instrument.patch.number import key_to_hertz
from instrument.window.readings import (
    FALL,
    FLOOR,
    GLOW,
    CallbackLoad,
    Levels,
    PortActivity,
    blurred_layer,
    describe,
    legibility,
)
from tests.window.memory import RATE, write_log

Record = npt.NDArray[np.void]


@pytest.fixture
def record() -> Record:
    return allocate(RATE, ring_seconds=0.01).record


class TestLevels:
    @pytest.mark.parametrize(
        ("peak", "decibels"),
        # 20 log10 of the ratio: ISO 80000-3, logarithmic quantities (from memory).
        [(1.0, 0.0), (0.5, -6.0206), (0.1, -20.0)],
    )
    def test_a_level_is_twenty_times_the_logarithm_of_the_peak(self, peak: float, decibels: float) -> None:
        levels = Levels()
        levels.update(np.array([[0.0, 0.0], [-peak, 0.25]], np.float32), 0.01)
        assert levels.decibels[0] == pytest.approx(decibels, abs=1e-4)
        assert levels.decibels[1] == pytest.approx(-12.0412, abs=1e-4)

    def test_a_level_falls_slowly_enough_to_be_read(self) -> None:
        levels = Levels()
        levels.update(np.ones((1, 2), np.float32), 0.01)
        levels.update(np.empty((0, 2), np.float32), 1.0)
        assert levels.decibels == pytest.approx([-FALL, -FALL])

    def test_silence_is_the_floor(self) -> None:
        levels = Levels()
        levels.update(np.zeros((10, 2), np.float32), 1e6)
        assert levels.decibels == [FLOOR, FLOOR]


class TestCallbackLoad:
    def test_the_load_is_time_taken_over_time_there_was(self, record: Record) -> None:
        load = CallbackLoad(record, RATE)
        record["counters"]["frames"] += 24_000
        record["counters"]["total_ns"] += 125_000_000
        load.update(0.5)
        assert load.share == pytest.approx(0.25)

    def test_no_block_in_the_interval_is_no_load(self, record: Record) -> None:
        load = CallbackLoad(record, RATE)
        load.update(1.0)
        assert load.share == 0.0


class TestPortActivity:
    def test_the_latest_message_is_said_in_words(self, record: Record) -> None:
        midi = PortActivity(record)
        write_log(record, (0x90, 69, 100))
        write_log(record, (0xB0, 21, 64))
        midi.update(0.01)
        assert midi.message == "control 21 = 64"

    def test_a_message_goes_out_of_sight(self, record: Record) -> None:
        midi = PortActivity(record)
        write_log(record, (0x90, 69, 100))
        midi.update(0.01)
        midi.update(GLOW)
        assert midi.message == ""

    def test_other_events_are_not_midi(self, record: Record) -> None:
        midi = PortActivity(record)
        write_log(record, (0, 0, 0), kind=EVENT_SET)
        midi.update(0.01)
        assert midi.message == ""

    @pytest.mark.parametrize(
        ("message", "words"),
        # MIDI 1.0 Detailed Specification, table 1; velocity 0 ends a note; 2000H is the centre of the bend.
        [
            ((0x90, 60, 1), "note C4"),
            ((0x9F, 60, 0), "note C4 off"),
            ((0x80, 60, 64), "note C4 off"),
            ((0xA0, 60, 5), "key pressure 5"),
            ((0xB1, 7, 127), "control 7 = 127"),
            ((0xC0, 12, 0), "program 12"),
            ((0xD0, 99, 0), "pressure 99"),
            ((0xE0, 0x00, 0x40), "bend 0"),
            ((0xE0, 0x7F, 0x7F), "bend 8191"),
            ((0xF8, 0, 0), "message F8"),
        ],
    )
    def test_each_kind_of_message_has_its_words(self, message: tuple[int, int, int], words: str) -> None:
        assert describe(*message) == words


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


def test_the_layer_that_blurs_most_is_named(record: Record) -> None:
    play(record, 1, 100.0)
    play(record, 3, 1000.0)
    assert blurred_layer(record, RATE, [{"layer": 1, "corners": 100}, {"layer": 3, "corners": 49}]) == 3
    assert blurred_layer(record, RATE, [{"layer": 1, "corners": 481}, {"layer": 3, "corners": 2}]) == 1
    assert blurred_layer(record, RATE, [{"layer": 1, "corners": 100}]) == 0
    assert blurred_layer(record, RATE, None) == 0


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
