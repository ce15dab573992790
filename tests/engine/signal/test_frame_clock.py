"""Frames follow their own speed, the beat or the hand; pages turn when the pen begins a round; no block shows."""

import numpy as np
import pytest
from numpy.typing import NDArray

from instrument.engine.engine import Engine, midi_event
from instrument.engine.program import Program
from tests.engine.playing import RATE, bare_program, started

FRAMES = 20
STEP = 0.01
"""By so much each frame lies further to the right than the one before."""


def clip(seconds: float = 0.8, blend: float = 0.0, pen: float = RATE, **values: float) -> Program:
    """Return a program whose frames are single points, and whose pen by default begins a round at every sample."""
    program = bare_program()
    points = np.zeros((FRAMES, 2, 3))
    points[:, :, 0] = STEP * np.arange(FRAMES)[:, None]
    program.draw_path(0, points, seconds)
    # A step of a whole turn is none: the pen begins anew at almost every sample instead.
    program.set("layer.1.pen.frequency", pen * 0.4999)
    program.set("layer.1.source.blend", blend)
    for name, value in values.items():
        program.set(f"layer.1.source.{name}", value)
    program.schedule()
    return program


def pages(engine: Engine, samples: int) -> NDArray[np.float64]:
    """Return the frame that is heard at each sample."""
    return np.asarray(engine.render(samples)[:, 0], np.float64) / STEP


def heard(engine: Engine, samples: int = 3) -> float:
    return float(pages(engine, samples)[-1])


@pytest.mark.parametrize("seconds", [0.8, 1 / 3, 0.77])
def test_a_frame_is_there_on_its_very_sample_and_not_one_later(seconds: float) -> None:
    engine = started(clip(seconds, blend=1.0))
    found = pages(engine, round(3 * seconds * RATE))
    # The program's own sample 1 comes first.
    due = (np.arange(1, len(found) + 1) * FRAMES / (seconds * RATE)) % FRAMES
    inner = due < FRAMES - 1
    assert found[inner] == pytest.approx(due[inner], abs=1e-4)


def test_speed_may_be_played_stopped_and_turned_round() -> None:
    engine = started(clip(blend=1.0))
    quarter = round(0.2 * RATE)
    engine.set("layer.1.source.speed", 2.0)
    assert heard(engine, quarter) == pytest.approx(10, abs=0.01)
    engine.set("layer.1.source.speed", 0.0)
    assert heard(engine, quarter) == pytest.approx(10, abs=0.01)
    engine.set("layer.1.source.speed", -1.0)
    assert heard(engine, quarter) == pytest.approx(5, abs=0.01)


def test_once_holds_the_last_frame_and_goes_back_from_there() -> None:
    engine = started(clip(blend=1.0, once=1.0))
    assert heard(engine, 48_000) == pytest.approx(FRAMES - 1)
    engine.set("layer.1.source.speed", -1.0)
    assert heard(engine, round(0.4 * RATE)) == pytest.approx(10, abs=0.01)
    assert heard(engine, 48_000) == 0.0


def test_by_hand_frames_stand_where_frame_says() -> None:
    engine = started(clip(play=2.0, frame=7.0))
    assert pages(engine, 5000) == pytest.approx(np.full(5000, 7.0), abs=1e-5)


def test_a_flip_book_without_a_time_waits_for_the_hand() -> None:
    engine = started(clip(seconds=0.0, frame=3.25, blend=1.0))
    assert pages(engine, 5000) == pytest.approx(np.full(5000, 3.25), abs=1e-5)


def test_the_hand_adds_to_the_clock() -> None:
    engine = started(clip(blend=1.0, frame=5.0))
    assert heard(engine, round(0.2 * RATE)) == pytest.approx(10, abs=0.01)


def at_beat(engine: Engine, beats: float) -> float:
    """Put the beat to a place, as if it had come there by itself, and return the frame that is heard there."""
    tempo = engine.record["instances"][int(engine.record["active"])]["tempo"]
    whole = int(np.floor(beats))
    for prefix in ("", "swung_"):
        tempo[f"{prefix}whole"], tempo[f"{prefix}part"] = whole, int((beats - whole) * 2.0**64)
    return heard(engine, 1)


