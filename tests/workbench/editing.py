"""A set list on a real engine without a device: edits are built in this process, which costs no second start of Python."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from instrument.engine.engine import Engine
from instrument.repertoire.loading import read_patch
from instrument.repertoire.patch_worker import Answer, Job, Worker, _answer
from instrument.repertoire.set_list import SetList
from instrument.workbench.learning import Learning
from instrument.workbench.workbench import Workbench

if TYPE_CHECKING:
    from pathlib import Path

PATCH = """schema = 1
title = "Heron"  # stands still
ramp = 0
fade = 0

[[layer]]
name = "wings"
level = 0.5  # of both
[layer.source]
kind = "formula"
x = "a"  # held
y = "-a"
a = 0.5

[[layer]]
level = 0
[layer.source]
kind = "harmonic"
preset = "circle"

[[modulator]]
name = "tide"

[[link]]
modulator = "tide"
parameter = "layer.2.place.move.x"
depth = 0

[[control]]
message = "cc"
number = 3
parameter = "layer.1.level"

[[control]]
message = "note"
parameter = "layer.1.pen.key"
"""
"""A constant on both channels: 0.25 and -0.25."""


class AtOnce(Worker):
    """Does the worker's work when its answers are asked for."""

    def __init__(self) -> None:
        super().__init__()
        self.jobs: list[Job] = []

    def ask(self, job: Job) -> int:
        self._numbers += 1
        self.jobs.append(replace(job, number=self._numbers))
        return self._numbers

    def answers(self) -> list[Answer]:
        found, self.jobs = [replace(_answer(job), number=job.number) for job in self.jobs], []
        return found


class NoRecording:
    """A show that nobody records."""

    wanted = False


class Bench:
    """What the window speaks to, with the engine that it moves."""

    def __init__(self, *paths: Path) -> None:
        self.said: list[str] = []
        self.troubles: list[str] = []
        self.over = threading.Event()
        self.engine = Engine(48_000.0)
        self.set_list = SetList(self.engine, [read_patch(path) for path in paths], self.said.append)
        self.set_list.worker = AtOnce()
        self.bench = Workbench(
            self.engine,
            self.set_list,
            NoRecording(),  # type: ignore[arg-type]
            Learning(
                self.engine,
                lambda: self.set_list.current,
                self._change,
                self.said.append,
            ),
            self.over,
            self.said.append,
            self.troubles.append,
        )
        self.set_list.begin()
        self.turn()

    def _change(self, request: dict[str, Any]) -> None:
        self.bench.do(request)

    def turn(self) -> None:
        """Let a block pass, and everybody have a look."""
        self.engine.render(64)
        while True:
            self.set_list.poll()
            self.bench.quit_prompt.poll()
            self.engine.render(64)
            if not self.set_list.worker.jobs:  # type: ignore[attr-defined]
                break

    def ask(self, do: str, **request: Any) -> None:
        """Ask for something and wait until it is done."""
        self.bench.do({"do": do, **request})
        self.turn()

    @property
    def state(self) -> dict[str, Any]:
        """What the window is told."""
        return self.bench.state

    def heard(self) -> tuple[float, float]:
        """The newest frame."""
        x, y = self.engine.render(64)[-1]
        return float(x), float(y)

    @property
    def text(self) -> str:
        """The working text of the patch that plays."""
        return self.set_list.current.text
