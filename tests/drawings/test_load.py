"""Flip-books: frames in order, of one size, laid so that blending moves points little."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.load import LoadOptions, frame_files, load
from instrument.drawings.routing.sampling import Sampling, aligned, best_alignment

if TYPE_CHECKING:
    from pathlib import Path


def write_frames(folder: Path, names: list[str]) -> None:
    for row, name in enumerate(names):
        (folder / name).write_text(f'<svg><rect x="{10 * row}" width="10" height="{10 + row}"/></svg>')


def test_a_folder_is_read_in_the_order_of_its_numbers(tmp_path: Path) -> None:
    write_frames(tmp_path, ["moth_10.svg", "moth_2.svg", "moth_1.svg", "sketch.svg"])
    (tmp_path / "notes_3.md").write_text("tide")
    assert [path.name for path in frame_files([tmp_path])] == ["moth_1.svg", "moth_2.svg", "moth_10.svg"]


def test_files_are_taken_as_they_are_named(tmp_path: Path) -> None:
    write_frames(tmp_path, ["b.svg", "a.svg"])
    files = [tmp_path / "b.svg", tmp_path / "a.svg"]
    assert frame_files(files) == files


def test_a_folder_without_numbers_says_how_to_name_them(tmp_path: Path) -> None:
    write_frames(tmp_path, ["moth.svg"])
    with pytest.raises(DrawingError, match=r"name its frames heron_1\.svg"):
        frame_files([tmp_path])


def test_too_many_frames_are_refused(tmp_path: Path) -> None:
    write_frames(tmp_path, [f"{row}.svg" for row in range(5)])
    with pytest.raises(DrawingError, match="5 frames; at most 4"):
        frame_files([tmp_path], Limits(frames=4))


def test_frames_keep_their_sizes_and_places_against_one_another(tmp_path: Path) -> None:
    write_frames(tmp_path, ["1.svg", "2.svg", "3.svg"])
    loaded = load([tmp_path], options=LoadOptions(sampling=Sampling(points=600)))
    assert loaded.points.shape == (3, 600, 3)
    assert loaded.kinds.shape == (3, 600)
    assert loaded.points[..., 0].min() == pytest.approx(-1.0)
    assert loaded.points[..., 0].max() == pytest.approx(1.0)
    left = loaded.points[..., 0].min(axis=1)
    assert np.diff(left) == pytest.approx([2 / 3, 2 / 3])


def test_a_frame_that_is_broken_is_named(tmp_path: Path) -> None:
    write_frames(tmp_path, ["1.svg", "2.svg"])
    (tmp_path / "2.svg").write_text("<svg/>")
    with pytest.raises(DrawingError, match=r"^2\.svg: nothing in it can be drawn"):
        load([tmp_path])


@given(st.integers(0, 99), st.booleans(), st.integers(0, 5))
@settings(max_examples=60, deadline=None)
def test_a_path_that_was_only_turned_is_turned_back(shift: int, backwards: bool, seed: int) -> None:
    path = np.random.default_rng(seed).normal(size=(100, 3))
    other = aligned(path, shift, backwards=backwards)
    found = best_alignment(other, path)
    np.testing.assert_array_equal(aligned(other, found[0], backwards=found[1]), path)


@given(st.integers(2, 24), st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_no_other_turn_lies_closer(count: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    path, towards = random.normal(size=(2, count, 3))
    shift, backwards = best_alignment(path, towards)
    found = ((aligned(path, shift, backwards=backwards) - towards) ** 2).sum()
    every = [((aligned(path, s, backwards=b) - towards) ** 2).sum() for s in range(count) for b in (False, True)]
    assert found == pytest.approx(min(every))


def test_blending_frames_that_began_elsewhere_stays_near_both(tmp_path: Path) -> None:
    (tmp_path / "1.csv").write_text("0,0\n4,0\n4,4\n0,4\n0,0\n")
    (tmp_path / "2.csv").write_text("4,4\n4,0\n0,0\n0,4\n4,4\n")
    loaded = load([tmp_path], options=LoadOptions(sampling=Sampling(points=400)))
    assert np.abs(loaded.points[0] - loaded.points[1]).max() < 1e-9
