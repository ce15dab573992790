"""Routed drawings come back from the cache bit for bit, and the cache never grows past its bound."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.patch.drawing_cache import DrawingCache, SampledDrawing

if TYPE_CHECKING:
    from pathlib import Path


def drawn(key: str, frames: int = 2, points: int = 64) -> SampledDrawing:
    random = np.random.default_rng(len(key) + points)
    return SampledDrawing(key, random.normal(size=(frames, points, 3)), 17, ("a bad element was left out",))


def test_what_is_put_is_got_by_another_process(tmp_path: Path) -> None:
    DrawingCache(tmp_path).put(drawn("heron"))
    found = DrawingCache(tmp_path).get("heron")
    assert found is not None
    assert found.points.tobytes() == drawn("heron").points.tobytes()
    assert (found.key, found.corners, found.warnings) == ("heron", 17, ("a bad element was left out",))


def test_an_unknown_key_gives_nothing(tmp_path: Path) -> None:
    assert DrawingCache(tmp_path / "not there").get("heron") is None


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"no archive at all"])
def test_a_damaged_file_is_forgotten(tmp_path: Path, content: bytes) -> None:
    DrawingCache(tmp_path).put(drawn("heron"))
    (path,) = tmp_path.iterdir()
    path.write_bytes(content)
    assert DrawingCache(tmp_path).get("heron") is None
    assert not path.exists()


def test_a_bit_that_has_turned_is_noticed(tmp_path: Path) -> None:
    DrawingCache(tmp_path).put(drawn("heron"))
    (path,) = tmp_path.iterdir()
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert DrawingCache(tmp_path).get("heron") is None


def test_what_was_used_longest_ago_goes_first(tmp_path: Path) -> None:
    cache = DrawingCache(tmp_path, largest=3 * 5_000)
    for age, key in enumerate(["old", "older", "oldest"]):
        cache.put(drawn(key, frames=1, points=150))
        os.utime(tmp_path / f"{key}.npz", (1_000_000 - age, 1_000_000 - age))
    assert DrawingCache(tmp_path).get("oldest") is not None  # which makes it the newest
    cache.put(drawn("new", frames=1, points=150))
    assert sorted(path.stem for path in tmp_path.iterdir()) == ["new", "old", "oldest"]


def test_a_folder_that_cannot_be_made_costs_nothing_but_time(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    cache = DrawingCache(tmp_path / "file" / "drawings")
    cache.put(drawn("heron"))
    assert cache.get("heron") is not None
    assert DrawingCache(tmp_path / "file" / "drawings").get("heron") is None


def test_memory_is_bounded_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("instrument.patch.drawing_cache.LARGEST_AT_HAND", 2 * drawn("a").points.nbytes)
    cache = DrawingCache(tmp_path)
    for key in "abc":
        cache.put(drawn(key))
    assert list(cache._at_hand) == ["b", "c"]


def test_the_time_of_frames_is_kept(tmp_path: Path) -> None:
    kept = SampledDrawing("film", np.zeros((3, 4, 3)), 2, ("noisy",), seconds=1.25)
    DrawingCache(tmp_path).put(kept)
    found = DrawingCache(tmp_path).get("film")
    assert found is not None
    assert (found.seconds, found.warnings) == (1.25, ("noisy",))
