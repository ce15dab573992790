"""The stage's side of recording, with the recorder in a process of its own."""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np
import psutil

from instrument.engine.memory.allocation import allocate
from instrument.patch.build import build_program
from instrument.patch.patch_file import patch_from_text
from instrument.takes.recorder_client import RecordedEngine, Recording
from instrument.takes.take_folder import read_metadata
from tests.takes.playing import MOVING, RATE, wait_until
from tests.takes.test_recorder import rendered_again, sound_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from instrument.engine.program import Program


@contextmanager
def show(folder: Path, keep: float = 0.0, comment: str = "") -> Iterator[tuple[RecordedEngine, Recording]]:
    """A patch that plays in real time, and its recording."""
    memory = allocate(RATE, shared=True)
    engine = RecordedEngine(RATE, memory)
    recording = Recording(engine, keep)
    path = folder / "buoy.toml"
    text = MOVING.format(title="buoy", z=1) + comment

    def tell(slot: int, _program: Program) -> None:
        recording.loaded(slot, path, "buoy", text, ())

    engine.on_load = tell
    engine.play(build_program(patch_from_text(text, path)))
    over = threading.Event()

    def run() -> None:
        out = np.zeros((480, 2), np.float32)
        while not over.wait(0.01):
            engine.render_into(out)

    clock = threading.Thread(target=run)
    clock.start()
    try:
        yield engine, recording
    finally:
        over.set()
        clock.join()
        recording.close()
        memory.close()


def heard(recording: Recording, words: str) -> bool:
    return any(words in sentence for sentence in recording.poll())


def test_a_take_goes_from_begin_to_stop_and_tells_its_length(tmp_path: Path) -> None:
    with show(tmp_path) as (_, recording):
        assert recording.state == {"recording": None}
        recording.toggle(tmp_path)
        recording.wait_until_begun()
        wait_until(lambda: recording.poll() is not None and (recording.seconds or 0) > 0.2, "seconds")
        shown = recording.state["recording"]
        assert shown["on"] is True
        assert shown["folder"] == str(recording.folder)
        assert shown["disk_seconds"] > 0
        recording.toggle(tmp_path)
        wait_until(lambda: heard(recording, "recorded "), "the end")
        assert recording.state == {"recording": None}
    assert recording.folder is not None
    assert read_metadata(recording.folder).complete
    assert rendered_again(recording.folder).startswith("the same bytes")


def test_the_end_of_the_show_is_the_end_of_the_take(tmp_path: Path) -> None:
    with show(tmp_path) as (_, recording):
        recording.begin(tmp_path)
        recording.wait_until_begun()
        time.sleep(0.3)
    assert recording.folder is not None
    metadata = read_metadata(recording.folder)
    assert (metadata.complete, metadata.mended) == (True, False)


def test_a_recorder_that_dies_takes_nothing_with_it_but_the_recording(tmp_path: Path) -> None:
    with show(tmp_path) as (engine, recording):
        recording.begin(tmp_path)
        recording.wait_until_begun()
        first = recording.folder
        (process,) = [
            child
            for child in psutil.Process().children()
            if "instrument.takes.recorder" in child.cmdline() and engine.memory.name in child.cmdline()
        ]
        process.kill()
        wait_until(lambda: heard(recording, "the sound plays on"), "word of its death")
        assert recording.seconds is None
        before = engine.time
        wait_until(lambda: engine.time > before, "the sound")
        recording.trouble = ""
        recording.toggle(tmp_path)
        recording.repair(tmp_path)
        # The mending goes on beside, and may be done before the new take is there.
        said = recording.wait_until_begun()
        assert recording.folder != first
        already = any("is whole again" in sentence for sentence in said)
        wait_until(lambda: already or heard(recording, "is whole again"), "the mending")
    assert first is not None
    assert read_metadata(first).mended
    assert recording.folder is not None
    # The log still held everything from the start, so the second recorder knows as much as the first.
    for take in (first, recording.folder):
        assert rendered_again(take).startswith("the same bytes")
        assert sound_of(take).any()


def test_an_idle_recorder_does_not_hold_up_the_end(tmp_path: Path) -> None:
    with show(tmp_path, keep=5.0) as (_, recording):
        recording.open()
        assert recording.close() == []
        assert list(tmp_path.glob("*_buoy")) == []


def test_a_patch_larger_than_the_pipe_arrives_whole(tmp_path: Path) -> None:
    comment = "# a long story\n" * 40_000
    with show(tmp_path, comment=comment) as (_, recording):
        recording.begin(tmp_path)
        recording.wait_until_begun()
        wait_until(lambda: recording.poll() is not None and (recording.seconds or 0) > 0.1, "seconds")
    assert recording.folder is not None
    assert read_metadata(recording.folder).exact
    (patch,) = recording.folder.glob("programs/*/buoy.toml")
    assert patch.read_text().endswith(comment)
