"""How the voices of a layer come and go: stealing, changes of patch, and that none is stuck, whatever comes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine, midi_event, panic_event, set_event, swap_event
from instrument.engine.memory.layout import LAYER_VOICES
from instrument.engine.memory.records import IDLE
from instrument.engine.modulators.modulator_table import MODULATOR_NOTE
from instrument.engine.parameters import ADDRESSES
from tests.engine.playing import RATE, largest_step, started, terms
from tests.reference.midi import (
    CONTROL_CHANGE,
    NOTE_OFF,
    NOTE_ON,
    PITCH_BEND,
    SUSTAIN,
)
from tests.reference.pitch import EQUAL_TEMPERAMENT

if TYPE_CHECKING:
    from instrument.engine.engine import Event
    from instrument.engine.program import Program
from tests.engine.voicing import (
    MONO,
    ON,
    POLY,
    SUM,
    TURNS,
    hertz,
    key,
    keys,
    notes,
    play,
    up,
    voices,
    with_notes,
)


def test_a_note_too_many_takes_the_voice_released_first_or_else_the_oldest() -> None:
    engine = started(notes(POLY, voices=3, release=1.0))
    play(engine, key(60), key(61), key(62))
    engine.render(100)
    play(engine, up(61), key(63))
    engine.render(100)
    assert keys(engine) == [60, 62, 63]
    play(engine, key(64))
    engine.render(100)
    assert keys(engine) == [62, 63, 64]


def test_stealing_makes_no_click() -> None:
    engine = started(notes(POLY, attack=0.005, release=0.05))
    program_step = 0.25 * 2 * np.pi * EQUAL_TEMPERAMENT[72] / RATE
    for number in range(57, 57 + LAYER_VOICES):
        play(engine, key(number))
        engine.render(37)
    engine.render(1000)
    heard = [engine.render(1)]
    for number in range(40, 40 + 40):
        play(engine, key(number))
        heard.append(engine.render(480))
        assert len(voices(engine)) <= LAYER_VOICES
    # As many voices as may sound, a fading one, and what the ramps themselves move, all at once: no step beyond it.
    ramps = 0.25 / (0.004 * RATE) + 0.25 / (0.005 * RATE)
    assert largest_step(np.concatenate(heard)) < (LAYER_VOICES + 2) * program_step + ramps


def test_a_change_of_patch_keeps_held_keys_sounding() -> None:
    engine = started(notes(POLY, release=0.1))
    play(engine, key(60), key(64), key(67))
    engine.render(500)
    play(engine, up(64))
    slot = engine.load(notes(POLY, release=0.1))
    engine.push(swap_event(0, slot))
    engine.render(2000)
    assert keys(engine) == [60, 67]
    play(engine, up(60), up(67))
    engine.render(4801)
    assert len(voices(engine)) == 0


def test_a_patch_saved_again_goes_on_with_the_same_voices() -> None:
    program = notes(POLY)
    program.draw_harmonic(0, (terms((0.2, 1.37, 0.25)), terms((0.2, 2.61, 0)), terms()))
    changed, same = started(program), started(program)
    for engine in (changed, same):
        play(engine, key(60), key(64))
        engine.render(777)
    changed.push(swap_event(0, changed.load(program), carry=True))
    np.testing.assert_allclose(changed.render(600), same.render(600), atol=1e-6)


def test_what_fades_out_lets_go_as_well() -> None:
    program = notes(POLY)
    program.record["fade_seconds"] = 1.0
    engine = started(program)
    engine.render(48000)
    play(engine, key(60))
    engine.render(10)
    engine.push(swap_event(0, engine.load(program)))
    engine.render(10)
    play(engine, up(60))
    engine.render(10)
    assert (engine.record["instances"]["layer_voices"]["stage"] == IDLE).all()


def test_a_note_modulator_may_belong_to_a_layer() -> None:
    program = with_notes(notes(POLY, high=59), POLY, 2, low=60)
    program.modulate(0, MODULATOR_NOTE)
    program.set("mod.1.whose", 1)
    program.schedule()
    engine = started(program)
    play(engine, key(57), key(81))
    engine.render(1)
    assert float(engine.record["instances"][int(engine.record["active"])]["modulator_rows"][0, 0]) == -1.0


STREAM = st.lists(
    st.one_of(
        st.tuples(st.sampled_from([NOTE_ON, NOTE_OFF]), st.integers(0, 2), st.integers(58, 62), st.integers(0, 127)),
        st.tuples(
            st.just(CONTROL_CHANGE),
            st.integers(0, 2),
            st.sampled_from([SUSTAIN, 66, *range(120, 128)]),
            st.sampled_from([0, 64, 127]),
        ),
        st.just("panic"),
        st.just("patch"),
        st.tuples(
            st.just("set"),
            st.sampled_from(["mode", "voices", "low", "priority", "legato", "channel", "share", "hard"]),
            st.sampled_from([0.0, 1.0, 2.0, 60.0, float("nan")]),
        ),
    ),
    max_size=60,
)
PLAYED = st.sampled_from([MONO, POLY])


def events(stream: list[object], slot: int, step: int = 1) -> list[Event]:
    found: list[Event] = []
    for k, item in enumerate(stream):
        time = 10 + k * step
        if item == "panic":
            found.append(panic_event(time))
        elif item == "patch":
            found.append(swap_event(time, slot + k % 2))
        else:
            assert isinstance(item, tuple)
            kind, first, *rest = item
            if kind == "set":
                found.append(set_event(time, f"layer.1.notes.{first}", rest[0]))
            else:
                found.append(midi_event(time, kind + first, *rest))
    return found


def split_programs(mode: float) -> list[Program]:
    program = with_notes(notes(mode, release=0.01, high=60), POLY, 2, release=0.01, channel=2, voices=2)
    other = with_notes(notes(POLY, release=0.01, share=TURNS), MONO, 3, release=0.01, legato=ON, glide=0.01)
    program.record["fade_seconds"] = other.record["fade_seconds"] = 0.002
    return [program, other]


@settings(max_examples=25)
@given(STREAM, PLAYED)
def test_a_stuck_voice_is_impossible(stream: list[object], mode: float) -> None:
    # Whatever came before: keys and pedals up, and nothing sounds; a panic, and nothing sounds either.
    engine = Engine(RATE)
    first, second = (engine.load(program) for program in split_programs(mode))
    assert second == first + 1
    engine.push(swap_event(0, first))
    engine.render(1)
    engine.render(100, events=events(stream, first))
    for channel in range(3):
        for pedal in (SUSTAIN, 66):
            play(engine, (CONTROL_CHANGE + channel, pedal, 0))
        play(engine, *(up(number, channel) for number in range(58, 63)))
    engine.render(1200)
    assert silent(engine)
    for program in (first, second):
        engine.push(swap_event(0, program))
        engine.push(set_event(0, "layer.1.notes.release", float("inf")))
        engine.render(1, events=events(stream[: len(stream) // 2], first))
        engine.push(panic_event())
        engine.render(1200)
        assert silent(engine)


def silent(engine: Engine) -> bool:
    instances = engine.record["instances"]
    stages = instances["layer_voices"]["stage"][instances["slot"] >= 0]
    return bool((stages == IDLE).all()) and int(engine.record["n_held_notes"]) == 0


@settings(max_examples=8)
@given(STREAM, PLAYED, st.sampled_from([SUM, TURNS]))
def test_no_block_size_shows(stream: list[object], mode: float, mix: float) -> None:
    heard = []
    for block in (1, 7, 64, 1024):
        engine = Engine(RATE)
        programs = split_programs(mode)
        for program in programs:
            program.set("mix.mode", mix)
            program.set("layer.1.pen.frequency", 4000.0)
        first, _ = (engine.load(program) for program in programs)
        engine.push(swap_event(0, first))
        play(engine, key(60), key(59, channel=1))
        heard.append(engine.render(1500, block=block, events=events(stream, first, step=17)).tobytes())
    assert len(set(heard)) == 1


def test_no_block_size_shows_where_layers_take_turns_and_voices_end() -> None:
    program = with_notes(notes(POLY, release=0.01), POLY, 2, release=0.01)
    program.set("layer.2.place.size", 0.5)
    for layer in (1, 2):
        program.set(f"layer.{layer}.pen.frequency", 50.0)
    program.set("mix.mode", TURNS)
    played = [midi_event(0, *key(69)), midi_event(500, *up(69)), midi_event(2000, *key(69))]
    heard = [started(program).render(3000, block=block, events=played).tobytes() for block in (1, 7, 64, 1024)]
    assert len(set(heard)) == 1


@pytest.mark.parametrize("number", [np.inf, -np.inf, np.nan, 1e308, -1e308, 5e-324])
def test_any_number_leaves_the_sound_going_and_nothing_behind(number: float) -> None:
    program = notes(POLY, glide=0.001, release=0.01)
    names = [row for row in ADDRESSES if row.startswith("layer.1.notes.")]
    engine = started(program)
    for name in names:
        before = engine.value(name)
        engine.set(name, number, at_once=True)
        play(engine, key(60), key(64), (PITCH_BEND, 0, 96), up(64))
        assert np.isfinite(engine.render(100)).all()
        engine.set(name, before, at_once=True)
        engine.push(panic_event())
        engine.render(1000)
        assert silent(engine), name
    play(engine, (PITCH_BEND, 0, 64), key(69))
    engine.render(100)
    assert hertz(engine) == pytest.approx(440.0)
    np.testing.assert_allclose(np.hypot(*engine.render(100).T), 0.25, atol=1e-6)
