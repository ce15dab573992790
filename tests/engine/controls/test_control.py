"""From raw MIDI to parameters, through the patch's table of controls."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import CURVES, HELD_NOTES
from tests.engine.playing import RATE, listen_to, one_circle, started
from tests.reference.midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    BEND_CENTRE,
    BEND_HIGHEST,
    BEND_LOWEST,
    CHANNEL_PRESSURE,
    CHANNELS,
    CONTROL_CHANGE,
    HIGHEST_DATA,
    MIDDLE_C,
    NOTE_OFF,
    NOTE_ON,
    PITCH_BEND,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

PARAMETER = "output.offset.x"
UNTOUCHED = -77.0


def listening(control: str, low: float = 0.0, high: float = 127.0, **more: int) -> Engine:
    """Return an engine whose one control moves one parameter."""
    program = one_circle()
    program.set(PARAMETER, UNTOUCHED)
    listen_to(program, control, PARAMETER, low, high, **more)
    return started(program)


def after(engine: Engine, *messages: tuple[int, ...]) -> float:
    """Send raw messages and return the parameter's value."""
    for message in messages:
        assert engine.push(midi_event(0, *message))
        engine.render(1)
    return engine.value(PARAMETER)


def bend(value: int, channel: int = 0) -> tuple[int, int, int]:
    return (PITCH_BEND + channel, value & 0x7F, value >> 7)


@pytest.mark.parametrize(
    ("control", "message", "wanted"),
    [
        ("cc", (CONTROL_CHANGE, 7, 90), 90.0),
        ("note", (NOTE_ON, 60, 90), 60.0),
        ("velocity", (NOTE_ON, 60, 90), 90.0),
        ("gate", (NOTE_ON, 60, 90), 127.0),
        ("pad", (NOTE_ON, 60, 90), 90.0),
        ("pressure", (CHANNEL_PRESSURE, 90), 90.0),
        ("bend", bend(BEND_HIGHEST), 127.0),
    ],
)
def test_each_kind_of_message_moves_the_controls_that_listen_to_it(
    control: str, message: tuple[int, ...], wanted: float
) -> None:
    assert after(listening(control), message) == wanted


@pytest.mark.parametrize("control", ["cc", "note", "velocity", "gate", "pad", "pressure", "bend", "none"])
def test_no_other_kind_of_message_moves_a_control(control: str) -> None:
    messages = {
        "cc": (CONTROL_CHANGE, 7, 90),
        "pressure": (CHANNEL_PRESSURE, 90),
        "bend": bend(1000),
        "note": (NOTE_ON, 60, 90),
    }
    others = [message for name, message in messages.items() if name != control]
    if control in ("velocity", "gate", "pad"):
        others = others[:-1]
    assert after(listening(control), *others) == UNTOUCHED


@pytest.mark.parametrize(
    ("status", "control"),
    [(CONTROL_CHANGE, "cc"), (NOTE_ON, "note"), (PITCH_BEND, "bend"), (CHANNEL_PRESSURE, "pressure")],
)
def test_a_control_with_a_channel_hears_only_that_one(status: int, control: str) -> None:
    for channel in range(CHANNELS):
        value = after(listening(control, channel=9), (status + channel, 64, 64))
        assert (value != UNTOUCHED) == (channel == 9)


@pytest.mark.parametrize(("status", "control"), [(CONTROL_CHANGE, "cc"), (NOTE_ON, "pad"), (NOTE_ON, "gate")])
def test_a_control_with_a_number_hears_only_that_one(status: int, control: str) -> None:
    for number in (0, 1, 73, 75, 119):
        assert after(listening(control, number=74), (status, number, 64)) == UNTOUCHED
    assert after(listening(control, number=74), (status, 74, 64)) != UNTOUCHED


def test_several_controls_may_listen_to_one_message() -> None:
    program = one_circle()
    listen_to(program, "cc", "output.offset.x", 0.0, 1.0, number=1)
    listen_to(program, "cc", "output.offset.y", 1.0, -1.0, number=1)
    engine = started(program)
    after(engine, (CONTROL_CHANGE, 1, 127))
    assert engine.value("output.offset.x") == 1.0
    assert engine.value("output.offset.y") == -1.0


