"""Followers and note values: what is there, as a modulator."""

from __future__ import annotations

import ctypes

import numpy as np
import pytest
from scipy.signal import lfilter

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import FEEDBACK_DELAY_SAMPLES
from instrument.engine.modulators.modulator_table import MODULATOR_FOLLOWER, MODULATOR_NOTE
from instrument.engine.signal.render import stream_callback
from tests.engine.modulating import given, heard, instance, with_modulator
from tests.engine.playing import RATE, bare_program, circle, dot, started

BOTH, LEFT, RIGHT, LAYER_1 = range(4)

KEY, VELOCITY, RELEASE, BEND, PRESSURE, TIMBRE = range(6)

_call = ctypes.CFUNCTYPE(
    ctypes.c_int,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_void_p,
    ctypes.c_uint64,
    ctypes.c_void_p,
)(int(stream_callback.address))


def fed(engine: Engine, incoming: np.ndarray) -> np.ndarray:
    """Hand live input to the callback; return what the first modulator is at every sample."""
    engine.record["input_channels"] = incoming.shape[1]
    found = np.zeros(len(incoming))
    out = np.zeros((FEEDBACK_DELAY_SAMPLES, 2), np.float32)
    for at in range(0, len(incoming), FEEDBACK_DELAY_SAMPLES):
        piece = np.ascontiguousarray(incoming[at : at + FEEDBACK_DELAY_SAMPLES], np.float32)
        _call(piece.ctypes.data, out.ctypes.data, len(piece), None, 0, engine.memory.address)
        found[at : at + len(piece)] = instance(engine)["modulator_rows"][0, : len(piece)]
    return found


def share(seconds: float) -> float:
    return 1.0 - float(np.exp(-1.0 / (seconds * RATE)))


def test_a_rising_level_is_followed_as_a_one_pole_filter_follows_it() -> None:
    engine = started(with_modulator(MODULATOR_FOLLOWER, attack=0.01, release=0.1))
    incoming = np.full((2000, 1), 0.5)
    found = fed(engine, incoming)
    a = share(0.01)
    np.testing.assert_allclose(found, lfilter([a], [1.0, a - 1.0], incoming[:, 0]), atol=1e-12)


def test_a_falling_level_takes_the_time_of_the_release() -> None:
    engine = started(with_modulator(MODULATOR_FOLLOWER, attack=0.0, release=0.1))
    incoming = np.zeros((2000, 2))
    incoming[0] = -0.75, 0.5
    found = fed(engine, incoming)
    np.testing.assert_allclose(found, 0.75 * (1.0 - share(0.1)) ** np.arange(2000), rtol=1e-9)


@pytest.mark.parametrize(("of", "wanted"), [(BOTH, 0.5), (LEFT, 0.25), (RIGHT, 0.5)])
def test_it_follows_the_channel_that_it_is_told(of: int, wanted: float) -> None:
    engine = started(with_modulator(MODULATOR_FOLLOWER, attack=0.0, of=of))
    assert (fed(engine, np.tile([0.25, -0.5], (64, 1))) == wanted).all()


def test_a_level_never_exceeds_one() -> None:
    engine = started(with_modulator(MODULATOR_FOLLOWER, attack=0.0))
    assert fed(engine, np.full((32, 2), 1e30)).max() == 1.0
    assert fed(engine, np.full((32, 2), np.nan)).max() <= 1.0


