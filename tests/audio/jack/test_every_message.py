"""Everything that a channel can say changes what it should, through real ports and both drivers; so does a crowd."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.memory.layout import EVENT_MIDI
from tests.reference.midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CHANNEL_PRESSURE,
    CONTROL_CHANGE,
    DATA_ENTRY,
    DATA_ENTRY_LOW,
    NOTE_OFF,
    NOTE_ON,
    NRPN_HIGH,
    NRPN_LOW,
    PITCH_BEND,
    POLY_PRESSURE,
    PROGRAM_CHANGE,
    RESET_ALL_CONTROLLERS,
    RPN_BEND_RANGE,
    RPN_HIGH,
    RPN_LOW,
    SOSTENUTO,
    SUSTAIN,
)
from tests.show.listening import Listener, wait_until
from tests.show.playing import Playing

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from instrument.engine.engine import Engine

pytestmark = pytest.mark.realtime

DRIVERS = pytest.mark.parametrize("audio", ["jack", "system"], ids=["jack", "portaudio and rtmidi"])

KNOBS = (
    ("cc", 'number = 20\nrange = [0, 127]', "layer.1.place.move.x"),
    ("cc14", 'number = 3\nrange = [0, 16383]', "layer.1.place.move.y"),
    ("rpn", 'number = 5\nrange = [0, 16383]', "layer.1.place.move.z"),
    ("nrpn", 'number = 261\nrange = [0, 16383]', "layer.2.place.move.x"),
    ("bend", "", "layer.2.place.move.y"),
    ("pressure", "range = [0, 127]", "layer.2.place.move.z"),
    ("key_pressure", 'number = "C4"\nrange = [0, 127]', "layer.3.place.move.x"),
    ("note", "", "layer.3.place.move.y"),
    ("velocity", "range = [0, 127]", "layer.3.place.move.z"),
    ("release", "range = [0, 127]", "layer.4.place.move.x"),
    ("gate", "", "layer.4.place.move.y"),
    ("pad", 'number = 36\nrange = [0, 127]', "layer.4.place.move.z"),
    ("program", "range = [0, 127]", "layer.5.place.move.x"),
    ("cc", 'number = 21\nmanner = "relative_twos"\nrange = [-127, 127]', "layer.5.place.move.y"),
    ("cc", 'number = 22\nmanner = "relative_offset"\nrange = [-127, 127]', "layer.5.place.move.z"),
    ("cc", 'number = 23\nmanner = "relative_sign"\nrange = [-127, 127]', "layer.6.place.move.x"),
    ("cc", 'number = 24\nmanner = "toggle"\nrange = [0, 5]', "layer.6.place.move.y"),
)  # fmt: skip
VALUES: list[tuple[list[tuple[int, ...]], str, float]] = [
    ([(CONTROL_CHANGE, 20, 90)], "layer.1.place.move.x", 90.0),
    ([(CONTROL_CHANGE, 3, 2), (CONTROL_CHANGE, 35, 44)], "layer.1.place.move.y", 300.0),
    (
        [(CONTROL_CHANGE, RPN_HIGH, 0), (CONTROL_CHANGE, RPN_LOW, 5), (CONTROL_CHANGE, DATA_ENTRY, 2), (CONTROL_CHANGE, DATA_ENTRY_LOW, 9)],
        "layer.1.place.move.z",
        265.0,
    ),
    (
        [(CONTROL_CHANGE, NRPN_HIGH, 2), (CONTROL_CHANGE, NRPN_LOW, 5), (CONTROL_CHANGE, DATA_ENTRY, 1), (CONTROL_CHANGE, DATA_ENTRY_LOW, 7)],
        "layer.2.place.move.x",
        135.0,
    ),
    ([(PITCH_BEND, 127, 127)], "layer.2.place.move.y", 2.0),
    (
        [(CONTROL_CHANGE, RPN_HIGH, 0), (CONTROL_CHANGE, RPN_LOW, RPN_BEND_RANGE), (CONTROL_CHANGE, DATA_ENTRY, 7), (PITCH_BEND, 127, 127)],
        "layer.2.place.move.y",
        7.0,
    ),
    ([(CHANNEL_PRESSURE, 55)], "layer.2.place.move.z", 55.0),
    ([(POLY_PRESSURE, 60, 66)], "layer.3.place.move.x", 66.0),
    ([(NOTE_ON, 60, 77)], "layer.3.place.move.y", 60.0),
    ([], "layer.3.place.move.z", 77.0),
    ([], "layer.4.place.move.y", 1.0),
    ([(NOTE_OFF, 60, 33)], "layer.4.place.move.x", 33.0),
    ([], "layer.4.place.move.y", 0.0),
    ([(NOTE_ON, 36, 88)], "layer.4.place.move.z", 88.0),
    ([(NOTE_ON, 36, 0)], "layer.4.place.move.z", 0.0),
    ([(PROGRAM_CHANGE, 12)], "layer.5.place.move.x", 12.0),
    ([(CONTROL_CHANGE, 21, 126)], "layer.5.place.move.y", -4.0),
    ([(CONTROL_CHANGE, 22, 66)], "layer.5.place.move.z", 4.0),
    ([(CONTROL_CHANGE, 23, 66)], "layer.6.place.move.x", -4.0),
    ([(CONTROL_CHANGE, 24, 127)], "layer.6.place.move.y", 5.0),
    ([(CONTROL_CHANGE, 24, 0), (CONTROL_CHANGE, 24, 127)], "layer.6.place.move.y", 0.0),
    ([(CONTROL_CHANGE, RESET_ALL_CONTROLLERS, 0)], "layer.2.place.move.y", 0.0),
]  # fmt: skip
"""Messages, and the parameter that they move. MIDI 1.0 Detailed Specification 4.2, tables II to IV, by their names."""

HELD: list[tuple[list[tuple[int, ...]], int]] = [
    ([(NOTE_ON, 50, 9), (NOTE_ON, 52, 9)], 2),
    ([(CONTROL_CHANGE, SUSTAIN, 127), (NOTE_OFF, 50, 0)], 2),
    ([(CONTROL_CHANGE, SUSTAIN, 0)], 1),
    ([(CONTROL_CHANGE, SOSTENUTO, 127), (NOTE_OFF, 52, 0), (NOTE_ON, 53, 9), (NOTE_OFF, 53, 0)], 1),
    ([(CONTROL_CHANGE, SOSTENUTO, 0)], 0),
    ([(NOTE_ON, 50, 9), (CONTROL_CHANGE, ALL_NOTES_OFF, 0)], 0),
    ([(NOTE_ON, 50, 9), (CONTROL_CHANGE, SUSTAIN, 127), (CONTROL_CHANGE, ALL_SOUND_OFF, 0)], 0),
]
"""Messages, and how many notes are held then."""


@pytest.fixture
def patch(tmp_path: Path) -> Path:
    path = tmp_path / "everything.toml"
    controls = [
        f'[[control]]\nmessage = "{message}"\n{more}\nparameter = "{address}"\n' for message, more, address in KNOBS
    ]
    path.write_text('schema = 1\ntitle = "Everything"\nramp = 0\n' + "[[layer]]\n" * 6 + "".join(controls))
    return path


@DRIVERS
def test_every_kind_of_message_changes_what_it_should(jack: str, patch: Path, audio: str) -> None:
    # A period that the server loses takes its messages with it, which is no fault of ours, so they may try again.
    for last in (False, False, True):
        with Listener(jack) as listener, Playing([patch], audio=audio) as show:
            engine = show.engine()
            listener.play_into()
            before = listener.xruns
            try:
                say_everything(listener, engine)
            except AssertionError:
                if last or listener.xruns == before:
                    raise
                continue
            assert show.end() == 0
            return


def say_everything(listener: Listener, engine: Engine) -> None:
    for messages, address, value in VALUES:
        listener.send(*messages)
        wait_until(lambda a=address, v=value: abs(engine.value(a) - v) < 1e-9, f"{address} to be {value}", 3.0)  # type: ignore[misc]  # fmt: skip
    for messages, count in HELD:
        applied = int(engine.record["log_at"]) + len(messages)
        listener.send(*messages)
        wait_until(lambda a=applied: int(engine.record["log_at"]) >= a, "the messages", 3.0)  # type: ignore[misc]  # fmt: skip
        assert int(engine.record["n_held_notes"]) == count, messages
    listener.send((0xFA,), *[(0xF8,)] * 5, (0xFC,), (0xF2, 8, 0), (0xFB,))
    told = [0xFA, *[0xF8] * 5, 0xFC, 0xF2, 0xFB]
    wait_until(lambda: kept_time(engine)[-9:] == told, "what keeps time", 3.0)


def kept_time(engine: Engine) -> list[int]:
    log, _, _ = engine.log_since(0)
    return [int(row["data"][0]) for row in log if int(row["kind"]) == EVENT_MIDI and int(row["data"][0]) >= 0xF0]


def test_two_thousand_messages_in_a_second_from_two_ports_lose_nothing_through_rtmidi(
    jack: str, patch: Path, record_property: Callable[[str, object], None]
) -> None:
    """Through the native driver see test_jack."""
    messages = [(k % 2, 24 * k, (CONTROL_CHANGE + k % 2, 40 + k // 128 % 20, k % 128)) for k in range(2000)]
    with Listener(jack) as listener, Playing([patch], audio="system", midi=["listener"]) as show:
        engine = show.engine()
        show.wait_for("playing Everything")
        wait_until(lambda: engine.time > 48_000, "the first second, with its own misses")
        before, underflows = listener.xruns, int(engine.record["counters"]["underflows"])
        listener.send_on(*messages)
        time.sleep(0.3)
        missed = listener.xruns - before
        underflows = int(engine.record["counters"]["underflows"]) - underflows
        log, _, _ = engine.log_since(0)
        arrived = [tuple(row["data"].tolist()) for row in log if int(row["kind"]) == EVENT_MIDI]
        assert show.end() == 0
    took = (listener.sent[-1][0] - listener.sent[0][0]) / 48_000
    record_property("two thousand messages", f"{took:.3f} s, {underflows} underflows, {missed} periods lost")
    assert took < 1.2 or missed
    assert engine.record["counters"]["refused_events"] == 0
    assert underflows <= missed + 2
    for channel in (0, 1):
        given = [data for at, _, data in messages if at == channel]
        found = [data for data in arrived if data[0] == CONTROL_CHANGE + channel]
        if not missed:  # a period that the server loses takes its messages with it, or gives them out twice
            assert found == given
        places = {data: place for place, data in enumerate(given)}
        firsts = list(dict.fromkeys(places[data] for data in found))
        assert (np.diff(firsts) > 0).all()
        assert len(given) - len(firsts) <= 6 * missed
