"""Everything that a MIDI channel can say, as the engine hears it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine, midi_event, panic_event, swap_event
from tests.engine.playing import listen_to, one_circle, started
from tests.reference.midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    BEND_CENTRE,
    BEND_HIGHEST,
    CHANNEL_PRESSURE,
    CONTROL_CHANGE,
    DATA_DECREMENT,
    DATA_ENTRY,
    DATA_ENTRY_LOW,
    DATA_INCREMENT,
    EXPRESSION,
    MODULATION,
    NOTE_OFF,
    NOTE_ON,
    NRPN_HIGH,
    NRPN_LOW,
    PITCH_BEND,
    POLY_PRESSURE,
    PROGRAM_CHANGE,
    RESET_ALL_CONTROLLERS,
    RPN_BEND_RANGE,
    RPN_COARSE_TUNING,
    RPN_FINE_TUNING,
    RPN_HIGH,
    RPN_LOW,
    RPN_MPE,
    SOSTENUTO,
    SUSTAIN,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

PARAMETER = "output.offset.x"
UNTOUCHED = -77.0
Message = tuple[int, ...]


def listening(control: str, low: float = 0.0, high: float = 127.0, **more: float) -> Engine:
    program = one_circle()
    program.set(PARAMETER, UNTOUCHED)
    listen_to(program, control, PARAMETER, low, high, **more)
    return started(program)


def after(engine: Engine, *messages: Message) -> float:
    for message in messages:
        assert engine.push(midi_event(0, *message))
        engine.render(1)
    return engine.value(PARAMETER)


def change(number: int, value: int, channel: int = 0) -> Message:
    return (CONTROL_CHANGE + channel, number, value)


def bend(value: int, channel: int = 0) -> Message:
    return (PITCH_BEND + channel, value & 0x7F, value >> 7)


def registered(number: int, high: int, low: int | None = None, channel: int = 0) -> list[Message]:
    rest = [] if low is None else [change(DATA_ENTRY_LOW, low, channel)]
    return [
        change(RPN_HIGH, number >> 7, channel),
        change(RPN_LOW, number & 0x7F, channel),
        change(DATA_ENTRY, high, channel),
        *rest,
    ]


def held(engine: Engine) -> list[tuple[int, int]]:
    voices = engine.record["held_notes"][: int(engine.record["n_held_notes"])]
    return [(int(voice["channel"]), int(voice["key"])) for voice in voices]


class TestFourteenBits:
    """MIDI 1.0 Detailed Specification, Control Change: controllers 32 to 63 are the low bytes of 0 to 31."""

    def test_both_halves_make_one_number(self) -> None:
        engine = listening("cc14", 0.0, 16383.0, number=7)
        assert after(engine, change(7, 64)) == 64 * 128
        assert after(engine, change(39, 5)) == 64 * 128 + 5

    def test_a_new_high_byte_sets_the_low_one_to_zero(self) -> None:
        engine = listening("cc14", 0.0, 16383.0, number=7)
        assert after(engine, change(7, 64), change(39, 5), change(7, 65)) == 65 * 128


class TestParameterNumbers:
    """MIDI 1.0 Detailed Specification, Registered and Non-registered Parameter Numbers, table 3a."""

    def test_bend_range_is_two_semitones_unless_told(self) -> None:
        engine = listening("bend", by_bend_range=1)
        assert after(engine, bend(BEND_HIGHEST)) == 2.0

    def test_bend_range_takes_semitones_and_cents(self) -> None:
        engine = listening("bend", by_bend_range=1)
        assert after(engine, *registered(RPN_BEND_RANGE, 12, 50), bend(BEND_HIGHEST)) == 12.5

    def test_increments_move_on_from_what_is(self) -> None:
        engine = listening("bend", by_bend_range=1)
        select = registered(RPN_BEND_RANGE, 7)[:2]
        cents = [change(DATA_INCREMENT, 0)] * 30 + [change(DATA_DECREMENT, 0)] * 5
        assert after(engine, *select, *cents, bend(BEND_HIGHEST)) == pytest.approx(2.25)

    def test_nothing_is_set_while_none_is_selected(self) -> None:
        engine = listening("bend", by_bend_range=1)
        null = registered(0x3FFF, 24)
        assert after(engine, *registered(RPN_BEND_RANGE, 2), *null, bend(BEND_HIGHEST)) == 2.0

    def test_tunings_move_the_held_note(self) -> None:
        engine = listening("none")
        after(
            engine,
            (NOTE_ON, 60, 1),
            *registered(RPN_COARSE_TUNING, 64 + 3),
            *registered(RPN_FINE_TUNING, 96, 0),
        )
        assert float(engine.record["held_notes"][0]["bend"]) == pytest.approx(3.5)

    def test_other_parameter_numbers_reach_controls(self) -> None:
        engine = listening("nrpn", 0.0, 16383.0, number=300)
        messages = [
            change(NRPN_HIGH, 2),
            change(NRPN_LOW, 44),
            change(DATA_ENTRY, 10),
            change(DATA_ENTRY_LOW, 3),
        ]
        assert after(engine, *messages) == 1283.0

    def test_registered_ones_are_not_taken_for_others(self) -> None:
        engine = listening("nrpn", 0.0, 16383.0, number=300)
        assert after(engine, *registered(300, 10)) == UNTOUCHED


class TestPedals:
    """MIDI 1.0 Detailed Specification, Control Change: 64 damper, 66 sostenuto, down from 64 on."""

    def test_the_damper_holds_notes_until_it_comes_up(self) -> None:
        engine = listening("gate", 0.0, 1.0)
        assert after(engine, (NOTE_ON, 60, 9), change(SUSTAIN, 64), (NOTE_OFF, 60, 0)) == 1.0
        assert after(engine, change(SUSTAIN, 63)) == 0.0
        assert held(engine) == []

    def test_sostenuto_holds_what_was_down_and_nothing_later(self) -> None:
        engine = listening("none")
        after(engine, (NOTE_ON, 60, 9), change(SOSTENUTO, 127), (NOTE_ON, 64, 9))
        after(engine, (NOTE_OFF, 60, 0), (NOTE_OFF, 64, 0))
        assert held(engine) == [(0, 60)]
        after(engine, change(SOSTENUTO, 0))
        assert held(engine) == []

    def test_a_pedal_is_its_channels_own(self) -> None:
        engine = listening("none")
        after(engine, change(SUSTAIN, 127, channel=3), (NOTE_ON, 60, 9), (NOTE_OFF, 60, 0))
        assert held(engine) == []

    def test_all_notes_off_waits_for_the_damper_and_all_sound_off_does_not(self) -> None:
        engine = listening("none")
        after(engine, change(SUSTAIN, 127), (NOTE_ON, 60, 9), change(ALL_NOTES_OFF, 0))
        assert held(engine) == [(0, 60)]
        after(engine, change(ALL_SOUND_OFF, 0))
        assert held(engine) == []


@pytest.mark.parametrize("mode", range(ALL_NOTES_OFF, 128))
def test_every_change_of_mode_lifts_all_keys(mode: int) -> None:
    # MIDI 1.0 Detailed Specification, Channel Mode Messages: 124 to 127 are also taken as All Notes Off.
    engine = listening("none")
    after(engine, (NOTE_ON, 60, 9), (NOTE_ON + 1, 62, 9), change(mode, 0))
    assert held(engine) == [(1, 62)]


def test_reset_all_controllers_puts_back_what_the_recommended_practice_names() -> None:
    # MIDI Association RP-015, Response to Reset All Controllers.
    engine = listening("cc", number=MODULATION)
    after(engine, change(MODULATION, 99), change(EXPRESSION, 5), change(7, 80), bend(0), (CHANNEL_PRESSURE, 9))
    assert after(engine, change(RESET_ALL_CONTROLLERS, 0)) == 0.0
    assert engine.record["cc"][0, EXPRESSION] == 127
    assert engine.record["cc"][0, 7] == 80
    assert engine.record["bend"][0] == BEND_CENTRE
    assert engine.record["pressure"][0] == 0


def test_key_pressure_is_heard_for_its_key_alone() -> None:
    engine = listening("key_pressure", number=60)
    assert after(engine, (POLY_PRESSURE, 61, 50)) == UNTOUCHED
    assert after(engine, (NOTE_ON, 60, 9), (POLY_PRESSURE, 60, 50)) == 50.0
    assert float(engine.record["held_notes"][0]["pressure"]) == pytest.approx(50 / 127)


def test_release_velocity_is_heard_when_the_key_comes_up() -> None:
    engine = listening("release")
    assert after(engine, (NOTE_ON, 60, 9)) == UNTOUCHED
    assert after(engine, (NOTE_OFF, 60, 33)) == 33.0


def test_a_program_change_counts_on_in_banks() -> None:
    # Bank Select is controllers 0 and 32; the bank takes effect with the next program change. MIDI 1.0, table 3.
    engine = listening("program")
    assert after(engine, (PROGRAM_CHANGE, 5)) == 5.0
    assert after(engine, change(0, 0), change(32, 2)) == 5.0
    assert after(engine, (PROGRAM_CHANGE, 5)) == 2 * 128 + 5


class TestPolyphonicExpression:
    """MIDI Association, MIDI Polyphonic Expression 1.0 (2018)."""

    def test_a_configuration_message_opens_a_zone_with_its_bend_ranges(self) -> None:
        # 2.1 and 2.4: master on channel 1, members from 2 on; bend range 48 of members, 2 of the master.
        engine = listening("none")
        after(engine, *registered(RPN_MPE, 3))
        ranges = engine.record["channels"]["bend_range"]
        assert ranges[:5].tolist() == [2.0, 48.0, 48.0, 48.0, 2.0]

    def test_the_upper_zone_counts_downward_from_channel_16(self) -> None:
        engine = listening("none")
        after(engine, *registered(RPN_MPE, 2, channel=15))
        assert engine.record["channels"]["bend_range"][12:].tolist() == [2.0, 48.0, 48.0, 2.0]

    def test_the_newer_zone_takes_channels_from_the_other(self) -> None:
        engine = listening("none")
        after(engine, *registered(RPN_MPE, 10), *registered(RPN_MPE, 8, channel=15))
        assert engine.record["zones"].tolist() == [6, 8]

    def test_a_note_bends_by_its_own_channel_and_by_its_master(self) -> None:
        engine = listening("none")
        after(engine, *registered(RPN_MPE, 15), (NOTE_ON + 1, 60, 9), (NOTE_ON + 2, 64, 9))
        after(engine, bend(BEND_HIGHEST, channel=1), bend(BEND_HIGHEST, channel=0))
        assert engine.record["held_notes"]["bend"][:2].tolist() == [50.0, 2.0]

    def test_pressure_and_timbre_are_the_notes_own(self) -> None:
        engine = listening("none")
        after(engine, *registered(RPN_MPE, 15), (NOTE_ON + 1, 60, 9), (NOTE_ON + 2, 64, 9))
        after(engine, (CHANNEL_PRESSURE + 1, 127), change(74, 127, channel=2))
        assert engine.record["held_notes"]["pressure"][:2].tolist() == [1.0, 0.0]
        assert engine.record["held_notes"]["timbre"][:2].tolist() == [0.0, 1.0]


BYTES = st.integers(0, 127)
STREAM = st.lists(
    st.one_of(
        st.tuples(st.sampled_from([NOTE_ON, NOTE_OFF]), st.integers(0, 2), st.integers(58, 62), BYTES),
        st.tuples(
            st.just(CONTROL_CHANGE),
            st.integers(0, 2),
            st.sampled_from([SUSTAIN, SOSTENUTO, *range(120, 128), RPN_HIGH, RPN_LOW, DATA_ENTRY]),
            st.sampled_from([0, 6, 15, 64, 127]),
        ),
        st.just("panic"),
        st.just("patch"),
    ),
    max_size=80,
)


def sent(engine: Engine, stream: Iterable[object]) -> None:
    for item in stream:
        if item == "panic":
            engine.push(panic_event())
        elif item == "patch":
            engine.push(swap_event(0, int(engine.record["instances"]["slot"][int(engine.record["active"])])))
        else:
            assert isinstance(item, tuple)
            kind, channel, first, second = item
            engine.push(midi_event(0, kind + channel, first, second))
        engine.render(1)


@settings(max_examples=60)
@given(STREAM)
def test_a_stuck_note_is_impossible(stream: list[object]) -> None:
    # Whatever came before: keys and pedals up, and nothing sounds; a panic, and nothing sounds either.
    engine = listening("gate", 0.0, 1.0)
    sent(engine, stream)
    for channel in range(3):
        for pedal in (SUSTAIN, SOSTENUTO):
            after(engine, change(pedal, 0, channel))
        for key in range(58, 63):
            after(engine, (NOTE_OFF + channel, key, 0))
    assert held(engine) == []
    assert engine.value(PARAMETER) in {0.0, UNTOUCHED}
    sent(engine, stream)
    engine.push(panic_event())
    engine.render(1)
    assert held(engine) == []
    assert engine.value(PARAMETER) in {0.0, UNTOUCHED}
