"""What waits is sent as fast as a MIDI cable carries it, the newest value of each control, in fair order."""

from __future__ import annotations

from instrument.midi.cable_pace import BYTE_SECONDS, CREDIT_SECONDS, Pace


def test_three_bytes_take_as_long_as_the_electrical_specification_says() -> None:
    # 31,250 baud, a start bit, eight bits, a stop bit: 320 microseconds a byte (MIDI 1.0, Hardware).
    assert round(3 * BYTE_SECONDS, 9) == 0.00096


def sent_until(pace: Pace, end: float, step: float = 0.002) -> list[object]:
    found: list[object] = []
    for k in range(round(end / step) + 1):
        found += [key for key, _ in pace.due(1000.0 + k * step)]
    return found


def test_a_second_carries_as_many_messages_as_the_cable_and_hardly_more() -> None:
    pace = Pace()
    for key in range(5000):
        pace.put(key, ((0xB0, 1, 2),))
    count = len(sent_until(pace, 1.0))
    assert 1 / 0.00096 - 5 <= count <= (1.0 + CREDIT_SECONDS) / 0.00096 + 1


def test_the_newest_value_is_sent_in_the_place_of_the_one_that_waited() -> None:
    pace = Pace()
    for key in "abc":
        pace.put(key, ((0xB0, 1, 2),))
    pace.put("b", ((0xB0, 1, 99),))
    found = []
    for k in range(20):
        found += pace.due(1000.0 + k * 0.001)
    assert [key for key, _ in found] == ["a", "b", "c"]
    assert found[1][1] == ((0xB0, 1, 99),)


def test_one_that_changes_all_the_time_keeps_nobody_waiting() -> None:
    pace = Pace()
    for key in range(10):
        pace.put(key, ((0xB0, 1, 2),))
    order: list[object] = []
    for k in range(30):
        pace.put(0, ((0xB0, 1, k),))
        order += [key for key, _ in pace.due(1000.0 + k * 0.001)]
    assert order[:11] == [*range(10), 0]


def test_what_belongs_together_is_sent_together_and_takes_its_time() -> None:
    pace = Pace()
    pair = ((0xB0, 1, 2), (0xB0, 33, 4))
    for key in range(800):
        pace.put(key, pair)
    assert 1 / 0.00192 - 5 <= len(sent_until(pace, 1.0)) <= 1 / 0.00192 + 5


def test_what_is_dropped_is_not_sent() -> None:
    pace = Pace()
    pace.put("a", ((0xB0, 1, 2),))
    pace.drop("a")
    pace.drop("b")
    assert pace.due(1000.0) == []
    assert len(pace) == 0
