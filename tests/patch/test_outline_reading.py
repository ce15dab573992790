"""Outlines in patches: drawn stage by stage or all at once, kept, and refused in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import Engine
from instrument.patch import model_views, outline_reading, patch_drawings
from instrument.patch.build import build_program
from instrument.patch.drawing_cache import DrawingCache, SampledDrawing
from instrument.patch.patch_drawings import read_drawings
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import patch_from_text
from instrument.takes.stored_program import copy_program, identity_of, read_program, rebuild, write_program
from tests.drawings.meshes import CUBE_FACES, CUBE_POINTS, write_obj

if TYPE_CHECKING:
    from pathlib import Path

    from instrument.patch.schema.patch_schema import Patch


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(patch_drawings, "_cache", DrawingCache(tmp_path / "cache"))
    (tmp_path / "quay.obj").write_bytes(write_obj(CUBE_POINTS, CUBE_FACES))
    return tmp_path


def patch_of(folder: Path, source: str = "directions = 6", drawing: str = "drawing = 'quay.obj'") -> Patch:
    text = f"schema = 1\n[[layer]]\nsource = {{ kind = 'path', {drawing}, lines = 'outline', {source} }}\n"
    return patch_from_text(text + "place = { spin = [0, 0.1, 0], camera = 3 }\n", folder / "quay.toml")


def test_stages_bring_one_direction_the_ring_and_all_and_end_as_reading_at_once_does(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(model_views, "RING", 4)
    monkeypatch.setattr(outline_reading, "AT_A_TIME", 2)
    patch = patch_of(folder)
    seen: list[SampledDrawing] = []
    while not seen or seen[-1].unfinished:
        seen.append(read_drawings(patch, in_stages=True)[0])
    assert [len(drawn.points) for drawn in seen] == [1, 1, 4, 6]
    assert [drawn.unfinished.split(" of")[0] for drawn in seen] == ["1", "3", "4", ""]
    # What plays is another drawing at each stage, and the same while only a part of the next is done.
    assert [seen[k].key == seen[k + 1].key for k in range(3)] == [True, False, False]
    patch_drawings._cache = DrawingCache(folder / "other")
    whole = read_drawings(patch)[0]
    assert whole.points.tobytes() == seen[-1].points.tobytes()
    assert whole.key == seen[-1].key


def test_what_was_drawn_is_kept_with_its_directions(folder: Path) -> None:
    patch = patch_of(folder, "directions = 3")
    first = read_drawings(patch)[0]
    patch_drawings._cache = DrawingCache(folder / "cache")
    again = read_drawings(patch, in_stages=True)[0]
    assert not again.unfinished
    assert again.points.tobytes() == first.points.tobytes()
    assert first.views is not None
    assert again.views is not None
    assert np.array_equal(again.views, first.views)


def test_a_take_keeps_the_directions_and_is_built_again_bit_for_bit(folder: Path) -> None:
    patch = patch_of(folder, "directions = 3, samples = 64")
    program = build_program(patch)
    engine = Engine(48_000)
    slot = engine.load(program)
    write_program(folder / "x.npz", copy_program(engine.record, slot))
    stored = read_program(folder / "x.npz")
    found = rebuild(stored, patch.text, folder / "quay.toml")
    assert identity_of(found) == stored.identity == identity_of(program)
    one, other = Engine(48_000), Engine(48_000)
    one.play(program)
    other.play(found)
    assert one.render(4800).tobytes() == other.render(4800).tobytes()


@pytest.mark.parametrize(
    ("source", "drawing", "reason"),
    [
        ("directions = 0", "drawing = 'quay.obj'", "directions"),
        ("directions = 2000, samples = 1024", "drawing = 'quay.obj'", "Take samples = 697 at most"),
        ("directions = 4", "text = 'tide'", "a text has no sides"),
        ("directions = 4", "drawing = ['quay.obj', 'quay.obj']", "Give each mesh a layer of its own"),
    ],
)
def test_what_cannot_be_outlined_is_refused_with_the_way_out(
    folder: Path, source: str, drawing: str, reason: str
) -> None:
    with pytest.raises(PatchError, match=reason):
        read_drawings(patch_of(folder, source, drawing))
