"""Patches are read and saved by a process of its own."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING

import pytest

from instrument.engine.parameters import ADDRESSES, INDEX
from instrument.repertoire.loading import read_patch
from instrument.repertoire.patch_worker import Job, Worker
from tests.show.listening import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from instrument.repertoire.patch_worker import Answer

PATCH = """schema = 1
title = "Heron"  # stands still
[[layer]]
level = 0.5
[layer.source]
kind = "harmonic"
x = [{ amplitude = 0.8, ratio = 1, phase = 0.25 }]
y = [{ amplitude = 0.8, ratio = 1 }]
[[control]]
message = "cc"
number = 3
parameter = "layer.1.level"
label = "wings"
"""


@pytest.fixture
def patch(tmp_path: Path) -> Path:
    path = tmp_path / "heron.toml"
    path.write_text(PATCH)
    return path


@pytest.fixture
def worker() -> Iterator[Worker]:
    worker = Worker()
    yield worker
    worker.close()


def answers(worker: Worker, count: int) -> list[Answer]:
    found: list[Answer] = []

    def enough() -> bool:
        found.extend(worker.answers())
        return len(found) >= count

    wait_until(enough, "the worker", 60.0)
    return found


def process_of(worker: Worker) -> int:
    assert worker._process is not None
    return worker._process.pid


def test_it_builds_the_program_that_the_stage_would_have_built(worker: Worker, patch: Path) -> None:
    worker.read(patch)
    (answer,) = answers(worker, 1)
    here = read_patch(patch)
    assert answer.trouble == ""
    assert answer.patch is not None
    assert answer.patch.program.record.tobytes() == here.program.record.tobytes()
    assert (answer.patch.title, answer.patch.layers, answer.patch.text) == ("Heron", 1, PATCH)
    assert answer.patch.controls == (
        {
            "place": 0,
            "all": False,
            "label": "wings",
            "message": "cc",
            "number": 3,
            "channel": "any",
            "parameter": "layer.1.level",
        },
    )


def test_a_broken_file_is_one_answer_and_the_next_file_is_read(worker: Worker, patch: Path) -> None:
    broken = patch.with_name("broken.toml")
    broken.write_text("schema = 1\nlayr = 3\n")
    worker.read(broken)
    worker.read(patch)
    first, second = answers(worker, 2)
    assert first.patch is None
    assert "layr" in first.trouble
    assert second.patch is not None


def test_it_saves_values_and_keeps_comments(worker: Worker, patch: Path) -> None:
    values = [0.0] * len(ADDRESSES)
    record = read_patch(patch).program.record["base"]
    values[:] = record.tolist()
    values[INDEX["layer.1.level"]] = 0.125
    worker.ask(Job("save", patch, PATCH, values))
    (answer,) = answers(worker, 1)
    assert answer.trouble == ""
    assert answer.text == patch.read_text()
    assert "level = 0.125" in answer.text
    assert "# stands still" in answer.text


def test_a_process_that_dies_is_one_answer_and_is_replaced(worker: Worker, patch: Path) -> None:
    worker.read(patch)
    answers(worker, 1)
    process = process_of(worker)
    os.kill(process, signal.SIGKILL)
    worker.read(patch)
    (answer,) = answers(worker, 1)
    assert "plays on" in answer.trouble
    worker.read(patch)
    (answer,) = answers(worker, 1)
    assert answer.patch is not None
    assert process_of(worker) != process
