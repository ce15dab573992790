"""Controllers show what the instrument is set to, and never hear what they have just said."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from instrument.engine.engine import Engine, action_event, midi_event
from instrument.engine.memory.layout import ACTIONS, CURVES, MANNERS
from instrument.midi.feedback import BYTE_SECONDS, CREDIT_SECONDS, HANDS_OFF_SECONDS, POLL_SECONDS, CableQueue, Feedback
from tests.engine.playing import listen_to, one_circle, started

if TYPE_CHECKING:
    from instrument.engine.program import Program


X, Y = "output.offset.x", "output.offset.y"
TOGGLE, RADIO = float(MANNERS.index("toggle")), float(MANNERS.index("radio"))
Message = tuple[int, ...]


class Controller:
    """The controller's own end: what was sent to it."""

    def __init__(self) -> None:
        self.got: list[Message] = []

    def send(self, message: Message) -> None:
        self.got.append(message)

    def is_there(self) -> bool:
        return True

    def close(self) -> None:
        pass

    def take(self) -> list[Message]:
        taken, self.got = self.got, []
        return taken


class Desk:
    """An instrument, and controllers by their number, in a time of its own."""

    def __init__(self, program: Program, *numbers: int) -> None:
        self.engine: Engine = started(program)
        self.controllers = {number: Controller() for number in numbers or (1,)}
        self.feedback = Feedback(self.engine)
        self.feedback.send_to(self.controllers)
        self.now = 1000.0

    def wait(self, seconds: float = 0.5) -> None:
        for _ in range(round(seconds / POLL_SECONDS)):
            self.engine.render(16)
            self.now += POLL_SECONDS
            self.feedback.poll(self.now)
            self.feedback.send(self.now)
            for k in range(9):
                self.feedback.send(self.now + 0.002 * k)

    def hear(self, *messages: Message, port: int = 1) -> None:
        for message in messages:
            status, first, second = (*message, 0, 0)[:3]
            assert self.engine.push(midi_event(0, status, first, second, port))

    def set(self, address: str, value: float) -> None:
        assert self.engine.set(address, value)

    def got(self, number: int = 1) -> list[Message]:
        return self.controllers[number].take()


def desk_with(*controls: tuple[str, str, float, float, dict[str, float]], numbers: tuple[int, ...] = (1,)) -> Desk:
    program = one_circle()
    for message, address, low, high, more in controls:
        listen_to(program, message, address, low, high, **{"channel": 0, **more})
    desk = Desk(program, *numbers)
    desk.wait()
    for number in numbers:
        desk.got(number)
    return desk


@pytest.mark.parametrize(
    ("control", "value", "wanted"),
    [
        (("cc", X, 0.0, 2.0, {"number": 7}), 0.5, [(0xB0, 7, 32)]),
        (("cc", X, 2.0, 0.0, {"number": 7}), 0.5, [(0xB0, 7, 95)]),
        (("cc", X, 1.0, 100.0, {"number": 7, "curve": CURVES.index("exp")}), 10.0, [(0xB0, 7, 64)]),
        (("cc14", X, 0.0, 16383.0, {"number": 3}), 300.0, [(0xB0, 3, 2), (0xB0, 35, 44)]),
        (("nrpn", X, 0.0, 16383.0, {"number": 261}), 300.0, [(0xB0, 99, 2), (0xB0, 98, 5), (0xB0, 6, 2), (0xB0, 38, 44)]),
        (("rpn", X, 0.0, 16383.0, {"number": 5}), 300.0, [(0xB0, 101, 0), (0xB0, 100, 5), (0xB0, 6, 2), (0xB0, 38, 44)]),
        (("bend", X, -1.0, 1.0, {}), 1.0, [(0xE0, 127, 127)]),
        (("pad", X, 0.0, 1.0, {"number": 36, "channel": 9}), 1.0, [(0x99, 36, 127)]),
        (("cc", X, 0.0, 1.0, {"number": 20, "manner": TOGGLE}), 1.0, [(0xB0, 20, 127)]),
        (("cc", X, 0.0, 1.0, {"number": 16, "manner": 3.0}), 0.5, [(0xB0, 16, 64)]),
        (("cc", X, 0.0, 2.0, {"number": 7, "channel": -1}), 0.5, [(0xB0, 7, 32)]),
    ],
)  # fmt: skip
def test_a_value_that_was_typed_is_shown_by_each_kind_of_control(
    control: tuple[str, str, float, float, dict[str, float]], value: float, wanted: list[Message]
) -> None:
    desk = desk_with(control)
    desk.set(X, value)
    desk.wait()
    assert desk.got() == wanted


def test_what_a_control_says_itself_is_not_sent_back_to_it() -> None:
    desk = desk_with(("cc", X, 0.0, 1.0, {"number": 7}), ("cc14", Y, 0.0, 1.0, {"number": 3}))
    for value in range(0, 128, 3):
        desk.hear((0xB0, 7, value), (0xB0, 3, value), (0xB0, 35, 127 - value))
        desk.wait(0.02)
    desk.wait(2.0)
    assert desk.got() == []


