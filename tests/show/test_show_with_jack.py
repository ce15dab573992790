"""The show on a real sound server, played through a real MIDI port and heard from outside."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pytest

from instrument.engine.memory.layout import EVENT_ACTION, EVENT_MIDI, FLAG_ASKED
from instrument.show.fault_log import NAME
from tests.show.listening import Listener, wait_until
from tests.show.playing import LEVELS, Playing, midi_applied
from tools.trials.stand_ins import busy_cores, jack_server

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("JACK")]


PRESS = """
import os, time, rtmidi
port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK)
port.open_port(port.get_ports().index("Beamhand:Beamhand"))
port.send_message((0x90, 60, 100))
time.sleep(0.5)
os._exit(0)
"""
"""Presses a key of our own port, in a process of its own: one process knows one server only."""

RECALLS = 1000

_LAYER = """[[layer]]
level = 0.1
[layer.source]
kind = "harmonic"
preset = "circle"
[layer.pen]
frequency = {hertz}
"""

DRIVERS = pytest.mark.parametrize("audio", ["jack", "system"], ids=["jack", "portaudio and rtmidi"])


@pytest.fixture
def patch(tmp_path: Path) -> Path:
    path = tmp_path / "levels.toml"
    path.write_text(LEVELS)
    return path


@DRIVERS
def test_a_controller_moves_what_leaves_the_device(jack: str, patch: Path, audio: str) -> None:
    with Listener(jack, seconds=1.0) as listener, Playing([patch], audio=audio) as show:
        engine = show.engine()
        listener.play_into()
        listener.send((0xB0, 1, 127), (0x90, 127, 100))
        wait_until(lambda: engine.value("output.offset.y") == 0.5, "the note")
        assert engine.value("output.offset.x") == 0.5
        listener.hear("Beamhand" if audio == "jack" else "PortAudio")
        listener.send((0xB0, 1, 0))
        listener.wait_for_sound()
        assert show.end() == 0
    assert set(np.unique(listener.heard[2400:, 0])) == {np.float32(0.5), np.float32(0.0)} or (
        listener.heard[-1, 0] == 0.0
    )
    assert listener.heard[-1].tolist() == [0.0, 0.5]


@pytest.mark.realtime
@DRIVERS
def test_hot_messages_arrive_in_order_and_none_is_lost_while_all_cores_are_busy(
    jack: str, patch: Path, audio: str
) -> None:
    """Six thousand messages a second; a period that the server misses is lost, or given out twice, before it reaches us."""
    messages = [(0xB0, 1 + k // 128 % 100, k % 128) for k in range(6000)]
    a_period = 8
    with Listener(jack) as listener, Playing([patch], audio=audio) as show:
        engine = show.engine()
        listener.play_into()
        wait_until(lambda: engine.time > 48_000, "the first second, with its own misses")
        before = listener.xruns
        with busy_cores(2):
            listener.send(*messages, (0xC0, 1), a_period=a_period)
            time.sleep(0.5)
        arrived = midi_applied(engine)
        missed = listener.xruns - before
        places = {message: place for place, message in enumerate(messages)}
        order = [places[message] for message in arrived if message in places]
        firsts = list(dict.fromkeys(order))  # a period given out twice brings its messages once more
        assert [place for at, place in enumerate(firsts[1:]) if place < firsts[at]] == []
        lost, repeated = len(messages) - len(set(order)), len(order) - len(set(order))
        assert lost + repeated <= 2 * a_period * missed
        assert engine.record["counters"]["refused_events"] == 0
        assert show.end() == 0


@DRIVERS
def test_a_port_is_opened_by_a_part_of_its_name(jack: str, patch: Path, audio: str) -> None:
    with Listener(jack) as listener, Playing([patch], audio=audio, midi=["LISTEN"]) as show:
        engine = show.engine()
        show.wait_for("playing Levels")
        listener.send((0xB0, 1, 64))
        wait_until(lambda: midi_applied(engine) == [(0xB0, 1, 64)], "the message")
        assert show.end() == 0


@DRIVERS
def test_a_port_that_is_not_there_is_one_sentence_with_the_nearest(jack: str, patch: Path, audio: str) -> None:
    with Listener(jack), Playing([patch], audio=audio, midi=["lissener:out"]) as show:
        assert show.process.wait(60) == 1
    assert show.said[-1] == ("there is no MIDI input 'lissener:out'; did you mean 'listener:out' or 'listener:other'?")


@DRIVERS
def test_other_programs_are_not_listened_to_unless_they_are_named(jack: str, patch: Path, audio: str) -> None:
    with Listener(jack) as listener, Playing([patch], audio=audio) as show:
        engine = show.engine()
        listener.send((0xB0, 1, 3))
        listener.play_into()
        listener.send((0xB0, 1, 4))
        wait_until(lambda: len(midi_applied(engine)) > 0, "the second message")
        assert midi_applied(engine) == [(0xB0, 1, 4)]
        assert show.end() == 0


@pytest.mark.realtime
def test_a_thousand_recalls_by_program_change_are_all_carried_out_and_keep_nothing(jack: str, tmp_path: Path) -> None:
    patches = []
    for name, hertz in (("ebb", 55), ("flood", 82.5)):
        patches.append(tmp_path / f"{name}.toml")
        layers = "\n".join(_LAYER.format(hertz=hertz * number) for number in range(1, 9))
        patches[-1].write_text(f'schema = 1\n{layers}\n[[control]]\nmessage = "program"\naction = "patch"\n')
    with Listener(jack) as listener, Playing(patches, audio="jack") as show:
        engine = show.engine()
        listener.play_into()
        listener.send((0xC0, 1))
        wait_until(lambda: int(engine.record["set_at"]) == 1, "the first recall")
        memory = psutil.Process(show.process.pid).memory_info().rss
        counters = engine.record["counters"]
        underflows, missed = int(counters["underflows"]), listener.xruns
        listener.send(*[(0xC0, number % 2) for number in range(RECALLS)])
        # What the server itself misses never reaches us.
        wait_until(
            lambda: len(midi_applied(engine)) >= RECALLS + 1 - 2 * (listener.xruns - missed),
            "the last recall",
        )
        time.sleep(0.2)
        events, _, _ = engine.log_since(0)
        recalls = events[(events["kind"] == EVENT_ACTION) & (events["flags"] == FLAG_ASKED)]
        lost = 2 * (listener.xruns - missed)  # what the server itself misses never reaches us
        assert RECALLS + 1 - lost <= len(recalls) <= RECALLS + 1 + lost
        midi = events[events["kind"] == EVENT_MIDI]
        np.testing.assert_array_equal(recalls["time"], midi["time"])
        assert int(engine.record["counters"]["underflows"]) - underflows <= listener.xruns - missed
        assert int(engine.record["counters"]["refused_events"]) == 0
        assert psutil.Process(show.process.pid).memory_info().rss - memory < 1 << 20
        assert show.end() == 0


def kill_server(name: str) -> None:
    """Kill a JACK server as a crash would."""
    found = subprocess.run(["pgrep", "-f", f"jackd -n {name} "], capture_output=True, text=True, check=True)
    for number in map(int, found.stdout.split()):
        os.kill(number, signal.SIGKILL)
        os.waitpid(number, 0)  # a server of the same name can begin only when nothing is left of it


# Alone: how soon it is heard again is measured.
@pytest.mark.realtime
@DRIVERS
def test_when_the_sound_server_dies_the_show_goes_on_and_is_heard_again_once_it_is_back(
    patch: Path, audio: str, logs: Path
) -> None:
    with jack_server(44_100, 64) as name, Playing([patch], audio=audio) as show:
        engine = show.engine()
        kill_server(name)
        show.wait_for("has stopped: playing on a silent clock")
        before = engine.time
        wait_until(lambda: engine.time > before + 22_050, "the silent clock")
        rate = 44_100 if audio == "jack" else 48_000
        with jack_server(rate, 64, name), Listener(name, seconds=0.2) as listener:
            show.wait_for("jack (JACK) is back: playing through it again")
            listener.play_into()

            def moved() -> bool:
                # Again, because a period that the server misses takes its messages with it, and a server that has no
                # processor for a while turns its clients out, which then come back once more.
                listener.play_into()
                listener.send((0xB0, 1, 127))
                return engine.value("output.offset.x") == 0.5

            wait_until(moved, "the controller")
            listener.hear()
            listener.wait_for_sound()
            # Of the very value if it is resampled: the filters pass a constant exactly.
            assert listener.heard[-1].tolist() == pytest.approx([0.5, 0.0], abs=1e-6)
            assert any("is resampled" in line for line in show.said) == (rate != 44_100)
            assert show.end(signal.SIGINT) == 0
    said = (logs / NAME).read_text()
    assert "has stopped  ->  playing on a silent clock" in said
    assert "is back  ->  playing through it again" in said


def test_notes_held_through_a_server_that_dies_are_let_go_of(patch: Path) -> None:
    with jack_server(44_100, 64) as name, Playing([patch]) as show:
        engine = show.engine()
        show.wait_for("playing Levels through jack (JACK)")
        subprocess.run([sys.executable, "-c", PRESS], check=True)
        wait_until(lambda: int(engine.record["n_held_notes"]) == 1, "the note")
        kill_server(name)
        wait_until(lambda: int(engine.record["n_held_notes"]) == 0, "its end")
        assert show.end() == 0


def test_loudspeakers_and_brightness_have_channels_of_their_own(jack: str, patch: Path) -> None:
    with Listener(jack, seconds=0.1) as listener, Playing([patch], outputs="xy+pa+z") as show:
        engine = show.engine()
        wait_until(lambda: engine.time > 24_000, "the high-pass to settle")
        listener.connect("Beamhand:pa_1", "listener:in_0")
        listener.connect("Beamhand:z", "listener:in_1")
        listener.record()
        listener.wait_for_sound()
        assert engine.value("output.offset.x") == 0.25
        assert listener.heard[-1].tolist() == pytest.approx([0.0, 1.0], abs=1e-6)
        assert show.end() == 0


def test_a_block_that_jack_does_not_keep_is_said(jack: str, patch: Path) -> None:
    assert jack
    with Playing([patch], block=480) as show:
        show.engine()
        show.wait_for("jack (JACK) plays in its own blocks of 64 frames.")
        assert show.end() == 0
