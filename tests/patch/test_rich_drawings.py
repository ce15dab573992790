"""A patch whose drawing is too rich for its pitch is told so, with what mends it; and mended, it is not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from instrument.patch import patch_drawings
from instrument.patch.drawing_cache import DrawingCache
from instrument.patch.editing.rewrite import Change, rewritten
from instrument.patch.patch_drawings import cycle_points, read_drawings
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import patch_from_text
from instrument.patch.rich_drawings import drawing_remarks, rich_layers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from instrument.patch.schema.patch_schema import Patch

RATE = 48_000.0
NET = "".join(f"v {x} {y} {0.1 * ((x * y) % 3)}\n" for y in range(20) for x in range(20)) + "".join(
    f"f {k} {k + 1} {k + 21} {k + 20}\n" for y in range(19) for x in range(19) for k in [20 * y + x + 1]
)
PATCH = """schema = 1
[[layer]]
[layer.source]
kind = "path"
drawing = "net.obj"
[layer.pen]
frequency = 220
"""


@pytest.fixture(scope="module", autouse=True)
def _ended_worker() -> Iterator[None]:
    yield
    patch_drawings.close_reader()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(patch_drawings, "_cache", DrawingCache(tmp_path / "cache"))
    (tmp_path / "net.obj").write_text(NET)
    return tmp_path


def patch(folder: Path, text: str) -> Patch:
    return patch_from_text(text, folder / "net.toml")


def test_too_rich_a_drawing_is_told_with_pitch_points_and_remedies(folder: Path) -> None:
    found = patch(folder, PATCH)
    drawings = read_drawings(found, RATE)
    (said,) = rich_layers(found, drawings, RATE)
    corners = drawings[0].corners
    assert said.startswith(f"layer 1 has {corners:,} corners, and at 220 Hz one cycle has 218 points")
    assert 'Write points = "auto" in its source' in said
    assert f"{RATE / corners:.3g} Hz or lower" in said


def test_with_the_remedy_of_the_window_nothing_is_said_and_it_fits(folder: Path) -> None:
    path = ("layer", 0, "source", "points")
    mended = patch(folder, rewritten(PATCH, [Change("edit", path, "auto")]))
    drawings = read_drawings(mended, RATE)
    assert rich_layers(mended, drawings, RATE) == []
    assert drawings[0].corners <= 218
    (word,) = drawing_remarks(drawings)
    assert "left out to fit its points" in word
    # What is kept of it between two starts says the same.
    assert drawing_remarks(read_drawings(mended, RATE)) == [word]


def test_a_higher_rate_leaves_more_of_it(folder: Path) -> None:
    found = patch(folder, PATCH.replace('obj"', 'obj"\npoints = "auto"'))
    corners = [read_drawings(found, rate)[0].corners for rate in (48_000.0, 96_000.0)]
    assert corners[0] <= 218 < corners[1] <= 436


def test_a_number_of_points_follows_neither_rate_nor_pitch(folder: Path) -> None:
    found = patch(folder, PATCH.replace('obj"', 'obj"\npoints = 300'))
    assert read_drawings(found, 48_000.0)[0].key == read_drawings(found, 192_000.0)[0].key
    assert not patch_drawings.follows_rate(found)


def test_a_path_that_is_no_drawing_is_told_the_pitch_alone(folder: Path) -> None:
    found = patch(folder, 'schema = 1\n[[layer]]\nsource = {kind = "path", preset = "star", corners = 500}\n')
    (said,) = rich_layers(found, {}, RATE)
    assert "points" not in said.split("blurs.")[1]
    assert "Play it at 48 Hz or lower" in said


@pytest.mark.parametrize(
    ("pen", "points"),
    [
        ("frequency = 110", 48_000 / 110),
        ("frequency = -110", 48_000 / 110),
        ('frequency = 440\nkey = "A3"', 48_000 / 220),
        ("frequency = 110\nbend = 12", 48_000 / 220),
        ("frequency = 0", float("inf")),
        ("frequency = inf", float("inf")),
    ],
)
def test_points_of_a_cycle_are_the_rate_over_the_pitch(folder: Path, pen: str, points: float) -> None:
    # Equal temperament: twelve equal steps an octave (ISO 16 for A4 at key 69).
    found = patch(folder, PATCH.replace("frequency = 220", pen))
    assert cycle_points(found, 0, RATE) == pytest.approx(points)


@pytest.mark.parametrize("value", ['"all"', "7", "0", "-1", "2.5", "true", "[1]", "nan"])
def test_a_budget_that_means_nothing_is_refused_with_what_is_allowed(folder: Path, value: str) -> None:
    with pytest.raises(PatchError, match=r'takes "auto", which is the sample rate over the pitch, or a whole number'):
        patch(folder, PATCH.replace('obj"', f'obj"\npoints = {value}'))
