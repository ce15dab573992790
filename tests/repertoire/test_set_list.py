"""Unfinished drawings are drawn on behind what plays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from instrument.engine.engine import Engine
from instrument.patch import model_views, outline_reading, patch_drawings
from instrument.patch.drawing_cache import DrawingCache
from instrument.patch.patch_errors import PatchError
from instrument.repertoire import set_list
from instrument.repertoire.loading import build_text, read_patch
from instrument.repertoire.patch_worker import Answer, Job
from instrument.repertoire.set_list import SetList
from tests.drawings.meshes import CUBE_FACES, CUBE_POINTS, write_obj

if TYPE_CHECKING:
    from pathlib import Path


class WorkerHere:
    """A worker whose jobs are done in this process when answers are asked for."""

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self.jobs: list[Job] = []

    def start_reader(self) -> None:
        """Be ready already."""

    def close(self) -> None:
        """Have nothing to end."""

    def waits(self, do: str, path: Path) -> bool:
        return any((job.do, job.path) == (do, path) for job in self.jobs)

    def ask(self, job: Job) -> None:
        self.jobs.append(job)

    def answers(self) -> list[Answer]:
        jobs, self.jobs = self.jobs, []
        return [self._answer(job) for job in jobs]

    def _answer(self, job: Job) -> Answer:
        try:
            return Answer(job.do, job.path, build_text(job.path, job.text, self.rate))
        except PatchError as error:
            return Answer(job.do, job.path, trouble=str(error))


@pytest.fixture
def outlined(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A patch whose outline has five directions, three of them about an axis, drawn one or two at a time."""
    monkeypatch.setattr(patch_drawings, "_cache", DrawingCache(tmp_path / "cache"))
    monkeypatch.setattr(model_views, "RING", 3)
    monkeypatch.setattr(outline_reading, "AT_A_TIME", 2)
    monkeypatch.setattr(set_list, "Worker", WorkerHere)
    (tmp_path / "quay.obj").write_bytes(write_obj(CUBE_POINTS, CUBE_FACES))
    path = tmp_path / "quay.toml"
    path.write_text(
        "schema = 1\n[[layer]]\nsource = { kind = 'path', drawing = 'quay.obj', lines = 'outline', directions = 5 }\n"
        "place = { spin = [0, 0.5, 0] }\n"
    )
    return path


def test_an_outline_is_drawn_on_behind_what_plays_until_it_has_all_directions(outlined: Path) -> None:
    engine = Engine(48_000)
    said: list[str] = []
    patches = SetList(engine, [read_patch(outlined)], said.append)
    patches.begin()
    seen = []
    for _ in range(8):
        engine.render(4800)
        spun = int(engine.record["instances"][int(engine.record["active"])]["spin"][0][1])
        seen.append(len(patches.current.program.views[0]))
        patches.poll()
        engine.render(1)
        # Phases go on where another stage takes over.
        assert int(engine.record["instances"][int(engine.record["active"])]["spin"][0][1]) > spun
    assert list(dict.fromkeys(seen)) == [1, 3, 5]
    assert not patches.current.unfinished
    assert [sentence.partition(": ")[2] for sentence in said] == [
        "drawn from 3 of 5 directions",
        "drawn from all directions (before: 3 of 5 directions)",
    ]


def test_an_outline_that_cannot_be_drawn_on_is_not_tried_again_and_again(outlined: Path) -> None:
    engine = Engine(48_000)
    said: list[str] = []
    patches = SetList(engine, [read_patch(outlined)], said.append)
    patches.begin()
    (outlined.parent / "quay.obj").unlink()
    for _ in range(5):
        engine.render(480)
        patches.poll()
    assert len(said) == 1
    assert not patches.worker.waits("redraw", outlined)
