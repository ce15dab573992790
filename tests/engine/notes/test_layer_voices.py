"""The voices of a layer: which notes it takes, and what they sound."""

from __future__ import annotations

import numpy as np
import pytest

from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from tests.engine.playing import RATE, circle, exact, started
from tests.engine.voicing import (
    HIGH,
    LAST,
    LOW,
    MONO,
    OFF,
    ON,
    POLY,
    TOP,
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
from tests.reference.midi import (
    BEND_HIGHEST,
    CHANNEL_PRESSURE,
    CONTROL_CHANGE,
    PITCH_BEND,
    RPN_HIGH,
    RPN_LOW,
    RPN_MPE,
)
from tests.reference.pitch import EQUAL_TEMPERAMENT


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
    np.testing.assert_allclose(found[:, 0] + 1j * found[:, 1], np.concatenate([once, octave, once, octave]), atol=1e-12)


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
    engine = started(notes(POLY, size_by_velocity=1.0, size_by_pressure=0.5))
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


def test_a_link_moves_which_keys_a_layer_takes() -> None:
    program = notes(POLY, low=60.0)
    program.modulate(0, MODULATOR_LFO)
    program.set("link.1.offset", 12.0)
    program.link(0, 0, "layer.1.notes.low")
    program.schedule()
    engine = started(program)
    engine.render(1)
    play(engine, key(65), key(80))
    engine.render(1)
    assert keys(engine) == [80]
