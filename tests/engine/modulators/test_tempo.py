"""Tempo: our own beat, tapped or typed, swung, stopped; and one that follows MIDI clock without a jump."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given as given_
from hypothesis import settings
from hypothesis import strategies as st

from instrument.engine.engine import Event, midi_event, set_event
from instrument.engine.memory.layout import FEEDBACK_DELAY_SAMPLES
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from tests.engine.modulating import begin_at_beat, instance, with_modulator
from tests.engine.playing import RATE, dot, started

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from instrument.engine.engine import Engine

CLOCK, START, CONTINUE, STOP, SONG_POSITION = 0xF8, 0xFA, 0xFB, 0xFC, 0xF2
"""MIDI 1.0 Detailed Specification 4.2, tables III and IV; 24 clocks a beat, six of them a unit of song position."""

FOLLOWING = {"tempo.source": 1.0}


def beating(**values: float) -> Engine:
    program = with_modulator(MODULATOR_LFO)
    for address, value in values.items():
        program.set(address, value)
    return started(program)


def beats(
    engine: Engine,
    frames: int,
    events: Iterable[Event] = (),
    row: str = "beat_row",
    block: int = FEEDBACK_DELAY_SAMPLES,
) -> np.ndarray:
    """Render and return the position in beats (or another row of the memory) at every sample."""
    found = np.zeros(frames)
    waiting = sorted(events, key=lambda event: event.time)
    done = 0
    while done < frames:
        count = min(block, frames - done)
        while waiting and waiting[0].time <= engine.time:
            engine.push(waiting.pop(0))
        if waiting:
            count = min(count, waiting[0].time - engine.time)
        engine.render(count, block=count)
        found[done : done + count] = engine.record[row][:count]
        done += count
    return found


def test_the_beat_begins_with_the_program_and_runs_at_its_speed() -> None:
    found = beats(beating(**{"tempo.bpm": 90.0}), 5000)
    np.testing.assert_allclose(found, np.arange(1, 5001) * 1.5 / RATE, atol=1e-12)


def test_an_hour_of_beats_ends_within_a_sample() -> None:
    engine = beating(**{"tempo.bpm": 127.3})
    tempo = engine.record["instances"]["tempo"]
    active = int(engine.record["active"])
    start = int(tempo["whole"][active]) * 2**64 + int(tempo["part"][active])
    engine.render(1)
    step = int(tempo["whole"][active]) * 2**64 + int(tempo["part"][active]) - start
    exact = 127.3 / 60.0 / RATE
    hour = 3600 * int(RATE)
    assert abs(hour * step / 2**64 - 127.3 * 60.0) < exact


def test_a_beat_is_reached_on_its_sample_not_behind_it() -> None:
    for bpm in (120.0, 100.0, 93.75, 60.0):
        found = beats(beating(**{"tempo.bpm": bpm}), int(60 * RATE / bpm) + 5)
        assert int(np.flatnonzero(found >= 1.0)[0]) + 1 == round(60 * RATE / bpm)


def test_it_stops_and_goes_on_where_it_was() -> None:
    events = [set_event(100, "tempo.running", 0.0), set_event(200, "tempo.running", 1.0)]
    found = beats(beating(), 300, events)
    k = np.clip(np.arange(1, 301), None, 100) + np.clip(np.arange(1, 301) - 200, 0, None)
    np.testing.assert_allclose(found, k / 24_000, atol=1e-12)


def test_restart_is_beat_zero_on_its_sample() -> None:
    found = beats(beating(), 300, [set_event(123, "tempo.restart", 1.0)])
    np.testing.assert_allclose(found[122:], np.arange(178) / 24_000, atol=1e-12)


def test_it_goes_on_over_a_change_of_program() -> None:
    engine = beating()
    beats(engine, 1000)
    engine.play(with_modulator(MODULATOR_LFO))
    engine.render(1)
    assert beats(engine, 1)[0] == pytest.approx(1002 / 24_000, abs=1e-12)


@pytest.mark.parametrize(("swing", "place"), [(1 / 3, 2 / 3), (0.0, 0.5), (0.2, 0.6), (-0.2, 0.4)])
def test_swing_delays_the_second_half_of_a_pair(swing: float, place: float) -> None:
    found = beats(beating(**{"tempo.swing": swing}), 24_010)
    half = np.flatnonzero(found >= 0.5 - 1e-9)[0] + 1
    assert abs(half - place * 24_000) <= 1
    assert found[23_999] == pytest.approx(1.0, abs=1e-9)
    assert (np.diff(found) > 0).all()


def test_a_swung_pair_may_be_shorter() -> None:
    found = beats(beating(**{"tempo.swing": 1 / 3, "tempo.pair": 0.5}), 12_010)
    assert abs(np.flatnonzero(found >= 0.25 - 1e-9)[0] + 1 - 8000) <= 1


def taps(*times: int) -> list[Event]:
    return [event for t in times for event in (set_event(t, "tempo.tap", 1.0), set_event(t + 20, "tempo.tap", 0.0))]


def test_taps_set_the_tempo_to_the_mean_of_the_last_four_intervals() -> None:
    engine = beating()
    beats(engine, 1000 + 24_000 * 2, taps(1000, 25_000))
    assert engine.value("tempo.bpm") == pytest.approx(120.0)
    engine = beating()
    times = [1000, 21_000, 40_000, 61_000, 81_500, 102_000]
    beats(engine, 110_000, taps(*times), block=64)
    assert engine.value("tempo.bpm") == pytest.approx(60 * RATE * 4 / (times[-1] - times[1]))


def test_a_long_pause_begins_a_new_row_of_taps() -> None:
    engine = beating()
    beats(engine, 210_000, taps(1000, 25_000, 130_000, 160_000), block=64)
    assert engine.value("tempo.bpm") == pytest.approx(60 * RATE / 30_000)


def ticks(first: float, period: float, count: int, jitter: Sequence[float] = ()) -> list[Event]:
    shifts = list(jitter) or [0.0] * count
    return [midi_event(round(first + period * k + shifts[k % len(shifts)]), CLOCK) for k in range(count)]


def test_the_clock_after_start_is_beat_zero_and_24_of_them_are_a_beat() -> None:
    engine = beating(**FOLLOWING)
    period = 60 * RATE / 100 / 24
    events = [
        *ticks(100, period, 30),
        midi_event(round(100 + 29.5 * period), START),
        *ticks(100 + 30 * period, period, 60),
    ]
    found = beats(engine, int(100 + 90 * period), events)
    k = np.arange(1, len(found) + 1)
    begins = round(100 + 30 * period)
    wanted = (k - begins) / (24 * period)
    assert (found[round(100 + 29.5 * period) - 1 : begins - 1] == 0.0).all()
    np.testing.assert_allclose(found[begins - 1 :], wanted[begins - 1 :], atol=0.02 / 24)


def test_a_jittering_clock_is_followed_smoothly() -> None:
    engine = beating(**FOLLOWING)
    period = 60 * RATE / 126 / 24
    rng = np.random.default_rng(8)
    jitter = rng.uniform(-48, 48, 500).tolist()  # a millisecond either way, as of a busy USB hub
    found = beats(engine, int(490 * period), [midi_event(1, START), *ticks(100, period, 500, jitter)], block=64)
    k = np.arange(1, len(found) + 1)
    error = (found - (k - 100) / (24 * period)) * 24 * period
    settled = error[int(100 * period) :]
    assert np.abs(settled).max() < 36  # samples, of the 48 that come in
    assert settled.std() < 10
    speed = np.diff(found[int(100 * period) :]) * 24 * period
    assert (speed > 0).all()
    assert np.abs(speed - 1).max() < 0.05


def test_a_tempo_that_changes_is_caught_up_with() -> None:
    engine = beating(**FOLLOWING)
    slow, fast = 60 * RATE / 100 / 24, 60 * RATE / 106 / 24
    events = [midi_event(1, START), *ticks(100, slow, 100), *ticks(100 + 100 * slow, fast, 400)]
    frames = int(100 + 100 * slow + 390 * fast)
    found = beats(engine, frames, events, block=64)
    wanted = 100 / 24 + (frames - 100 - 100 * slow) / fast / 24
    assert found[-1] == pytest.approx(wanted, abs=0.05 / 24)
    assert engine.record["bpm_row"][0] == pytest.approx(106.0, abs=0.01)
    assert (np.diff(found) >= 0).all()


def test_stop_holds_the_position_and_continue_goes_on_from_it_at_the_next_clock() -> None:
    engine = beating(**FOLLOWING)
    period = 1000.0
    events = [
        midi_event(1, START),
        *ticks(100, period, 49),
        midi_event(48_200, STOP),
        *ticks(49_100, period, 20),
    ]
    events += [midi_event(68_200, CONTINUE), *ticks(69_100, period, 20)]
    found = beats(engine, 80_000, events, block=64)
    assert np.ptp(found[48_200:69_000]) == 0.0
    assert found[48_300] == pytest.approx(48.1 / 24, abs=0.02)
    assert found[72_099] == pytest.approx(52 / 24, abs=0.05 / 24)


def test_a_song_position_is_where_continue_begins() -> None:
    engine = beating(**FOLLOWING)
    events = [*ticks(100, 1000.0, 10), midi_event(9500, STOP), midi_event(9600, SONG_POSITION, 6, 1)]
    events += [midi_event(9700, CONTINUE), *ticks(10_100, 1000.0, 30)]
    found = beats(engine, 30_000, events)
    # 134 sixteenths are 33 beats and a half.
    assert found[9650] == 33.5
    assert found[10_099 + 24 * 500] == pytest.approx(34.0, abs=0.02 / 24)


def test_a_clock_that_falls_silent_leaves_the_beat_running() -> None:
    engine = beating(**FOLLOWING)
    found = beats(engine, 100_000, [midi_event(1, START), *ticks(100, 1000.0, 49)], block=64)
    assert found[-1] == pytest.approx((100_000 - 100) / 24_000, abs=0.02)


def test_a_clock_that_comes_back_is_joined_without_a_jump() -> None:
    engine = beating(**FOLLOWING)
    events = [midi_event(1, START), *ticks(100, 1000.0, 49), *ticks(70_350, 1000.0, 60)]
    found = beats(engine, 128_000, events, block=64)
    step = np.diff(found) * 24_000
    assert step.min() >= 0.0
    assert step.max() < 3.0
    assert found[-1] * 24 % 1.0 == pytest.approx((128_000 - 70_350) / 1000 % 1.0, abs=0.1)


def test_the_clock_is_not_followed_while_the_beat_is_our_own() -> None:
    found = beats(beating(), 3000, [midi_event(10, START), *ticks(100, 500.0, 5), midi_event(2700, STOP)])
    np.testing.assert_allclose(found, np.arange(1, 3001) / 24_000, atol=1e-12)


REALTIME = st.tuples(st.integers(1, 1400), st.sampled_from([CLOCK, CLOCK, CLOCK, START, CONTINUE, STOP, SONG_POSITION]))


@settings(max_examples=25)
@given_(
    st.lists(REALTIME, max_size=20),
    st.sampled_from([0.0, 1.0]),
    st.floats(-200, 400),
    st.floats(-0.5, 0.5),
    st.lists(st.integers(1, 1400), max_size=5),
)
def test_the_position_does_not_depend_on_the_block_size(
    messages: list[tuple[int, int]], source: float, bpm: float, swing: float, tapped: list[int]
) -> None:
    values = {"tempo.source": source, "tempo.bpm": bpm, "tempo.swing": swing}
    events = [midi_event(t, status, 3, 1) for t, status in messages] + taps(*tapped)
    wanted = beats(beating(**values), 1500, events, block=FEEDBACK_DELAY_SAMPLES)
    for block in (1, 7, 64):
        assert beats(beating(**values), 1500, events, block=block).tobytes() == wanted.tobytes()


@pytest.mark.parametrize("block", [1, 7, 64])
def test_a_tap_that_a_modulator_gives_moves_a_linked_tempo_on_its_sample(block: int) -> None:
    def tapping() -> Engine:
        program = with_modulator(MODULATOR_LFO, shape=3.0, rate=10.0)
        program.modulate(1, MODULATOR_LFO)
        program.set("mod.2.rate", 77.0)
        program.set("link.2.depth", 30.0)
        program.link(0, 0, "tempo.tap")
        program.link(1, 1, "tempo.bpm")
        program.schedule()
        return started(program)

    engine, twin = tapping(), tapping()
    engine.render(15_000, block=block)
    twin.render(15_000, block=15_000)
    assert engine.value("tempo.bpm") == pytest.approx(600.0, rel=1e-3)  # an edge lies between two samples
    assert instance(engine)["tempo"].tobytes() == instance(twin)["tempo"].tobytes()


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 1e308, 5e-324, -1.0])
@pytest.mark.parametrize("name", ["bpm", "running", "source", "swing", "pair", "tap", "restart"])
def test_any_number_passes_and_leaves_nothing(name: str, number: float) -> None:
    engine = beating(**{"tempo.swing": 0.1})
    usual = engine.value(f"tempo.{name}")
    engine.set(f"tempo.{name}", number)
    assert np.isfinite(beats(engine, 200)).all()
    assert np.isfinite(beats(engine, 1, row="bpm_row")).all()
    engine.set(f"tempo.{name}", usual)
    begin_at_beat(engine, 5)
    found = beats(engine, 100)
    assert found[0] == 5.0
    np.testing.assert_allclose(np.diff(found), np.diff(found)[0], rtol=1e-6)


def test_a_program_without_modulators_keeps_the_beat() -> None:
    engine = started(dot(0.5))
    engine.render(999)
    tempo = instance(engine)["tempo"]
    assert float(tempo["whole"]) + float(tempo["part"]) * 2.0**-64 == pytest.approx(1000 / 24_000, abs=1e-12)
