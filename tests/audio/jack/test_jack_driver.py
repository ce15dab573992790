"""The JACK driver on a real server: sound, MIDI on its frames, live input, and what a server may do to us."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.audio.choice import choose_driver
from instrument.audio.driver import DeviceError
from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.jack.server import jack_devices
from instrument.engine.engine import Engine
from instrument.engine.memory.layout import EVENT_MIDI
from tests.show.listening import Listener, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

    from instrument.engine.program import Program

pytestmark = pytest.mark.realtime


@pytest.fixture
def driver(jack: str, level_program: Program) -> Iterator[JackDriver]:
    """The driver, playing a program whose levels controller 1 and the keys move."""
    assert jack
    with started(level_program) as playing:
        yield playing


def started(program: Program, live: str | None = None) -> JackDriver:
    device = next(iter(jack_devices()), None)
    assert device is not None
    engine = Engine(device.rate)
    engine.play(program)
    driver = JackDriver(engine, device, live)
    driver.start()
    wait_until(lambda: engine.time > 4800, "the first tenth of a second")
    return driver


def midi_log(engine: Engine) -> list[tuple[int, tuple[int, ...], int]]:
    """Sample, bytes and port of every message that took effect."""
    log, _, lost = engine.log_since(0)
    assert lost == 0
    return [
        (int(row["time"]), tuple(row["data"].tolist()), int(row["port"]))
        for row in log
        if int(row["kind"]) == EVENT_MIDI
    ]


def test_a_server_that_answers_is_the_default_and_has_a_name(jack: str) -> None:
    assert jack
    for audio in (None, "jack", "JACK"):
        choice = choose_driver(audio, None, None)
        assert choice.device is not None
        assert (choice.device.name, choice.device.host, choice.rate) == ("jack", "JACK", 48_000.0)
        assert (choice.device.inputs, choice.device.outputs) == (2, 2)
        with choice.open(Engine(choice.rate)) as driver:
            assert isinstance(driver, JackDriver)
            assert driver.block == 64
            assert not driver.running


def test_no_server_is_joined_while_one_that_has_died_is_still_being_left(
    jack: str, level_program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert jack
    driver = started(level_program)
    slow, leave = threading.Event(), driver.client.library.jack_client_close
    monkeypatch.setattr(driver.client.library, "jack_client_close", lambda handle: (slow.wait(), leave(handle)))
    monkeypatch.setattr("instrument.audio.jack.jack_driver._PATIENCE", 0.05)
    driver.state["gone"] = 1
    driver.close()
    assert jack_devices() == []
    monkeypatch.setattr(driver.client.library, "jack_client_close", leave)
    slow.set()
    wait_until(lambda: bool(jack_devices()), "the server to be joined again")


def test_another_rate_is_refused_in_one_sentence(jack: str) -> None:
    assert jack
    choice = choose_driver("jack", 96_000.0, None)
    with pytest.raises(DeviceError, match=r"^jack \(JACK\) refuses 96000 Hz; it runs at 48000 \(--rate 48000\)\.$"):
        choice.open(Engine(96_000.0))


def test_without_a_server_the_name_is_refused_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "no_such_server")
    assert jack_devices() == []
    with pytest.raises(DeviceError, match="no JACK server answers"):
        choose_driver("jack", None, None)


def test_it_can_be_stopped_and_started_again(driver: JackDriver) -> None:
    engine = driver._engine
    driver.stop()
    assert not driver.running
    before = engine.time
    time.sleep(0.1)
    assert engine.time == before
    driver.start()
    wait_until(lambda: engine.time > before + 4800, "the sound to go on")


def test_each_message_takes_effect_on_its_own_frame(jack: str, driver: JackDriver) -> None:
    engine = driver._engine
    # Distances of no pattern, so that every place in a period is met.
    frames = np.cumsum([61 * k % 97 + 1 for k in range(200)]).tolist()
    with Listener(jack) as listener:
        listener.play_into()
        before = int(driver.state["xruns"])
        listener.send_on(*[(0, frame, (0xB0, 1 + k // 100, k % 100)) for k, frame in enumerate(frames)])
        time.sleep(0.2)
        missed = int(driver.state["xruns"]) - before
        places: dict[tuple[int, ...], tuple[int, int]] = {
            data: (period, place) for period, place, data in listener.sent
        }
    found = [(sample, data) for sample, data, _ in midi_log(engine)]
    assert len(set(found)) >= 200 - 3 * missed
    # The engine has been called for whole periods, so the place in a period is to be seen in its own time.
    assert {int(sample % 64) - places[data][1] for sample, data in found} == {0}
    if not missed:
        assert len({sample - sum(places[data]) for sample, data in found}) == 1


def test_two_thousand_messages_a_second_from_two_ports_all_arrive_in_their_order(jack: str, driver: JackDriver) -> None:
    engine = driver._engine
    place = driver.add_source("second", 7)
    assert place == 1
    messages = [
        (k % 2, 24 * k, (0xB0, 1 + k // 128 % 100, k % 128)) for k in range(2000)
    ]  # one every half a millisecond
    with Listener(jack) as listener:
        listener.play_into()
        listener.play_other_into("Beamhand:second")
        before = int(driver.state["xruns"])
        listener.send_on(*messages)
        time.sleep(0.2)
        found = midi_log(engine)
        missed = int(driver.state["xruns"]) - before
        took = (listener.sent[-1][0] - listener.sent[0][0]) / 48_000
    assert took < 1.2 or missed
    for port, number in ((0, 0), (1, 7)):
        given: list[tuple[int, ...]] = [data for at, _, data in messages if at == port]
        arrived = [data for _, data, at in found if at == number]
        if not missed:  # a period that the server loses takes its messages with it, or gives them out twice
            assert arrived == given
        places = {data: place for place, data in enumerate(given)}
        firsts = list(dict.fromkeys(places[data] for data in arrived))
        assert firsts == sorted(firsts)
        assert len(given) - len(firsts) <= 2 * 3 * missed
    counters = engine.record["counters"]
    assert (int(counters["refused_events"]), int(counters["late_events"])) == (0, 0)


def test_messages_are_sent_on_their_frames_and_in_order(jack: str, driver: JackDriver) -> None:
    engine = driver._engine
    target = driver.add_target("feedback")
    with Listener(jack) as listener:
        listener.connect("Beamhand:feedback", "listener:in")
        start = engine.time + 9600 + 17
        before = int(driver.state["xruns"])
        times = [start + 37 * k for k in range(100)]
        for k, sample in enumerate(times):
            assert driver.send(target, (0xB0, 7, k), sample)
        assert driver.send(target, (0xF8,), times[-1] + 1)
        wait_until(lambda: listener.received[-1:] != [] and listener.received[-1][2] == b"\xf8", "the last message")
        received = list(dict.fromkeys(listener.received))
    if int(driver.state["xruns"]) != before:
        # A period that the server loses takes its messages with it, or gives them out twice.
        assert len(received) > 60
        return
    assert [data for _, _, data in received] == [bytes((0xB0, 7, k)) for k in range(100)] + [b"\xf8"]
    assert [place for _, place, _ in received] == [sample % 64 for sample in [*times, times[-1] + 1]]


def test_more_messages_than_can_wait_are_refused_and_none_is_sent_to_nobody(driver: JackDriver) -> None:
    target = driver.add_target("feedback")
    later = driver._engine.time + 48_000
    taken = [driver.send(target, (0xC0, 1), later) for _ in range(1030)]
    assert taken == [True] * 1024 + [False] * 6
    with pytest.raises(ValueError, match="4 bytes"):
        driver.send(target, (0xF0, 1, 2, 0xF7))


def test_a_live_input_reaches_the_engine(jack: str, level_program: Program) -> None:
    with Listener(jack) as listener, started(level_program, live="listener:tone") as driver:
        assert driver.input_channels == 1
        listener.tone = 0.375
        rows = driver._engine.record["input_rows"]
        wait_until(lambda: bool((rows == 0.375).all()), "the tone on both sides")
        assert int(driver._engine.record["input_channels"]) == 1


def test_the_machines_own_inputs_are_the_usual_live_input(jack: str, level_program: Program) -> None:
    with Listener(jack) as listener, started(level_program, live="") as driver:
        assert driver.input_channels == 2
        client = listener._client
        assert [port.name for port in client.get_all_connections("Beamhand:in_1")] == ["system:capture_1"]
        assert [port.name for port in client.get_all_connections("Beamhand:in_2")] == ["system:capture_2"]


def test_a_live_input_that_is_not_there_is_refused_in_one_sentence(jack: str) -> None:
    assert jack
    with pytest.raises(DeviceError, match="no live input 'moth' in JACK; there is 'system:capture_1'"):
        choose_driver("jack", None, None, "moth").open(Engine(48_000.0))


def test_a_live_input_that_is_not_back_with_the_server_gives_way_to_the_machines_own(jack: str) -> None:
    assert jack
    device = next(iter(jack_devices()), None)
    assert device is not None
    driver = JackDriver(Engine(48_000.0), device, "moth", returning=True)
    try:
        assert driver.client.name == "Beamhand"
        assert driver.input_channels == 2
        driver.start()
        ports = [int(port) for port in driver.state["inputs"]]
        assert driver.client.is_connected(ports[0], "system:capture_1")
        assert driver.client.is_connected(ports[1], "system:capture_2")
    finally:
        driver.close()


def test_a_period_that_changes_while_playing_changes_nothing_else(jack: str, level_program: Program) -> None:
    with Listener(jack, seconds=1.0) as listener, started(level_program) as driver:
        engine = driver._engine
        try:
            for frames in (1024, 2048):
                listener.set_period(frames)
                wait_until(lambda frames=frames: driver.block == frames, "the new period")  # type: ignore[misc]
                before = engine.time
                wait_until(lambda before=before: engine.time > before + 9600, "the sound to go on")  # type: ignore[misc]
            engine.set("output.offset.x", 0.25)
            listener.hear()
            listener.wait_for_sound()
            assert (listener.heard[-4800:, 0] == np.float32(0.25)).all()
        finally:
            listener.set_period(64)
    assert driver.trouble == ""


def test_what_leaves_is_what_the_engine_made_in_periods_longer_than_its_slices(
    jack: str, tone_program: Program
) -> None:
    with Listener(jack, seconds=0.5) as listener:
        listener.set_period(2048)
        try:
            with started(tone_program) as driver:
                engine = driver._engine
                listener.hear()
                listener.wait_for_sound()
        finally:
            listener.set_period(64)
    assert int(engine.record["counters"]["smallest_block"]) == 1024
    made = engine.record["ring"][: int(engine.record["ring_at"])]
    heard = listener.heard[np.flatnonzero(listener.heard[:, 0])[0] :][:12_000]
    assert len(heard) > 9000
    starts = np.flatnonzero((made[:, 0] == heard[0, 0]) & (made[:, 1] == heard[0, 1]))
    assert any(np.array_equal(made[k : k + len(heard)], heard) for k in starts)


def test_lost_periods_are_counted_as_underflows(driver: JackDriver) -> None:
    counters = driver._engine.record["counters"]
    before = int(counters["underflows"])
    driver._compiled.count_xrun.ctypes(driver.state.ctypes.data)
    wait_until(lambda: int(counters["underflows"]) > before, "the underflow")


def test_a_server_that_changes_its_rate_is_joined_anew_and_says_so(driver: JackDriver) -> None:
    assert driver.lost == ""
    driver._compiled.note_rate.ctypes(44_100, driver.state.ctypes.data)
    assert driver.lost == "jack (JACK) has changed from 48000 to 44100 Hz"
