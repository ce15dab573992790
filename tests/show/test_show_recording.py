"""Who may begin and end a take: a control, and the window."""

from pathlib import Path
from typing import Any

import pytest

from instrument.engine.engine import action_event
from instrument.engine.memory.allocation import allocate
from instrument.takes.recorder_client import RecordedEngine, Recording
from instrument.workbench.take_control import TakeControl


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, Path]]:
    """What the recorder was asked for, instead of being asked."""
    calls: list[tuple[str, Path]] = []

    def begin(recording: Recording, parent: Path) -> None:
        recording._wanted = True
        calls.append(("begin", parent))

    def stop(recording: Recording) -> None:
        recording._wanted = False
        calls.append(("stop", Path()))

    monkeypatch.setattr(Recording, "begin", begin)
    monkeypatch.setattr(Recording, "stop", stop)
    monkeypatch.setattr(Recording, "keep", lambda _, parent: calls.append(("keep", parent)))
    return calls


def recording_in(folder: Path | None) -> tuple[RecordedEngine, TakeControl]:
    engine = RecordedEngine(48_000, allocate(48_000))
    return engine, TakeControl(engine, folder, 0.0, {}, print)


def test_the_action_record_begins_a_take_and_ends_it(asked: list[Any], tmp_path: Path) -> None:
    engine, recording = recording_in(tmp_path)
    for wanted in (["begin"], ["begin", "stop"]):
        engine.push(action_event(0, "record"))
        engine.render(64)
        recording.poll()
        recording.poll()
        assert [what for what, _ in asked] == wanted


def test_the_window_may_say_which_way(asked: list[Any], tmp_path: Path) -> None:
    _, recording = recording_in(tmp_path)
    for on in (False, True, True, None):
        recording.ask("record", on)
    recording.ask("keep")
    assert asked == [("begin", tmp_path), ("stop", Path()), ("keep", tmp_path)]
