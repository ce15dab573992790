"""The voices of a layer: which notes it takes, what they sound, and how they come and go."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine, midi_event, panic_event, set_event, swap_event
from instrument.engine.layer_voice import FADE, IDLE, RELEASE
from instrument.engine.layout import LAYER_VOICES, MODULATOR_NOTE
from instrument.engine.parameters import ADDRESSES
from tests.engine.playing import RATE, bare_program, circle, exact, largest_step, started, terms
from tests.reference.midi import (
    BEND_HIGHEST,
    CHANNEL_PRESSURE,
    CONTROL_CHANGE,
    NOTE_OFF,
    NOTE_ON,
    PITCH_BEND,
    RPN_HIGH,
    RPN_LOW,
    RPN_MPE,
    SUSTAIN,
)
from tests.reference.pitch import A4_HZ, EQUAL_TEMPERAMENT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.engine import Event
    from instrument.engine.program import Program

OFF, MONO, POLY = 0.0, 1.0, 2.0
SUM, TURNS = 0.0, 1.0
LAST, LOW, HIGH = 0.0, 1.0, 2.0
ON = 1.0
WHOLE = 2.0**64
TOP = 127


def notes(mode: float, layer: int = 1, **parameters: float) -> Program:
    """Return a program of one circle that keys sound; times of a voice are 0 unless given."""
    return with_notes(bare_program(), mode, layer, **parameters)


def with_notes(program: Program, mode: float, layer: int = 1, **parameters: float) -> Program:
    circle(program, layer - 1, 0.25)
    program.set(f"layer.{layer}.pen.frequency", A4_HZ)
    for name, value in {"mode": mode, "attack": 0.0, "release": 0.0, **parameters}.items():
        program.set(f"layer.{layer}.notes.{name}", value)
    program.schedule()
    return program


def play(engine: Engine, *messages: tuple[int, ...]) -> None:
    for message in messages:
        assert engine.push(midi_event(0, *message))


def key(number: int, velocity: int = 100, channel: int = 0) -> tuple[int, int, int]:
    return (NOTE_ON + channel, number, velocity)


def up(number: int, channel: int = 0) -> tuple[int, int, int]:
    return (NOTE_OFF + channel, number, 64)


def voices(engine: Engine, layer: int = 1) -> NDArray[np.void]:
    """Return the voices of a layer that are neither silent nor fading, oldest first."""
    rows = engine.record["instances"][int(engine.record["active"])]["layer_voices"][layer - 1]
    sounding = rows[(rows["stage"] != IDLE) & (rows["stage"] != FADE)]
    return np.asarray(sounding[np.argsort(sounding["order"])])


def keys(engine: Engine, layer: int = 1) -> list[int]:
    rows = voices(engine, layer)
    return [int(row["key"]) for row in rows if row["stage"] != RELEASE]


def hertz(engine: Engine, frames: int = 64) -> float:
    """Return the frequency at which the pen of the newest voice goes round."""
    gone = 0
    for _ in range(frames // 8):
        before = int(voices(engine)[-1]["pen"])
        engine.render(8)
        gone += (int(voices(engine)[-1]["pen"]) - before) % int(WHOLE)
    return float(gone / WHOLE / (frames // 8 * 8) * RATE)


def test_keys_do_not_reach_a_layer_unless_it_asks_for_them() -> None:
    quiet, played = started(notes(OFF)), started(notes(OFF))
    play(played, key(60), key(70))
    assert quiet.render(500).tobytes() == played.render(500).tobytes()


@pytest.mark.parametrize("mode", [MONO, POLY])
@pytest.mark.parametrize("number", sorted(EQUAL_TEMPERAMENT)[::5])
def test_a_key_sounds_its_frequency(mode: float, number: int) -> None:
    engine = started(notes(mode))
    play(engine, key(number))
    engine.render(1)
    assert hertz(engine, 4800) == pytest.approx(EQUAL_TEMPERAMENT[number], abs=0.006)


def test_a_layer_without_a_note_rests_in_the_middle() -> None:
    program = notes(POLY)
    program.set("layer.1.place.move.x", 0.5)
    assert not started(program).render(200).any()


def test_a_single_voice_draws_what_the_layer_draws_by_itself() -> None:
    program = notes(OFF)
    program.set("layer.1.pen.key", 64)
    engine = started(notes(POLY))
    play(engine, key(64))
    engine.render(1)
    plain = started(program)
    phase = voices(engine)[0]["pen"]
    assert int(plain.record["instances"][int(plain.record["active"])]["pen"][0]) == int(phase)
    np.testing.assert_array_equal(exact(engine, 640), exact(plain, 640))


def test_voices_of_a_layer_are_added() -> None:
    together = started(notes(POLY))
    play(together, key(60), key(67), key(45))
    total = np.zeros((512, 2))
    for number in (60, 67, 45):
        engine = started(notes(POLY))
        play(engine, key(number))
        total += exact(engine, 512)
    np.testing.assert_allclose(exact(together, 512), total, atol=1e-12)


def test_voices_that_take_turns_draw_a_whole_round_each() -> None:
    program = notes(POLY, share=TURNS)
    program.set("layer.1.pen.frequency", RATE / 128)
    engine = started(program)
    play(engine, key(69), key(81))
    once = 0.25 * np.exp(2j * np.pi * np.arange(128) / 128)
    octave = 0.25 * np.exp(2j * np.pi * np.arange(64) / 64)
    found = exact(engine, 384)
    np.testing.assert_allclose(
        found[:, 0] + 1j * found[:, 1], np.concatenate([once, octave, once, octave]), atol=1e-12
    )


def test_layers_that_take_turns_pass_over_one_without_a_note() -> None:
    program = with_notes(notes(POLY), POLY, 2)
    circle(program, 2, 0.125)
    program.set("layer.3.pen.frequency", RATE / 100)
    program.set("mix.mode", TURNS)
    engine = started(program)
    found = engine.render(300)
    np.testing.assert_allclose(np.hypot(*found.T), 0.125, atol=1e-6)
    play(engine, key(69))
    sizes = np.hypot(*engine.render(700).T)
    assert np.unique(np.round(sizes, 4)).tolist() == [0.125, 0.25]


def test_layers_that_take_turns_are_silent_where_none_has_a_note() -> None:
    program = with_notes(notes(POLY), MONO, 2)
    program.set("mix.mode", TURNS)
    engine = started(program)
    assert not engine.render(300).any()
    play(engine, key(69))
    assert engine.render(10).any()


def test_attack_and_release_are_as_long_as_they_say() -> None:
    engine = started(notes(POLY, attack=0.01, release=0.02))
    play(engine, key(69))
    sizes = np.hypot(*engine.render(600).T) / 0.25
    np.testing.assert_allclose(sizes[:480], np.arange(1, 481) / 480, atol=1e-6)
    np.testing.assert_allclose(sizes[480:], 1.0, atol=1e-6)
    play(engine, up(69))
    sizes = np.hypot(*engine.render(1000).T) / 0.25
    np.testing.assert_allclose(sizes[:960], 1 - np.arange(1, 961) / 960, atol=1e-6)
    assert not sizes[961:].any()
    assert len(voices(engine)) == 0


def test_it_decays_to_the_sustained_level() -> None:
    engine = started(notes(POLY, attack=0.0, decay=0.01, sustain=0.5))
    play(engine, key(69))
    sizes = np.hypot(*engine.render(600).T) / 0.25
    np.testing.assert_allclose(sizes[1:480], 1 - 0.5 * np.arange(1, 480) / 480, atol=1e-6)
    np.testing.assert_allclose(sizes[481:], 0.5, atol=1e-6)


def test_velocity_and_pressure_set_the_size_as_far_as_they_may() -> None:
    engine = started(notes(POLY, touch=1.0, press=0.5))
    play(engine, (CHANNEL_PRESSURE, TOP), key(69, 64))
    assert np.hypot(*engine.render(5)[-1]) == pytest.approx(0.25 * 64 / TOP, rel=1e-6)
    play(engine, (CHANNEL_PRESSURE, 0))
    assert np.hypot(*engine.render(5)[-1]) == pytest.approx(0.125 * 64 / TOP, rel=1e-6)


@pytest.mark.parametrize(
    ("priority", "expected"),
    [(LAST, [60, 55, 64, 64, 60]), (LOW, [60, 55, 55, 55, 60]), (HIGH, [60, 60, 64, 64, 60])],
)
def test_mono_sounds_the_key_that_its_priority_says(priority: float, expected: list[int]) -> None:
    engine = started(notes(MONO, priority=priority))
    found = []
    for message in (key(60), key(55), key(64)):
        play(engine, message)
        engine.render(1)
        found += keys(engine)
    play(engine, up(60), key(60))
    play(engine, up(60))
    engine.render(1)
    found += keys(engine)
    play(engine, key(60), up(55), up(64))
    engine.render(1)
    found += keys(engine)
    assert found == expected


def test_a_key_let_go_gives_way_to_the_one_still_held() -> None:
    engine = started(notes(MONO))
    play(engine, key(60), key(67))
    engine.render(1)
    play(engine, up(67))
    engine.render(1)
    assert keys(engine) == [60]
    assert hertz(engine) == pytest.approx(EQUAL_TEMPERAMENT[60], abs=0.006)
    play(engine, up(60))
    engine.render(2)
    assert keys(engine) == []


def test_it_glides_in_equal_steps_of_semitones() -> None:
    engine = started(notes(MONO, glide=0.1))
    play(engine, key(57))
    engine.render(1)
    play(engine, key(81))
    pitches = []
    for _ in range(4):
        engine.render(1200)
        pitches.append(float(voices(engine)[-1]["pitch"]["now"]))
    np.testing.assert_allclose(pitches, [63, 69, 75, 81], atol=1e-9)
    assert hertz(engine) == pytest.approx(880.0, abs=1e-6)


def test_legato_glides_only_from_a_key_still_held_and_begins_no_new_attack() -> None:
    engine = started(notes(MONO, glide=0.1, legato=ON, attack=0.01, release=0.1))
    play(engine, key(57))
    engine.render(4800)
    play(engine, up(57))
    engine.render(48)
    play(engine, key(81))
    engine.render(480)
    assert float(voices(engine)[-1]["pitch"]["now"]) == 81.0
    order = int(voices(engine)[-1]["order"])
    play(engine, key(57))
    engine.render(2400)
    (voice,) = voices(engine)
    assert (float(voice["pitch"]["now"]), float(voice["level"]), int(voice["order"])) == (69.0, 1.0, order)


def test_without_legato_each_key_begins_anew() -> None:
    engine = started(notes(MONO, attack=0.01))
    play(engine, key(57))
    engine.render(4800)
    play(engine, key(81))
    engine.render(240)
    assert float(voices(engine)[-1]["level"]) == pytest.approx(0.5)


def test_layers_share_the_keyboard_by_key_channel_and_velocity() -> None:
    program = with_notes(notes(POLY, high=59), POLY, 2, low=60)
    program = with_notes(with_notes(program, POLY, 3, channel=2), MONO, 4, soft=100)
    engine = started(program)
    play(engine, key(59, 99), key(60, 99), key(61, 100, channel=1), key(62, 101))
    engine.render(1)
    assert [keys(engine, layer) for layer in range(1, 5)] == [[59], [60, 61, 62], [61], [62]]


def test_a_layer_on_the_master_channel_hears_its_zone() -> None:
    # MIDI Polyphonic Expression 1.0, 2.2: channel 1 is the master of members from 2 on.
    engine = started(notes(POLY, channel=1))
    play(engine, (CONTROL_CHANGE, RPN_HIGH, 0), (CONTROL_CHANGE, RPN_LOW, RPN_MPE), (CONTROL_CHANGE, 6, 3))
    play(engine, key(60, channel=1), key(64, channel=3), key(67, channel=4))
    engine.render(1)
    assert keys(engine) == [60, 64]


def test_each_voice_bends_with_its_own_channel() -> None:
    # MIDI Polyphonic Expression 1.0, 2.4: member channels bend by 48 semitones.
    engine = started(notes(POLY))
    play(engine, (CONTROL_CHANGE, RPN_HIGH, 0), (CONTROL_CHANGE, RPN_LOW, RPN_MPE), (CONTROL_CHANGE, 6, 15))
    play(engine, key(45, channel=1), key(57, channel=2))
    play(engine, (PITCH_BEND + 2, BEND_HIGHEST & 0x7F, BEND_HIGHEST >> 7))
    engine.render(1)
    assert hertz(engine) == pytest.approx(220.0 * 16, abs=1e-6)
    assert [float(row["bend"]["now"]) for row in voices(engine)] == [0.0, 48.0]


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
        st.tuples(
            st.sampled_from([NOTE_ON, NOTE_OFF]), st.integers(0, 2), st.integers(58, 62), st.integers(0, 127)
        ),
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
    return bool((stages == IDLE).all()) and int(engine.record["n_voices"]) == 0


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
