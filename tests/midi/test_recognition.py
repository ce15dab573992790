"""A control is recognised from what it sends while a hand moves it, among everything else that is heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from instrument.midi.control_decoder import ControlDecoder, ControlSource
from instrument.midi.recognition import LONGEST_SECONDS, SETTLE_SECONDS, Recogniser, recognise_coding

if TYPE_CHECKING:
    from collections.abc import Sequence

Timed = tuple[float, tuple[int, ...]]
"""Seconds, and a message of port 0; a fourth byte is another port."""


def fader(number: int, *values: int, start: float = 0.0, every: float = 0.01, channel: int = 0) -> list[Timed]:
    return [(start + every * k, (0xB0 | channel, number, value)) for k, value in enumerate(values)]


def pair(number: int, *values: int, start: float = 0.0) -> list[Timed]:
    # The low byte follows as fast as a cable carries it.
    return [
        (start + 0.01 * k + 0.001 * low, (0xB0, number + 32 * low, value & 0x7F if low else value >> 7))
        for k, value in enumerate(values)
        for low in (0, 1)
    ]


def recognised(messages: Sequence[Timed], *, before: Sequence[Timed] = (), patience: float = 5.0) -> tuple[object, ...]:
    """Message, channel (from 1), number and kind of what is recognised; empty if nothing is."""
    recogniser, decoder = Recogniser(), ControlDecoder()

    def hear(at: float, message: tuple[int, ...]) -> None:
        status, first, second, port = (*message, 0, 0)[:4]
        for sender, value in decoder.decode(port, status, first, second):
            recogniser.hear(at, sender, value)

    for at, message in before:
        hear(at - 100.0, message)
    recogniser.begin()
    waiting = sorted(messages, key=lambda item: item[0])
    at = 0.0
    while at < patience:
        while waiting and waiting[0][0] <= at:
            hear(*waiting.pop(0))
        found = recogniser.decide(at)
        if found is not None:
            return (found.sender.message, found.sender.channel + 1, found.sender.number, found.kind)
        at += 0.01
    return ()


SWEEP = range(10, 90, 4)


@pytest.mark.parametrize(
    ("messages", "wanted"),
    [
        pytest.param(fader(7, *SWEEP), ("cc", 1, 7, "knob"), id="fader of 7 bits"),
        pytest.param(fader(40, *SWEEP), ("cc", 1, 40, "knob"), id="fader on a low byte's number"),
        pytest.param(pair(3, *range(1000, 9000, 250)), ("cc14", 1, 3, "knob"), id="fader of 14 bits"),
        pytest.param(fader(16, 1, 1, 2, 127, 127, 126), ("cc", 1, 16, "relative_twos"), id="two's complement"),
        pytest.param(fader(16, 65, 65, 66, 63, 63), ("cc", 1, 16, "relative_offset"), id="offset 64"),
        pytest.param(fader(16, 1, 1, 2, 65, 65, 66), ("cc", 1, 16, "relative_sign"), id="sign and magnitude"),
        pytest.param(fader(16, 1, 1, 1, 1, 1), ("cc", 1, 16, "relative_twos"), id="turned to the right alone"),
        pytest.param(fader(16, *[127] * 8), ("cc", 1, 16, "relative_twos"), id="turned to the left alone"),
        pytest.param(fader(16, 65, 65, 65, 65), ("cc", 1, 16, "relative_offset"), id="offset, to the right alone"),
        pytest.param(fader(20, 127, 0, every=0.2), ("cc", 1, 20, "button"), id="button"),
        pytest.param(fader(20, 127, 127, every=0.3), ("cc", 1, 20, "button"), id="button that says only when it is down"),
        pytest.param(fader(20, 127), ("cc", 1, 20, "latch"), id="button that latches, on"),
        pytest.param(fader(20, 0), ("cc", 1, 20, "latch"), id="button that latches, off"),
        pytest.param([(0.0, (0x99, 36, 90)), (0.2, (0x89, 36, 0))], ("pad", 10, 36, "button"), id="pad"),
        pytest.param([(0.0, (0x92, 60, 90))], ("pad", 3, 60, "button"), id="key that stays down"),
        pytest.param([(0.01 * k, (0xE1, 0, 64 + k)) for k in range(30)], ("bend", 2, -1, "knob"), id="bend"),
        pytest.param([(0.01 * k, (0xD0, 5 * k)) for k in range(20)], ("pressure", 1, -1, "knob"), id="pressure"),
        pytest.param([(0.01 * k, (0xA0, 62, 5 * k)) for k in range(20)], ("key_pressure", 1, 62, "knob"), id="of a key"),
        pytest.param([(0.0, (0xC4, 12))], ("program", 5, -1, "number"), id="program change"),
        pytest.param(
            [
                (0.01 * k, (0xB0, number, value))
                for k in range(20)
                for number, value in [(99, 9), (98, 3), (6, 5 * k), (38, 0)]
            ],
            ("nrpn", 1, 9 * 128 + 3, "knob"),
            id="NRPN",
        ),
        pytest.param(
            [(0.0, (0xB0, 101, 0)), (0.0, (0xB0, 100, 1)), *[(0.01 * k, (0xB0, 6, 6 * k)) for k in range(20)]],
            ("rpn", 1, 1, "knob"),
            id="RPN, selected once",
        ),
    ],
)  # fmt: skip
def test_each_kind_of_control_is_recognised_from_what_it_sends(
    messages: list[Timed], wanted: tuple[object, ...]
) -> None:
    assert recognised(messages) == wanted


def test_a_fader_that_jitters_does_not_win_over_one_that_moves() -> None:
    jitter = fader(1, *[63, 64, 65, 64] * 60, every=0.005)
    assert recognised([*jitter, *fader(2, *range(40, 60), start=0.6)]) == ("cc", 1, 2, "knob")


def test_a_fader_of_14_bits_that_jitters_between_two_high_bytes_does_not_win() -> None:
    jitter = pair(1, *[8190, 8194, 8191, 8195] * 40)
    assert recognised([*jitter, *fader(7, *range(40, 60), start=0.6)]) == ("cc", 1, 7, "knob")


def test_nothing_is_recognised_while_everything_only_jitters() -> None:
    assert recognised(fader(1, *[63, 64, 65, 64] * 200, every=0.005)) == ()


def test_of_two_that_move_the_one_that_moves_further_wins() -> None:
    assert recognised([*fader(1, *range(20, 40)), *fader(2, *range(20, 100, 4))]) == ("cc", 1, 2, "knob")


def test_a_button_on_a_low_bytes_number_is_no_half_of_a_fader_that_was_moved_before() -> None:
    assert recognised(fader(33, 127, 0, every=0.1), before=fader(1, *SWEEP)) == ("cc", 1, 33, "button")


def test_a_pair_that_was_heard_before_needs_no_second_look() -> None:
    before = pair(3, *range(0, 16000, 500))
    assert recognised(pair(3, *range(1000, 6000, 250)), before=before) == ("cc14", 1, 3, "knob")


def test_a_fader_that_moves_fast_to_its_end_is_no_button() -> None:
    assert recognised(fader(7, 60, 127), before=fader(7, 3)) == ("cc", 1, 7, "knob")


def test_a_pad_wins_over_the_pressure_bend_and_height_of_the_same_hand() -> None:
    struck: list[Timed] = [(0.0, (0xE3, 0, 64)), (0.0, (0xB3, 74, 10)), (0.001, (0x93, 60, 80))]
    pressed = [(0.01 * k, (0xD3, 6 * k)) for k in range(1, 20)]
    slid = [(0.01 * k, (0xB3, 74, 10 + 5 * k)) for k in range(1, 20)]
    assert recognised([*struck, *pressed, *slid]) == ("pad", 4, 60, "button")


def test_pressure_of_a_key_that_was_struck_before_can_be_taught() -> None:
    pressed: list[Timed] = [(0.01 * k, (0xD3, 6 * k)) for k in range(1, 20)]
    assert recognised(pressed, before=[(0.0, (0x93, 60, 80))]) == ("pressure", 4, -1, "knob")


def test_ports_are_told_apart() -> None:
    one = [(at, (*message, 1)) for at, message in fader(7, *[60, 61] * 100)]
    recogniser_heard = recognised([*one, *fader(7, *range(0, 100, 5), start=0.2)])
    assert recogniser_heard == ("cc", 1, 7, "knob")


def test_a_decision_is_made_within_its_time() -> None:
    assert recognised(fader(7, *range(40, 60)), patience=SETTLE_SECONDS + 0.15) != ()
    assert recognised(fader(16, 1, 1, 1, 1), patience=SETTLE_SECONDS + 0.15) == ()
    assert recognised(fader(16, 1, 1, 1, 1), patience=LONGEST_SECONDS + 0.15) != ()


def test_an_endless_knob_turned_one_way_asks_for_the_other() -> None:
    recogniser, decoder = Recogniser(), ControlDecoder()
    recogniser.begin()
    for k in range(5):
        for sender, value in decoder.decode(0, 0xB0, 16, 1):
            recogniser.hear(0.01 * k, sender, value)
    assert recogniser.hint == "turn it the other way too"


def test_a_slow_fader_is_no_endless_knob() -> None:
    for values in (
        [1, 2, 3, 4, 5],
        [66, 65, 64, 65, 66],
        [127, 126, 125, 124],
        [5, 5, 20, 20, 60, 60, 90, 90],
    ):
        assert recognise_coding(values) is None


def test_kinds_that_cannot_do_it_are_passed_over() -> None:
    recogniser, decoder = Recogniser(), ControlDecoder()
    recogniser.begin(but={"program"})
    for sender, value in decoder.decode(0, 0xC0, 5, 0):
        recogniser.hear(0.0, sender, value)
    assert recogniser.decide(10.0) is None


def test_parameter_numbers_select_and_are_no_controls() -> None:
    decoder = ControlDecoder()
    assert decoder.decode(0, 0xB0, 101, 0) == decoder.decode(0, 0xB0, 100, 1) == []
    assert decoder.decode(0, 0xB0, 6, 2) == [(ControlSource(0, "rpn", 0, 1), 256)]
    assert decoder.decode(0, 0xB0, 38, 5) == [(ControlSource(0, "rpn", 0, 1), 261)]
    assert decoder.decode(0, 0xB0, 97, 0) == [(ControlSource(0, "rpn", 0, 1), 260)]
    decoder.decode(0, 0xB0, 100, 127)
    decoder.decode(0, 0xB0, 101, 127)
    # Nothing is selected any more, so data entry is a controller like any other.
    assert [sender.message for sender, _ in decoder.decode(0, 0xB0, 6, 2)] == ["cc", "cc14"]
