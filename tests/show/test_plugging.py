"""Controllers are plugged in and out while playing: real ports of other programs come and go."""

from __future__ import annotations

import time
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Any

import pytest
import rtmidi

from tests.show.listening import wait_until
from tests.show.playing import LEVELS, Playing, midi_applied

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from instrument.engine.engine import Engine

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("JACK")]

DRIVERS = pytest.mark.parametrize("audio", ["jack", "system"], ids=["jack", "portaudio and rtmidi"])


@pytest.fixture
def patch(tmp_path: Path) -> Path:
    path = tmp_path / "levels.toml"
    path.write_text(LEVELS)
    return path


@contextmanager
def controller(name: str) -> Iterator[Any]:
    """A program with a MIDI output of that name."""
    port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=name)
    port.open_virtual_port("out")
    try:
        yield port
    finally:
        port.close_port()
        port.delete()


def play_until_heard(port: Any, engine: Engine, value: int) -> None:
    """Move controller 1 to a value until it arrives."""

    def arrived() -> bool:
        port.send_message((0xB0, 1, value))
        return int(engine.record["cc"][0, 1]) == value

    wait_until(arrived, f"the value {value}")


@DRIVERS
def test_a_controller_is_found_again_and_its_notes_are_let_go_of(jack: str, patch: Path, audio: str) -> None:
    assert jack
    plugged = ExitStack()
    port = plugged.enter_context(controller("moth"))
    with plugged, Playing([patch], audio=audio, midi=["moth"]) as show:
        engine = show.engine()
        play_until_heard(port, engine, 1)
        port.send_message((0x90, 60, 100))
        port.send_message((0xB0, 64, 127))
        wait_until(lambda: int(engine.record["n_held_notes"]) == 1, "the note")
        plugged.close()
        wait_until(lambda: int(engine.record["n_held_notes"]) == 0, "the end of the note")
        show.wait_for("the MIDI input 'moth:out' is gone: what it held is let go of.")
        assert {(0x80, 60, 64), (0xB0, 64, 0)} <= set(midi_applied(engine))
        for value in (2, 3):
            with controller("moth") as port:
                play_until_heard(port, engine, value)
            said = len(show.said)
            wait_until(lambda said=said: len(show.said) > said, "the news of its end")  # type: ignore[misc]
        assert show.end() == 0


@DRIVERS
def test_several_at_once_are_told_apart(jack: str, patch: Path, audio: str) -> None:
    assert jack
    with (
        controller("moth") as moth,
        controller("heron") as heron,
        Playing([patch], audio=audio, midi=["moth", "heron"]) as show,
    ):
        engine = show.engine()
        play_until_heard(moth, engine, 1)
        play_until_heard(heron, engine, 2)
        log, _, _ = engine.log_since(0)
        ports = {int(row["data"][2]): int(row["port"]) for row in log if int(row["data"][0]) == 0xB0}
        assert ports[1] != ports[2]
        assert show.end() == 0


@DRIVERS
def test_one_that_goes_takes_nothing_from_another(jack: str, patch: Path, audio: str) -> None:
    assert jack
    with (
        controller("heron") as heron,
        controller("moth") as moth,
        Playing([patch], audio=audio, midi=["moth", "heron"]) as show,
    ):
        engine = show.engine()
        play_until_heard(moth, engine, 1)
        play_until_heard(heron, engine, 2)
        heron.send_message((0x90, 50, 100))
        moth.send_message((0x90, 60, 100))
        wait_until(lambda: int(engine.record["n_held_notes"]) == 2, "both notes")
        moth.close_port()
        wait_until(lambda: int(engine.record["n_held_notes"]) == 1, "the end of one")
        assert int(engine.record["held_notes"][0]["key"]) == 50
        play_until_heard(heron, engine, 3)
        assert show.end() == 0


@DRIVERS
def test_what_keeps_time_comes_through(jack: str, patch: Path, audio: str) -> None:
    assert jack
    with controller("moth") as moth, Playing([patch], audio=audio, midi=["moth"]) as show:
        engine = show.engine()
        play_until_heard(moth, engine, 1)
        messages = [(0xFA,), (0xF8,), (0xF8,), (0xFC,), (0xF2, 3, 4), (0xFB,), (0xB0, 2, 5)]
        for message in messages:
            moth.send_message(message)
            time.sleep(0.02)
        wait_until(lambda: int(engine.record["cc"][0, 2]) == 5, "the last message")
        found = [message for message in midi_applied(engine) if message[:2] != (0xB0, 1)]
        assert found == [(*message, 0, 0)[:3] for message in messages]
        assert show.end() == 0
