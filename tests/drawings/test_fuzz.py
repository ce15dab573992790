"""Fuzzing: whatever bytes a file holds, it is drawn or refused; no reader fails in another way or hangs."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.readers.by_ending import READERS, ReadOptions, read_drawing
from instrument.drawings.routing.route import route
from tests.drawings.drawings import check_route
from tests.drawings.meshes import (
    CUBE_FACES,
    CUBE_POINTS,
    CUBE_TRIANGLES,
    write_glb,
    write_obj,
    write_off,
    write_ply_big,
    write_ply_text,
    write_stl_binary,
    write_stl_text,
)

if TYPE_CHECKING:
    from pathlib import Path

# Small limits keep a single example short; that they hold at any size is tested elsewhere.
SMALL = ReadOptions(limits=Limits(points=5000, pixels=250_000))
FEATURE = ReadOptions(edges="feature", limits=SMALL.limits)


def picture(kind: str) -> bytes:
    table = np.full((24, 24), 255, np.uint8)
    table[6:18, 4:20] = 0
    stream = io.BytesIO()
    Image.fromarray(table).save(stream, kind)
    return stream.getvalue()


def array() -> bytes:
    stream = io.BytesIO()
    np.save(stream, np.arange(24.0).reshape(12, 2) ** 1.5)
    return stream.getvalue()


GLTF = b"""{"asset":{"version":"2.0"},"scene":0,"scenes":[{"nodes":[0]}],"nodes":[{"mesh":0,"scale":[2,1,1],
"rotation":[0,0,0.7,0.7],"children":[1]},{"mesh":0,"translation":[3,0,0]}],"meshes":[{"primitives":[{"mode":2,
"attributes":{"POSITION":0}}]}],"accessors":[{"bufferView":0,"componentType":5126,"count":3,"type":"VEC3"}],
"bufferViews":[{"buffer":0,"byteLength":36,"byteStride":12}],"buffers":[{"byteLength":36,"uri":
"data:application/octet-stream;base64,AAAAAAAAAAAAAAAAAACAPwAAAAAAAAAAAACAPwAAgD8AAAAA"}]}"""
SVG = b"""<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY tide "t">]><svg xmlns="http://www.w3.org/2000/svg" width="4cm"
viewBox="0 0 100 100"><style>.moth { display: inline }</style><defs><symbol id="s" viewBox="0 0 9 9"><circle r="4"/>
</symbol></defs><g transform="rotate(30 50 50) scale(.5)" class="moth"><path d="M10 10C20 20 40 20 50 10a5 5 0 1 0 9 9z"/>
<rect x="5" y="5" width="30" height="20" rx="4"/><use href="#s" x="60" width="20" height="20"/></g><polygon
points="1,1 9,1 5,8"/><ellipse cx="70%" cy="20" rx="9" ry="4"/>&tide;</svg>"""

SEEDS: dict[str, list[bytes]] = {
    ".obj": [write_obj(CUBE_POINTS, CUBE_FACES) + b"\nl 1 -1 3\\\n 4\np 1\n"],
    ".off": [write_off(CUBE_POINTS, CUBE_FACES)],
    ".ply": [write_ply_text(CUBE_POINTS, CUBE_FACES), write_ply_big(CUBE_POINTS, CUBE_FACES)],
    ".stl": [write_stl_text(CUBE_POINTS, CUBE_TRIANGLES), write_stl_binary(CUBE_POINTS, CUBE_TRIANGLES)],
    ".glb": [write_glb(CUBE_POINTS, CUBE_TRIANGLES)],
    ".gltf": [GLTF],
    ".svg": [SVG],
    ".txt": [b"moth & buoy\n7 bells"],
    ".csv": [b"x,y\n0,0\n1,0.5\n\n2;3\n-1e3,4\n"],
    ".npy": [array()],
    ".png": [picture("PNG")],
    ".jpg": [picture("JPEG")],
}
TOKENS = [
    b"0", b"-1", b"1e308", b"nan", b"inf", b"9999999999", b"\xff\xff\xff\xff", b"\0", b"\n", b'"', b"<", b">", b"/",
    b"{", b"[", b"-", b"%", b"#", b" ",
]  # fmt: skip


@st.composite
def damaged(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """A good file with a few places overwritten, cut out, doubled or filled with awkward words."""
    content = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(1, 5))):
        if not content:
            break
        at = draw(st.integers(0, len(content) - 1))
        act = draw(st.sampled_from(["bytes", "token", "cut", "double", "end"]))
        if act == "bytes":
            content[at : at + 4] = draw(st.binary(min_size=1, max_size=6))
        elif act == "token":
            content[at : at + draw(st.integers(0, 3))] = draw(st.sampled_from(TOKENS))
        elif act == "cut":
            del content[at : at + draw(st.integers(1, 30))]
        elif act == "double":
            content[at:at] = content[at : at + draw(st.integers(1, 60))]
        else:
            del content[at:]
    return bytes(content)


def drawn_or_refused(path: Path, content: bytes, options: ReadOptions) -> None:
    path.write_bytes(content)
    try:
        found = route(read_drawing(path, options))
    except DrawingError:
        return
    check_route(found)


@pytest.mark.parametrize("ending", SEEDS)
@given(data=st.data())
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_damaged_file_is_drawn_or_refused(tmp_path: Path, ending: str, data: st.DataObject) -> None:
    content = data.draw(damaged(SEEDS[ending]))
    drawn_or_refused(tmp_path / f"moth{ending}", content, data.draw(st.sampled_from([SMALL, FEATURE])))


@pytest.mark.parametrize("ending", READERS)
@given(content=st.binary(max_size=300))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_are_drawn_or_refused(tmp_path: Path, ending: str, content: bytes) -> None:
    drawn_or_refused(tmp_path / f"moth{ending}", content, SMALL)


@pytest.mark.parametrize("ending", SEEDS)
def test_the_seeds_themselves_are_drawn(tmp_path: Path, ending: str) -> None:
    for seed in SEEDS[ending]:
        (tmp_path / f"moth{ending}").write_bytes(seed if ending != ".csv" else seed.replace(b";", b","))
        check_route(route(read_drawing(tmp_path / f"moth{ending}")))


def test_a_number_that_is_not_quite_a_number_is_refused_without_noise(tmp_path: Path) -> None:
    # A signalling NaN: some processors complain when it is turned into a float64.
    content = write_stl_binary(CUBE_POINTS, CUBE_TRIANGLES)
    with pytest.raises(DrawingError, match="must be a finite number"):
        drawn(tmp_path / "moth.stl", content[:96] + b"\x01\x00\x80\x7f" + content[100:])


def drawn(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    route(read_drawing(path))
