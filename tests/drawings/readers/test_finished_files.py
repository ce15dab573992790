"""A drawing's file tells by its end whether it is all there."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.drawings.readers.finished_files import is_finished

if TYPE_CHECKING:
    from pathlib import Path

GLB = b"glTF" + struct.pack("<II", 2, 40) + bytes(28)
STL = bytes(80) + struct.pack("<I", 2) + bytes(100)


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("a.obj", b"v 0 0 0\nl 1 1\n", True),
        ("a.obj", b"v 0 0 0\nl 1 1", None),
        ("a.obj", b"", False),
        ("a.svg", b"<svg><g></g></svg>\n<!-- night -->\n", True),
        ("a.svg", b"<svg><g></g>", False),
        ("a.stl", STL, True),
        ("a.stl", STL[:-1], False),
        ("a.stl", b"solid x\nendsolid x\n", True),
        ("a.stl", b"solid x\n facet normal 0 0 1\n", False),
        ("a.glb", GLB, True),
        ("a.glb", GLB[:-1], False),
        ("a.gltf", b'{"asset": {}}\n', True),
        ("a.gltf", b'{"asset": {', False),
        ("a.png", b"\x89PNG" + bytes(50) + b"IEND\xaeB`\x82", True),
        ("a.png", b"\x89PNG" + bytes(50), False),
        ("a.jpg", b"\xff\xd8" + bytes(50) + b"\xff\xd9", True),
        ("a.jpg", b"\xff\xd8" + bytes(50), False),
        ("a.toml", b"schema", True),
    ],
)
def test_the_end_of_a_file_tells(tmp_path: Path, name: str, content: bytes, expected: bool | None) -> None:
    (tmp_path / name).write_bytes(content)
    assert is_finished(tmp_path / name) is expected


def test_a_file_that_is_not_there_is_not_finished(tmp_path: Path) -> None:
    assert is_finished(tmp_path / "gone.obj") is False


@given(st.sampled_from([".obj", ".svg", ".stl", ".glb", ".gltf", ".png", ".jpg"]), st.binary(max_size=200))
def test_any_bytes_give_an_answer(tmp_path_factory: pytest.TempPathFactory, ending: str, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / f"any{ending}"
    path.write_bytes(content)
    assert is_finished(path) in {True, False, None}