def test_what_one_controller_says_is_shown_by_another_that_has_the_same_control() -> None:
    desk = desk_with(("cc", X, 0.0, 1.0, {"number": 7}), numbers=(1, 2))
    desk.hear((0xB0, 7, 30), port=2)
    desk.wait()
    desk.hear((0xB0, 7, 60), port=1)
    desk.wait()
    assert desk.got(1) == []
    assert desk.got(2) == [(0xB0, 7, 60)]


def test_a_control_that_was_heard_from_one_port_is_shown_there_alone() -> None:
    desk = desk_with(("cc", X, 0.0, 1.0, {"number": 7}), numbers=(1, 2))
    desk.hear((0xB0, 7, 30), port=2)
    desk.wait()
    desk.set(X, 1.0)
    desk.wait()
    assert (desk.got(1), desk.got(2)) == ([], [(0xB0, 7, 127)])


def test_nothing_is_sent_to_a_fader_under_a_hand_and_the_newest_value_once_it_is_let_go() -> None:
    desk = desk_with(("cc", X, 0.0, 1.0, {"number": 7}))
    desk.hear((0xB0, 7, 30))
    desk.wait(0.04)
    for value in (0.5, 0.75, 1.0):
        desk.set(X, value)
        desk.wait(0.04)
    assert desk.got() == []
    desk.wait(HANDS_OFF_SECONDS)
    assert desk.got() == [(0xB0, 7, 127)]


def test_a_toggle_stays_lit_after_its_button_came_up_and_goes_dark_with_the_next_press() -> None:
    desk = desk_with(("pad", X, 0.0, 1.0, {"number": 36, "manner": TOGGLE}))
    desk.hear((0x90, 36, 100))
    desk.wait(0.1)
    desk.hear((0x80, 36, 0))
    desk.wait(0.2)
    assert desk.got()[-1:] == [(0x90, 36, 127)]
    desk.hear((0x90, 36, 100))
    desk.wait(0.1)
    desk.hear((0x80, 36, 0))
    desk.wait(0.2)
    assert desk.got()[-1:] == [(0x90, 36, 0)]


def test_of_radio_buttons_the_chosen_one_alone_is_lit() -> None:
    buttons = [("cc", address, 0.0, 1.0, {"number": 20 + k, "manner": RADIO}) for k, address in enumerate((X, Y))]
    desk = desk_with(*buttons)
    desk.hear((0xB0, 20, 127), (0xB0, 20, 0))
    desk.wait()
    assert desk.got() == [(0xB0, 20, 127)]
    desk.hear((0xB0, 21, 127), (0xB0, 21, 0))
    desk.wait()
    assert sorted(desk.got()) == [(0xB0, 20, 0), (0xB0, 21, 127)]


def test_a_snapshot_that_is_recalled_moves_every_fader_of_its_values() -> None:
    program = one_circle()
    listen_to(program, "cc", X, 0.0, 1.0, number=7, channel=0)
    listen_to(program, "cc", Y, 0.0, 1.0, number=8, channel=0)
    program.add_snapshot({X: 1.0, Y: 1.0})
    desk = Desk(program)
    desk.wait()
    assert sorted(desk.got()) == [(0xB0, 7, 0), (0xB0, 8, 0)]
    desk.engine.push(action_event(0, "snapshot", 1))
    desk.wait()
    assert sorted(desk.got()) == [(0xB0, 7, 127), (0xB0, 8, 127)]


def test_another_patch_is_shown_as_a_whole_and_what_it_does_not_have_goes_dark() -> None:
    desk = desk_with(("cc", X, 0.0, 1.0, {"number": 7}), ("cc", Y, 0.0, 1.0, {"number": 20, "manner": TOGGLE}))
    desk.set(Y, 1.0)
    desk.set(X, 1.0)
    desk.wait()
    assert sorted(desk.got()) == [(0xB0, 7, 127), (0xB0, 20, 127)]
    other = one_circle()
    other.set(X, 0.5)
    listen_to(other, "cc", X, 0.0, 1.0, number=7, channel=0)
    desk.engine.play(other)
    desk.wait()
    assert sorted(desk.got()) == [(0xB0, 7, 64), (0xB0, 20, 0)]


def test_a_controller_that_is_plugged_in_is_told_everything() -> None:
    desk = desk_with(("cc", X, 0.0, 1.0, {"number": 7}))
    late = Controller()
    desk.feedback.send_to({**desk.controllers, 5: late})
    desk.wait()
    assert late.take() == [(0xB0, 7, 0)]
    assert desk.got() == []