def test_a_decaying_level_ends_at_zero_and_never_in_subnormals() -> None:
    engine = started(with_modulator(MODULATOR_FOLLOWER, attack=0.0, release=0.001))
    fed(engine, np.ones((16, 2)))
    found = fed(engine, np.zeros((48_000 // 8, 2)))
    assert found[-1] == 0.0
    assert not ((found > 0) & (found < 1e-30)).any()


def test_a_layer_is_followed_sixteen_samples_late() -> None:
    program = bare_program()
    circle(program, 0, 0.5)
    program.set("layer.1.pen.frequency", 300.0)
    program.modulate(0, MODULATOR_FOLLOWER)
    given(program, of=LAYER_1, attack=0.0, release=0.0).schedule()
    found = heard(started(program), 1000)
    turns = 300.0 * (np.arange(1, 1001) - FEEDBACK_DELAY_SAMPLES) / RATE
    wanted = 0.5 * np.maximum(np.abs(np.cos(2 * np.pi * turns)), np.abs(np.sin(2 * np.pi * turns)))
    np.testing.assert_allclose(found[FEEDBACK_DELAY_SAMPLES:], wanted[FEEDBACK_DELAY_SAMPLES:], atol=1e-9)
    assert (found[: FEEDBACK_DELAY_SAMPLES - 1] == 0.0).all()


def notes(program_values: dict[str, float], events: list[tuple[int, int, int, int]], frames: int = 400) -> np.ndarray:
    engine = started(with_modulator(MODULATOR_NOTE, **program_values))
    return heard(engine, frames, events=[midi_event(*event) for event in events])


def test_the_key_is_in_octaves_from_a4_and_the_newest_note_counts() -> None:
    found = notes({"value": KEY}, [(10, 0x90, 81, 90), (50, 0x90, 62, 90), (100, 0x80, 62, 0)])
    assert (found[:9] == 0.0).all()
    assert (found[9:49] == 1.0).all()
    np.testing.assert_allclose(found[49:99], -7 / 12)
    assert (found[99:] == 1.0).all()


def test_the_key_stays_behind_the_last_note() -> None:
    assert (notes({"value": KEY}, [(10, 0x90, 57, 90), (50, 0x80, 57, 0)])[9:] == -1.0).all()


@pytest.mark.parametrize(
    ("value", "message", "wanted"),
    [
        (VELOCITY, (0x92, 60, 127), 1.0),
        (RELEASE, (0x82, 40, 64), 64 / 127),
        (RELEASE, (0x92, 40, 0), 64 / 127),
        (BEND, (0xE2, 0, 0), -1.0),
        (BEND, (0xE2, 127, 127), 1.0),
        (BEND, (0xE2, 0, 64), 0.0),
        (BEND, (0xE1, 0, 0), 0.0),
        (PRESSURE, (0xD2, 127, 0), 1.0),
        (TIMBRE, (0xB2, 74, 127), 1.0),
        (TIMBRE, (0xB2, 75, 127), 0.0),
    ],
)
def test_the_other_values_are_those_of_the_newest_notes_channel(
    value: int, message: tuple[int, int, int], wanted: float
) -> None:
    found = notes({"value": value}, [(10, 0x92, 40, 100), (50, *message)])
    assert found[49:].tolist() == [wanted] * 351


def test_a_glide_moves_in_a_straight_line_from_where_it_is() -> None:
    found = notes({"value": KEY, "glide": 100 / RATE}, [(10, 0x90, 69, 1), (50, 0x90, 81, 1), (100, 0x90, 57, 1)])
    np.testing.assert_allclose(found[49:99], np.arange(1, 51) / 100)
    np.testing.assert_allclose(found[99:199], 0.5 - 1.5 * np.arange(1, 101) / 100, atol=1e-12)
    assert (found[199:] == -1.0).all()


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 1e308, 5e-324])
@pytest.mark.parametrize("name", ["attack", "release", "of"])
def test_any_number_passes_a_follower(name: str, number: float) -> None:
    program = dot(0.5)
    program.modulate(0, MODULATOR_FOLLOWER)
    given(program, of=LAYER_1, attack=0.0, release=0.0).schedule()
    engine = started(program)
    usual = engine.value(f"mod.1.{name}")
    engine.set(f"mod.1.{name}", number)
    assert np.isfinite(heard(engine, 100)).all()
    engine.set(f"mod.1.{name}", usual)
    assert heard(engine, 100)[-1] == 0.5
