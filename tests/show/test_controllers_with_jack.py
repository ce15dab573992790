"""A controller is taught while the sound goes on, and shows what it is set to, through real ports both ways."""

from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING

import pytest

from instrument.engine.engine import set_event
from instrument.engine.memory.layout import RING_WINDOW
from instrument.repertoire.controls_file import VARIABLE
from tests.show.listening import Listener, wait_until
from tests.show.playing import LEVELS, Playing

if TYPE_CHECKING:
    from pathlib import Path

    from instrument.engine.engine import Engine

pytestmark = pytest.mark.realtime


def asking(**request: object) -> list[str]:
    """In place of the window: asks for something, and is there until it is told to end."""
    asked = json.dumps({"do": "learn", **request})
    return ["-c", f"import sys; print({asked!r}, flush=True); sys.stdin.read()"]


TAUGHT = {"message": "cc", "channel": 1, "number": 30, "parameter": "output.level", "range": [0.0, 1.0]}


@pytest.fixture
def patch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "controls.toml"))
    path = tmp_path / "levels.toml"
    path.write_text(LEVELS)
    return path


def type_in(engine: Engine, address: str, value: float) -> None:
    assert engine.push(set_event(0, address, value), RING_WINDOW)


def last_of(listener: Listener, number: int) -> int | None:
    found = [data[2] for _, _, data in listener.received if data[0] & 0xF0 == 0xB0 and data[1] == number]
    return found[-1] if found else None


@pytest.mark.parametrize(
    ("audio", "for_all", "where"),
    [("jack", True, "every patch (controls.toml)"), ("system", False, "this patch")],
    ids=["jack, every patch", "portaudio and rtmidi, one patch"],
)
def test_a_fader_is_taught_without_a_stop_and_then_follows_what_is_typed(
    jack: str, patch: Path, audio: str, for_all: bool, where: str
) -> None:
    window = asking(address="output.level", all=for_all)
    with (
        Listener(jack) as listener,
        Playing([patch], audio=audio, midi=["listener:out"], window=window) as show,
    ):
        engine = show.engine()
        show.wait_for("move the control that is to do output.level.")
        type_in(engine, "output.offset.x", 0.125)
        wait_until(lambda: last_of(listener, 1) == 32, "the fader of the patch to follow what was typed")
        listener.send(*[(0xB0, 30, value) for value in range(10, 120, 2)], a_period=1)
        show.wait_for(f"cc 30 of channel 1 now does output.level in {where}.")
        # A patch is written when it is saved.
        assert patch.read_text() == LEVELS
        assert not for_all or tomllib.loads((patch.parent / "controls.toml").read_text())["control"] == [TAUGHT]
        frames = engine.time

        def moves_the_level() -> bool:
            listener.send((0xB0, 30, 0))
            return engine.value("output.level") == 0.0

        wait_until(moves_the_level, "the fader to act")
        # What was dialled in is there still, and no block was left out.
        assert engine.value("output.offset.x") == 0.125
        assert engine.time > frames
        assert int(engine.record["counters"]["refused_events"]) == 0
        type_in(engine, "output.level", 1.0)
        wait_until(lambda: last_of(listener, 30) == 127, "the fader to follow")
        # It was never sent what it had said itself.
        assert {data for _, _, data in listener.received if data[1] == 30} == {bytes((0xB0, 30, 127))}
        assert show.end() == 0


def test_remembered_ports_play_and_nothing_is_sent_where_the_patch_forbids_it(jack: str, patch: Path) -> None:
    patch.write_text(LEVELS.replace("ramp = 0", 'ramp = 0\nmidi = ["LISTENER:out"]\nfeedback = false'))
    with Listener(jack) as listener, Playing([patch], audio="jack") as show:
        engine = show.engine()
        show.wait_for("playing Levels")
        listener.send((0xB0, 1, 127))
        wait_until(lambda: engine.value("output.offset.x") == 0.5, "the remembered port to play")
        type_in(engine, "output.offset.x", 0.0)
        listener.send((0xB0, 2, 1))
        wait_until(lambda: int(engine.record["cc"][0, 2]) == 1, "the last message")
        assert listener.received == []
        assert show.end() == 0
