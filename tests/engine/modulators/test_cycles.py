"""Where in its cycle a modulator is: free and in beats, once, and what triggers it anew."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import sawtooth

from instrument.engine.engine import midi_event, set_event
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from tests.engine.modulating import (
    BEAT,
    ON_BEAT,
    ON_NOTE,
    begin_at_beat,
    given,
    heard,
    instance,
    with_modulator,
)
from tests.engine.playing import RATE, started

SAW, FALLING = 2.0, 4.0

BEAT_SAMPLES = 24_000
"""At 120 beats a minute and 48 kHz."""

HOUR_IN_BEATS = 7200


def saw_of(turns: np.ndarray) -> np.ndarray:
    return 2.0 * (turns % 1.0) - 1.0


def samples(count: int, first: int = 1) -> np.ndarray:
    return np.arange(first, first + count)


def test_the_falling_saw_is_the_one_of_scipy() -> None:
    engine = started(with_modulator(MODULATOR_LFO, shape=FALLING, rate=101.7))
    wanted = sawtooth(2 * np.pi * 101.7 * samples(2000) / RATE, 0.0)
    np.testing.assert_allclose(heard(engine, 2000), wanted, atol=1e-9)


def test_in_beats_the_rate_is_cycles_a_beat() -> None:
    engine = started(with_modulator(MODULATOR_LFO, shape=SAW, rate=3.0, sync=BEAT, phase=0.1))
    wanted = saw_of(3.0 * samples(3000) / BEAT_SAMPLES + 0.1)
    np.testing.assert_allclose(heard(engine, 3000), wanted, atol=1e-9)


@pytest.mark.parametrize("rate", [0.25, 1 / 3, -5.0, 7.1])
def test_after_an_hour_a_cycle_is_still_where_the_beat_says_to_a_thousandth_of_a_sample(rate: float) -> None:
    engine = started(with_modulator(MODULATOR_LFO, shape=SAW, rate=rate, sync=BEAT))
    begin_at_beat(engine, HOUR_IN_BEATS)
    found = (heard(engine, 200) + 1.0) / 2.0
    wanted = rate * (HOUR_IN_BEATS + samples(200, 0) / BEAT_SAMPLES)
    apart = (found - wanted + 0.5) % 1.0 - 0.5
    assert np.abs(apart).max() < 1e-3 * abs(rate) / BEAT_SAMPLES


def test_a_rate_that_has_come_to_rest_is_locked_to_the_beat_again() -> None:
    engine = started(with_modulator(MODULATOR_LFO, shape=SAW, rate=1.0, sync=BEAT))
    heard(engine, 1234)
    engine.set("mod.1.rate", 5.0)
    found = heard(engine, 1000)
    wanted = saw_of(5.0 * samples(1000, 1235) / BEAT_SAMPLES)
    np.testing.assert_allclose(found[100:], wanted[100:], atol=1e-9)
    gone_on = saw_of(1235 / BEAT_SAMPLES + 5.0 * np.arange(30) / BEAT_SAMPLES)
    np.testing.assert_allclose(found[:30], gone_on, atol=1e-3)


def test_a_patch_called_again_is_on_the_same_beat() -> None:
    program = with_modulator(MODULATOR_LFO, shape=SAW, rate=0.25, sync=BEAT)
    engine = started(program)
    heard(engine, 10_000)
    engine.play(program)
    engine.render(1)
    wanted = saw_of(0.25 * samples(100, 10_002) / BEAT_SAMPLES)
    np.testing.assert_allclose(heard(engine, 100), wanted, atol=1e-9)


def test_the_gate_starts_a_cycle_on_its_sample() -> None:
    engine = started(with_modulator(MODULATOR_LFO, shape=SAW, rate=100.0))
    found = heard(engine, 500, events=[set_event(300, "mod.1.gate", 1.0)])
    wanted = saw_of(100.0 * samples(500) / RATE)
    wanted[299:] = saw_of(100.0 * np.arange(201) / RATE)
    np.testing.assert_allclose(found, wanted, atol=1e-9)


def test_a_link_can_trigger_at_audio_rate() -> None:
    program = with_modulator(MODULATOR_LFO, shape=SAW, rate=100.0)
    program.modulate(1, MODULATOR_LFO)
    program.set("mod.2.shape", 3.0)
    program.set("mod.2.rate", 480.0)
    program.link(0, 1, "mod.1.gate")
    program.schedule()
    engine = started(program)
    found = heard(engine, 1000)
    wanted = saw_of(100.0 * (samples(1000) % 100) / RATE)
    np.testing.assert_allclose(found, wanted, atol=1e-9)


def test_a_note_starts_a_cycle_on_its_sample() -> None:
    engine = started(with_modulator(MODULATOR_LFO, shape=SAW, rate=100.0, trigger=ON_NOTE))
    events = [midi_event(200, 0x90, 60, 100), midi_event(333, 0x90, 64, 100)]
    found = heard(engine, 500, events=events)
    np.testing.assert_allclose(found[199:332], saw_of(100.0 * np.arange(133) / RATE), atol=1e-9)
    np.testing.assert_allclose(found[332:], saw_of(100.0 * np.arange(168) / RATE), atol=1e-9)


def test_the_beat_starts_a_cycle_on_the_sample_it_falls_on() -> None:
    program = with_modulator(MODULATOR_LFO, shape=SAW, rate=7.0, trigger=ON_BEAT, every=0.25)
    found = heard(started(program), 14_000)
    wanted = saw_of(7.0 * (samples(14_000) % 6000) / RATE)
    np.testing.assert_allclose(found, wanted, atol=1e-9)


@pytest.mark.parametrize(("rate", "end"), [(100.0, 1.0), (-100.0, -1.0)])
def test_once_runs_one_cycle_after_a_trigger_and_holds_its_end(rate: float, end: float) -> None:
    engine = started(with_modulator(MODULATOR_LFO, shape=SAW, rate=rate, once=1.0))
    found = heard(engine, 1500, events=[set_event(300, "mod.1.gate", 1.0)])
    assert (found[:299] == -1.0).all()
    np.testing.assert_allclose(found[300:778], saw_of(rate * np.arange(1, 479) / RATE), atol=1e-9)
    assert (found[781:] == end).all()


def test_once_in_beats_stays_at_its_end_when_the_tempo_begins_anew() -> None:
    program = with_modulator(MODULATOR_LFO, shape=SAW, rate=50.0, once=1.0, sync=BEAT, gate=1.0)
    engine = started(program)
    assert heard(engine, 1000)[-1] == 1.0
    engine.set("tempo.restart", 1.0)
    assert (heard(engine, 1000) == 1.0).all()


def test_a_rate_beyond_the_sample_rate_still_counts_its_cycles() -> None:
    engine = started(with_modulator(MODULATOR_LFO, rate=2.5 * RATE))
    heard(engine, 1000)
    state = instance(engine)["modulator"][0]
    assert (int(state["cycle"]), int(state["phase"])) == (2502, 1 << 63)


@pytest.mark.parametrize("number", [np.nan, np.inf, 1e308, -1e308, 5e-324])
def test_a_rate_that_was_no_rate_is_locked_again_when_it_is_one(number: float) -> None:
    program = with_modulator(MODULATOR_LFO, shape=SAW, rate=2.0, sync=BEAT)
    engine = started(given(program))
    engine.set("mod.1.rate", number)
    assert np.isfinite(heard(engine, 200)).all()
    engine.set("mod.1.rate", 2.0)
    heard(engine, 100)
    np.testing.assert_allclose(heard(engine, 100), saw_of(2.0 * samples(100, 301) / BEAT_SAMPLES), atol=1e-9)