def test_the_pad_of_the_patch_that_plays_is_lit() -> None:
    program = one_circle()
    for k in range(2):
        listen_to(
            program,
            "pad",
            X,
            0.0,
            1.0,
            number=36 + k,
            channel=9,
            action=ACTIONS.index("patch"),
            argument=k + 1,
        )
    desk = Desk(program)
    desk.wait()
    assert sorted(desk.got()) == [(0x99, 36, 127), (0x99, 37, 0)]
    desk.engine.record["set_at"] = 1
    desk.wait()
    assert sorted(desk.got()) == [(0x99, 36, 0), (0x99, 37, 127)]


def test_nothing_is_sent_while_it_is_switched_off_and_all_once_it_is_on() -> None:
    desk = desk_with(("cc", X, 0.0, 1.0, {"number": 7}))
    desk.feedback.on = lambda: False
    desk.set(X, 1.0)
    desk.wait()
    assert desk.got() == []
    desk.feedback.on = lambda: True
    desk.wait()
    assert desk.got() == [(0xB0, 7, 127)]


def test_a_wheel_that_bends_notes_and_a_key_are_not_shown() -> None:
    desk = desk_with(("bend", "layer.1.pen.bend", -2.0, 2.0, {"by_bend_range": 1}), ("note", X, 0.0, 127.0, {}))
    desk.set(X, 60.0)
    desk.set("layer.1.pen.bend", 1.0)
    desk.wait()
    assert desk.got() == []


def test_a_controller_that_echoes_everything_comes_to_rest() -> None:
    desk = desk_with(
        ("cc", X, 0.0, 1.0, {"number": 7}),
        ("cc14", Y, 1.0, 100.0, {"number": 3, "curve": CURVES.index("exp")}),
    )
    desk.set(X, 0.501)
    desk.set(Y, 33.3)
    count = 0
    for _ in range(100):
        desk.wait(0.02)
        for message in desk.got():
            desk.hear(message)
            count += 1
    assert 3 <= count <= 6


def test_a_morph_of_many_parameters_keeps_to_the_cable() -> None:
    program = one_circle()
    for k in range(100):
        listen_to(
            program,
            "cc",
            f"layer.{k % 8 + 1}.place.move.{'xyz'[k // 8 % 3]}",
            0.0,
            1.0,
            number=k % 96,
            channel=k // 96,
        )
    desk = Desk(program)
    began = desk.now
    for k in range(50):
        for layer in range(1, 9):
            desk.set(f"layer.{layer}.place.move.x", k / 50)
        desk.wait(0.02)
    assert len(desk.got()) * 0.00096 <= desk.now - began + 0.01


def test_three_bytes_take_as_long_as_the_electrical_specification_says() -> None:
    # 31,250 baud, a start bit, eight bits, a stop bit: 320 microseconds a byte (MIDI 1.0, Hardware).
    assert round(3 * BYTE_SECONDS, 9) == 0.00096


def sent_until(pace: CableQueue, end: float, step: float = 0.002) -> list[object]:
    found: list[object] = []
    for k in range(round(end / step) + 1):
        found += [key for key, _ in pace.due(1000.0 + k * step)]
    return found


def test_a_second_carries_as_many_messages_as_the_cable_and_hardly_more() -> None:
    pace = CableQueue()
    for key in range(5000):
        pace.put(key, ((0xB0, 1, 2),))
    count = len(sent_until(pace, 1.0))
    assert 1 / 0.00096 - 5 <= count <= (1.0 + CREDIT_SECONDS) / 0.00096 + 1


def test_the_newest_value_is_sent_in_the_place_of_the_one_that_waited() -> None:
    pace = CableQueue()
    for key in "abc":
        pace.put(key, ((0xB0, 1, 2),))
    pace.put("b", ((0xB0, 1, 99),))
    found = []
    for k in range(20):
        found += pace.due(1000.0 + k * 0.001)
    assert [key for key, _ in found] == ["a", "b", "c"]
    assert found[1][1] == ((0xB0, 1, 99),)


def test_one_that_changes_all_the_time_keeps_nobody_waiting() -> None:
    pace = CableQueue()
    for key in range(10):
        pace.put(key, ((0xB0, 1, 2),))
    order: list[object] = []
    for k in range(30):
        pace.put(0, ((0xB0, 1, k),))
        order += [key for key, _ in pace.due(1000.0 + k * 0.001)]
    assert order[:11] == [*range(10), 0]


def test_what_belongs_together_is_sent_together_and_takes_its_time() -> None:
    pace = CableQueue()
    pair = ((0xB0, 1, 2), (0xB0, 33, 4))
    for key in range(800):
        pace.put(key, pair)
    assert 1 / 0.00192 - 5 <= len(sent_until(pace, 1.0)) <= 1 / 0.00192 + 5


def test_what_is_dropped_is_not_sent() -> None:
    pace = CableQueue()
    pace.put("a", ((0xB0, 1, 2),))
    pace.drop("a")
    pace.drop("b")
    assert pace.due(1000.0) == []
    assert len(pace) == 0