@pytest.mark.parametrize("beats", [4.0, 3.0, 7.0, 0.5])
def test_by_the_beat_a_clip_is_where_the_beat_is_after_an_hour_as_at_the_start(beats: float) -> None:
    engine = started(clip(blend=1.0, play=1.0, beats=beats))
    engine.render(100)
    sample = 120 / 60 / RATE
    each = sample * FRAMES / beats
    # At 120 beats a minute 7,200 of them are an hour.
    for first in (0, 7200 // beats * beats):
        # Behind the last frame lies the first, into which it blends.
        for frame in range(1, FRAMES - 1):
            at = first + beats * frame / FRAMES
            assert at_beat(engine, at + 0.01 * sample) == pytest.approx(frame + 0.01 * each, abs=1e-5)
            assert at_beat(engine, at - 0.99 * sample) == pytest.approx(frame - 0.99 * each, abs=1e-5)


def test_by_the_beat_once_begins_where_the_layer_does() -> None:
    program = clip(blend=1.0, play=1.0, beats=1.0, once=1.0)
    engine = started(program)
    assert heard(engine, 12_000) == pytest.approx(10, abs=0.01)
    assert heard(engine, 48_000) == pytest.approx(FRAMES - 1)


def test_once_backwards_begins_at_the_end() -> None:
    engine = started(clip(blend=1.0, once=1.0, speed=-1.0))
    assert heard(engine, 4) == pytest.approx(FRAMES - 1, abs=0.01)
    assert heard(engine, round(0.4 * RATE)) == pytest.approx(10, abs=0.01)
    assert heard(engine, 48_000) == 0.0


def test_every_note_begins_the_clip_anew_where_it_is_told_to() -> None:
    for play in (0.0, 1.0):
        program = clip(blend=1.0, begin=1.0, play=play, beats=1.6)
        engine = started(program)
        engine.render(10_000)
        engine.push(midi_event(engine.time + 100, 0x90, 60, 100))
        found = pages(engine, 2000)
        assert found[99] == pytest.approx(10_100 * FRAMES / (0.8 * RATE), abs=0.1)
        assert found[100] == pytest.approx(0.0, abs=1e-3)
        assert found[1060] == pytest.approx(0.5, abs=0.01)


def test_pages_that_do_not_blend_turn_when_the_pen_begins_a_round() -> None:
    # Rounds of 480 samples, frames of 1,920 and a bit: no page may turn within a round.
    program = clip(seconds=0.8123, blend=0.0, pen=0.0)
    program.set("layer.1.pen.frequency", 100.0)
    found = np.rint(pages(started(program), 20_000))
    turns = np.flatnonzero(np.diff(found))
    assert len(turns) >= 9
    assert set(np.diff(turns) % 480) == {0}


def test_half_blended_pages_never_step_back_within_a_round() -> None:
    program = clip(seconds=0.8, blend=0.5, pen=0.0)
    program.set("layer.1.pen.frequency", 100.0)
    found = pages(started(program), 9_000)
    steps = np.diff(found)
    assert (steps >= -1e-6).all()
    large = np.flatnonzero(steps > 0.01)
    assert len(large) == 4
    assert set(np.diff(large) % 480) == {0}


def test_voices_turn_their_pages_each_with_its_own_pen() -> None:
    program = clip(seconds=0.05, blend=0.0, pen=0.0)
    program.set("layer.1.pen.frequency", 440.0)
    program.set("layer.1.notes.mode", 2.0)
    program.set("layer.1.notes.attack", 0.0)
    apart = []
    for keys in ((45,), (52,)):
        engine = started(program)
        for key in keys:
            engine.push(midi_event(engine.time, 0x90, key, 100))
        found = np.rint(pages(engine, 6_000)[500:])
        apart.append(np.unique(np.diff(np.flatnonzero(np.diff(found)))))
    # Pages turn after whole rounds of 48000 / 110 samples and of 48000 / 164.8.
    for pen, gaps in zip((110.0, 164.81), apart, strict=True):
        rounds = gaps * pen / RATE
        assert rounds == pytest.approx(np.rint(rounds), abs=0.02)


@pytest.mark.parametrize(
    "values", [{"play": 0.0, "speed": 1.7}, {"play": 1.0, "beats": 0.3}, {"once": 1.0, "speed": -3.0}]
)
def test_no_block_shows(values: dict[str, float]) -> None:
    program = clip(seconds=0.0123, blend=0.0, pen=0.0, begin=1.0, **values)
    program.set("layer.1.pen.frequency", 313.0)
    rendered = []
    for block in (1, 7, 64, 480, 1024):
        engine = started(program)
        events = [midi_event(engine.time + at, 0x90, 60, 100) for at in (333, 1000)]
        rendered.append(engine.render(3_000, block=block, events=events).tobytes())
    assert len(set(rendered)) == 1


@pytest.mark.parametrize("name", ["frame", "blend", "play", "speed", "beats", "once", "begin"])
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e308, -1e308, 1e-308])
def test_any_number_leaves_the_clock_alive(name: str, value: float) -> None:
    engine = started(clip(seconds=0.05, blend=1.0))
    before = engine.value(f"layer.1.source.{name}")
    for play in (0.0, 1.0):
        engine.set("layer.1.source.play", play)
        engine.set(f"layer.1.source.{name}", value)
        assert np.isfinite(engine.render(500)).all()
        engine.set(f"layer.1.source.{name}", before)
    engine.set("layer.1.source.play", 0.0)
    engine.render(100)
    found = pages(engine, 3000)
    assert np.ptp(found) > 10


def test_a_program_that_carries_on_goes_on_with_the_clip() -> None:
    program = clip(blend=1.0)
    engine = started(program)
    engine.render(9_600)
    engine.play(program, carry=True)
    assert heard(engine, 9_600) == pytest.approx(10, abs=0.05)


def test_flat_frames_take_two_tables_and_solid_ones_three() -> None:
    flat = clip()
    assert flat.record["layers"]["axes"][0] == 2
    solid = flat.paths[0].copy()
    solid[3, 1, 2] = 0.5
    flat.draw_path(0, solid)
    assert flat.record["layers"]["axes"][0] == 3
