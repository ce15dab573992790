"""Envelopes: every stage begins and ends on its sample, whatever the times, the beat and the trigger."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given as given_
from hypothesis import settings
from hypothesis import strategies as st

from instrument.engine.engine import midi_event, set_event
from instrument.engine.modulators.modulator_table import MODULATOR_ENVELOPE
from tests.engine.modulating import BEAT, ON_BEAT, ON_NOTE, heard, with_modulator
from tests.engine.playing import RATE, started

OPENS = 100
"""Sample at which the gate opens in these tests."""


def bent(u: np.ndarray, b: float) -> np.ndarray:
    return np.expm1(b * u) / np.expm1(b) if b else u


def envelope(k: np.ndarray, stages: dict[str, float], sustain: float, bends: tuple[float, float]) -> np.ndarray:
    """Return the closed form, k samples after the trigger; times in samples."""
    delay, attack, hold, decay = (stages[name] for name in ("delay", "attack", "hold", "decay"))
    ends = np.cumsum([delay, attack, hold, decay])
    value = np.full(len(k), sustain)
    place = np.searchsorted(ends, k + 1e-6, side="right")
    value[place == 0] = 0.0
    value[place == 1] = bent((k[place == 1] - ends[0]) / max(attack, 1e-300), bends[0])
    value[place == 2] = 1.0
    fall = bent((k[place == 3] - ends[2]) / max(decay, 1e-300), bends[1])
    value[place == 3] = 1.0 + (sustain - 1.0) * fall
    return value


TIMES = st.sampled_from([0.0, 0.01, 0.07, 0.0031, 1 / 48000, 0.5 / 48000]) | st.floats(0.0, 0.03)


@settings(max_examples=40)
@given_(TIMES, TIMES, TIMES, TIMES, st.floats(0.0, 1.0), st.sampled_from([(0.0, 0.0), (3.0, -4.0), (-2.0, 5.0)]))
def test_it_has_the_closed_form_on_every_sample(
    delay: float, attack: float, hold: float, decay: float, sustain: float, bends: tuple[float, float]
) -> None:
    times = {"delay": delay, "attack": attack, "hold": hold, "decay": decay}
    program = with_modulator(MODULATOR_ENVELOPE, **times, sustain=sustain, bend__attack=bends[0], bend__decay=bends[1])
    found = heard(started(program), 6000, events=[set_event(OPENS, "mod.1.gate", 1.0)])
    assert (found[: OPENS - 1] == 0.0).all()
    in_samples = {name: seconds * RATE for name, seconds in times.items()}
    wanted = envelope(np.arange(6001.0 - OPENS), in_samples, sustain, bends)
    np.testing.assert_allclose(found[OPENS - 1 :], wanted, atol=1e-6)


def test_it_is_released_on_its_sample_from_where_it_is() -> None:
    program = with_modulator(MODULATOR_ENVELOPE, attack=0.02, release=0.01, bend__release=-3.0, gate=1.0)
    found = heard(started(program), 2000, events=[set_event(481, "mod.1.gate", 0.0)])
    level = 480 / 960
    wanted = level * (1.0 - bent(np.arange(480) / 480, -3.0))
    np.testing.assert_allclose(found[480:960], wanted, atol=1e-9)
    assert (found[960:] == 0.0).all()


def test_a_trigger_goes_on_from_the_level_it_finds() -> None:
    program = with_modulator(MODULATOR_ENVELOPE, attack=0.01, decay=0.01, sustain=0.5, trigger=ON_NOTE)
    events = [midi_event(10, 0x90, 60, 100), midi_event(2000, 0x90, 62, 100)]
    found = heard(started(program), 3000, events=events)
    np.testing.assert_allclose(found[1999:2479], 0.5 + 0.5 * np.arange(480) / 480, atol=1e-9)
    assert np.abs(np.diff(found)).max() < 1.01 / 480


def test_a_held_note_keeps_it_open_and_the_last_one_let_go_releases_it() -> None:
    program = with_modulator(MODULATOR_ENVELOPE, attack=0.0, decay=0.0, release=0.0, trigger=ON_NOTE)
    events = [midi_event(t, *m) for t, m in [(10, (0x90, 60, 99)), (50, (0x90, 62, 99)), (80, (0x80, 60, 0))]]
    found = heard(started(program), 200, events=[*events, midi_event(120, 0x80, 62, 0)])
    assert np.flatnonzero(found).tolist() == list(range(9, 119))
    assert (found[9:119] == 0.7).all()


def test_a_loop_repeats_to_the_sample_and_never_drifts() -> None:
    attack, decay = 10.3 / RATE, 5.1 / RATE
    program = with_modulator(MODULATOR_ENVELOPE, attack=attack, decay=decay, sustain=0.0, loop=1.0, gate=1.0)
    found = heard(started(program), 15_000)
    k = np.arange(1.0, 15_001.0)
    place = k % 15.4
    wanted = np.where(place < 10.3, place / 10.3, 1.0 - (place - 10.3) / 5.1)
    np.testing.assert_allclose(found, wanted, atol=1e-5)


def test_once_it_goes_to_its_end_though_the_gate_closes() -> None:
    program = with_modulator(MODULATOR_ENVELOPE, attack=0.001, decay=0.001, sustain=0.5, release=0.001, once=1.0)
    events = [set_event(10, "mod.1.gate", 1.0), set_event(12, "mod.1.gate", 0.0)]
    found = heard(started(program), 300, events=events)
    assert found[9 + 48] == 1.0
    assert found[9 + 96] == pytest.approx(0.5, abs=1e-9)
    assert found[9 + 120] == pytest.approx(0.25, abs=1e-9)
    assert (found[9 + 144 :] == 0.0).all()


def test_in_beats_its_times_are_beats_and_the_beat_opens_it() -> None:
    program = with_modulator(
        MODULATOR_ENVELOPE, trigger=ON_BEAT, every=0.5, width=0.25, sync=BEAT,
        attack=0.0625, decay=0.0, sustain=1.0, release=0.125,
    )  # fmt: skip
    found = heard(started(program), 30_000)
    k = np.arange(1, 30_001) % 12_000
    wanted = np.minimum(k / 1500, 1.0)
    wanted = np.where(k >= 3000, np.maximum(1.0 - (k - 3000) / 3000, 0.0), wanted)
    np.testing.assert_allclose(found, wanted, atol=1e-9)


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 1e308, -1e308, 5e-324, -1.0])
@pytest.mark.parametrize("name", ["attack", "decay", "sustain", "release", "bend.attack", "hold", "delay", "loop"])
def test_any_number_passes_and_leaves_nothing(name: str, number: float) -> None:
    engine = started(with_modulator(MODULATOR_ENVELOPE, attack=0.001, decay=0.001, gate=1.0))
    usual = engine.value(f"mod.1.{name}")
    engine.set(f"mod.1.{name}", number)
    assert np.isfinite(heard(engine, 200)).all()
    engine.set(f"mod.1.{name}", usual)
    engine.set("mod.1.gate", 0.0)
    heard(engine, 16)
    engine.set("mod.1.gate", 1.0)
    assert heard(engine, 300)[-1] == 0.7