@pytest.mark.parametrize(
    ("curve", "low", "high", "formula"),
    [
        ("lin", -2.0, 6.0, lambda t: -2.0 + 8.0 * t),
        ("lin", 6.0, -2.0, lambda t: 6.0 - 8.0 * t),
        ("exp", 55.0, 880.0, lambda t: 55.0 * 16.0**t),
        ("exp", 880.0, 55.0, lambda t: 880.0 / 16.0**t),
        ("exp", -1.0, -100.0, lambda t: -(100.0**t)),
        ("log", 10.0, 30.0, lambda t: 10.0 + 20.0 * math.log10(1.0 + 9.0 * t)),
    ],
)
def test_a_sweep_follows_its_curve_from_end_to_end(curve: str, low: float, high: float, formula) -> None:  # type: ignore[no-untyped-def]
    engine = listening("cc", low, high, curve=CURVES.index(curve))
    found = [after(engine, (CONTROL_CHANGE, 7, value)) for value in range(HIGHEST_DATA + 1)]
    np.testing.assert_allclose(found, [formula(value / HIGHEST_DATA) for value in range(128)], rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize(
    "points",
    [
        [(0.0, 0.0), (1.0, 1.0)],
        [(0.0, 1.0), (0.25, 0.0), (0.5, 0.8), (1.0, 0.3)],
        [(0.0, 0.2), (0.5, 0.2), (0.5, 0.9), (1.0, 0.9)],
    ],
)
def test_a_sweep_through_points_is_linear_between_them(points: list[tuple[float, float]]) -> None:
    program = one_circle()
    listen_to(program, "cc", PARAMETER, 10.0, 20.0, curve=CURVES.index("points"), first_point=5, points=len(points))
    program.record["curve_points"][:] = 99.0
    program.record["curve_points"][5 : 5 + len(points)] = points
    engine = started(program)
    found = [after(engine, (CONTROL_CHANGE, 7, value)) for value in range(HIGHEST_DATA + 1)]
    x, y = np.array(points).T
    np.testing.assert_allclose(found, 10.0 + 10.0 * np.interp(np.arange(128) / 127, x, y), rtol=1e-12)


def test_a_key_number_maps_to_itself_exactly() -> None:
    engine = listening("note")
    assert [after(engine, (NOTE_ON, key, 1), (NOTE_OFF, key, 0)) for key in range(128)] == list(range(128))


# Pitch Bend Change has 14 bits with its centre at 2000H: MIDI 1.0 Detailed Specification.
def test_the_centre_of_the_bend_is_exactly_the_middle_and_its_ends_are_the_ends() -> None:
    engine = listening("bend", -2.0, 2.0)
    assert after(engine, bend(BEND_CENTRE)) == 0.0
    assert after(engine, bend(BEND_LOWEST)) == -2.0
    assert after(engine, bend(BEND_HIGHEST)) == 2.0


def test_the_bend_resolves_all_of_its_14_bits() -> None:
    engine = listening("bend", -1.0, 1.0)
    around = [
        *range(100),
        *range(BEND_CENTRE - 200, BEND_CENTRE + 200),
        *range(BEND_HIGHEST - 99, BEND_HIGHEST + 1),
    ]
    found = np.array([after(engine, bend(value)) for value in around])
    assert (np.diff(found) > 0.0).all()
    below = np.array(around) < BEND_CENTRE
    wanted = (np.array(around) - BEND_CENTRE) / np.where(below, BEND_CENTRE, BEND_HIGHEST - BEND_CENTRE)
    np.testing.assert_allclose(found, wanted, atol=1e-12)


def test_the_newest_note_has_priority_and_hands_back_to_the_newest_still_held() -> None:
    engine = listening("note")
    assert after(engine, (NOTE_ON, 60, 1), (NOTE_ON, 64, 1), (NOTE_ON, 67, 1)) == 67
    assert after(engine, (NOTE_OFF, 64, 0)) == 67
    assert after(engine, (NOTE_OFF, 67, 0)) == 60
    assert after(engine, (NOTE_ON, 48, 1)) == 48
    assert after(engine, (NOTE_OFF, 48, 0)) == 60
    assert after(engine, (NOTE_OFF, 60, 0)) == 60


def test_a_note_struck_again_is_the_newest() -> None:
    engine = listening("note")
    after(engine, (NOTE_ON, 60, 1), (NOTE_ON, 64, 1), (NOTE_ON, 60, 1))
    assert int(engine.record["n_held_notes"]) == 2
    assert after(engine, (NOTE_OFF, 60, 0)) == 64


def test_the_gate_is_open_while_any_note_is_held() -> None:
    engine = listening("gate", 0.0, 1.0)
    assert after(engine, (NOTE_ON, 60, 1)) == 1.0
    assert after(engine, (NOTE_ON, 64, 1), (NOTE_OFF, 60, 0)) == 1.0
    assert after(engine, (NOTE_OFF, 64, 0)) == 0.0
    assert after(engine, (NOTE_OFF, 64, 0)) == 0.0


def test_a_pad_follows_its_own_key_alone() -> None:
    engine = listening("pad", number=36)
    assert after(engine, (NOTE_ON, 36, 100), (NOTE_ON, 40, 50)) == 100.0
    assert after(engine, (NOTE_OFF, 40, 0)) == 100.0
    assert after(engine, (NOTE_OFF, 36, 0)) == 0.0


# A Note On with velocity 0 is a Note Off: MIDI 1.0 Detailed Specification, Note Off.
def test_a_note_on_without_velocity_is_a_note_off() -> None:
    engine = listening("gate", 0.0, 1.0)
    assert after(engine, (NOTE_ON, 60, 1)) == 1.0
    assert after(engine, (NOTE_ON, 60, 0)) == 0.0


@pytest.mark.parametrize("filters", [{"channel": 2}, {"number": 60}])
def test_a_gate_closes_behind_the_last_note_that_it_hears(filters: dict[str, int]) -> None:
    engine = listening("gate", 0.0, 1.0, **filters)
    mine, other = (2, 60), (4, 62)
    assert after(engine, (NOTE_ON + mine[0], mine[1], 9), (NOTE_ON + other[0], other[1], 9)) == 1.0
    assert after(engine, (NOTE_OFF + mine[0], mine[1], 0)) == 0.0
    assert after(engine, (NOTE_OFF + other[0], other[1], 0)) == 0.0


def test_a_note_control_with_a_channel_hands_back_to_the_note_held_on_that_channel() -> None:
    engine = listening("note", channel=2)
    after(engine, (NOTE_ON + 2, 50, 9), (NOTE_ON + 2, 60, 9), (NOTE_ON + 4, 70, 9))
    assert after(engine, (NOTE_OFF + 2, 60, 0)) == 50.0


def test_where_voices_run_out_the_oldest_note_gives_way() -> None:
    engine = listening("note")
    keys = range(40, 40 + HELD_NOTES + 3)
    assert after(engine, *[(NOTE_ON, key, 1) for key in keys]) == keys[-1]
    assert int(engine.record["n_held_notes"]) == HELD_NOTES
    assert engine.record["held_notes"]["key"].tolist() == list(keys[3:])
    assert after(engine, *[(NOTE_OFF, key, 0) for key in keys[4:]]) == keys[3]
    assert after(engine, (NOTE_OFF, keys[3], 0)) == keys[3]
    assert int(engine.record["n_held_notes"]) == 0


@pytest.mark.parametrize("number", [ALL_SOUND_OFF, ALL_NOTES_OFF])
def test_all_notes_off_releases_the_notes_of_its_channel(number: int) -> None:
    engine = listening("gate", 0.0, 1.0)
    after(engine, (NOTE_ON, 60, 1), (NOTE_ON, 64, 1), (NOTE_ON + 5, MIDDLE_C, 1))
    assert after(engine, (CONTROL_CHANGE, number, 0)) == 1.0
    assert int(engine.record["n_held_notes"]) == 1
    assert after(engine, (CONTROL_CHANGE + 5, number, 0)) == 0.0


def test_the_pitch_stays_while_all_notes_are_let_go() -> None:
    engine = listening("note")
    after(engine, (NOTE_ON, 48, 1), (NOTE_ON, 60, 1), (NOTE_ON, 72, 1))
    assert after(engine, (CONTROL_CHANGE, ALL_NOTES_OFF, 0)) == 72.0


def test_a_control_ramps_its_parameter() -> None:
    program = one_circle()
    program.record["ramp_seconds"] = 100 / RATE
    listen_to(program, "cc", PARAMETER, 0.0, 0.5)
    engine = started(program)
    engine.push(midi_event(0, CONTROL_CHANGE, 7, 127))
    engine.render(50)
    assert engine.value(PARAMETER) == pytest.approx(0.25)
    engine.render(50)
    assert engine.value(PARAMETER) == 0.5


def test_a_control_of_a_parameter_that_selects_does_not_ramp() -> None:
    program = one_circle()
    program.record["ramp_seconds"] = 0.1
    listen_to(program, "cc", "layer.1.pen.direction", 0.0, 2.0)
    engine = started(program)
    engine.push(midi_event(0, CONTROL_CHANGE, 7, 127))
    engine.render(1)
    assert engine.value("layer.1.pen.direction") == 2.0


def test_readers_see_the_latest_controllers_bends_and_pressures() -> None:
    engine = listening("none")
    after(engine, (CONTROL_CHANGE + 3, 74, 99), (CHANNEL_PRESSURE + 4, 55), bend(9000, channel=15))
    assert engine.record["cc"][3, 74] == 99
    assert engine.record["pressure"][4] == 55
    assert engine.record["bend"][15] == 9000
    assert engine.record["bend"][0] == BEND_CENTRE


def test_a_data_byte_above_127_counts_by_its_lower_seven_bits() -> None:
    assert after(listening("cc"), (CONTROL_CHANGE, 7, 0x80 + 90)) == 90.0
    assert after(listening("cc", number=7), (CONTROL_CHANGE, 0x80 + 7, 90)) == 90.0


BYTES = st.integers(0, 255)


@settings(max_examples=60)
@given(st.lists(st.tuples(BYTES, BYTES, BYTES), max_size=60))
def test_no_sequence_of_bytes_does_harm(messages: list[tuple[int, int, int]]) -> None:
    program = one_circle()
    for control in ("cc", "note", "velocity", "gate", "pad", "bend", "pressure"):
        listen_to(program, control, f"layer.1.place.{'scale.x' if control == 'cc' else 'turn.z'}", -1.0, 1.0)
    engine = started(program)
    for message in messages:
        engine.push(midi_event(0, *message))
    out: NDArray[np.float32] = engine.render(200)
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= 1.0
    assert 0 <= int(engine.record["n_held_notes"]) <= HELD_NOTES
    held = engine.record["held_notes"][: int(engine.record["n_held_notes"])]
    assert len({(int(v["channel"]), int(v["key"])) for v in held}) == len(held)
    assert engine.record["cc"].max() <= HIGHEST_DATA
    assert ((engine.record["bend"] >= BEND_LOWEST) & (engine.record["bend"] <= BEND_HIGHEST)).all()


@pytest.mark.parametrize("control", ["gate", "pad"])
def test_a_note_that_gave_way_still_closes_what_its_own_key_held_open(control: str) -> None:
    engine = listening(control, 0.0, 1.0, number=40)
    keys = range(40, 40 + HELD_NOTES + 1)
    after(engine, *[(NOTE_ON, key, 127) for key in keys])
    assert after(engine, *[(NOTE_OFF, key, 0) for key in keys]) == 0.0
