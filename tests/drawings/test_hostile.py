"""Hostile files: a clear refusal within the limits, and nothing read from elsewhere."""

from __future__ import annotations

import gzip
import io
import os
import struct
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.drawings.limits import MEBIBYTE, DrawingError, Limits
from instrument.drawings.load import LoadOptions
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.readers.lettering import Lettering
from instrument.drawings.worker.client import Worker
from tests.drawings.meshes import CUBE_FACES, CUBE_POINTS, glb, write_glb, write_ply_little

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LIMITS = LoadOptions(read=ReadOptions(limits=Limits(seconds=20.0, memory=700 * MEBIBYTE)))
ENTITIES = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 12))
LAUGHS = f'<!DOCTYPE svg [<!ENTITY e0 "ha">{ENTITIES}]><svg><title>&e11;</title><line x2="1"/></svg>'
LONG_ENTITY = f'<!DOCTYPE svg [<!ENTITY e "{"x" * 50_000}">]><svg><title>{"&e;" * 50_000}</title><line x2="1"/></svg>'
OUTSIDE = '<!DOCTYPE svg [<!ENTITY secret SYSTEM "file:///etc/passwd">]><svg><title>&secret;</title></svg>'
DOUBLING = "".join(f'<g id="g{i}"><use href="#g{i - 1}"/><use href="#g{i - 1}"/></g>' for i in range(1, 60))
PLY_HEAD = (
    "ply\nformat binary_little_endian 1.0\nelement vertex {}\nproperty float x\nproperty float y\nproperty float z\n"
)


def npy_header(shape: str, kind: str = "<f8") -> bytes:
    text = f"{{'descr': '{kind}', 'fortran_order': False, 'shape': {shape}, }}\n"
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(text)) + text.encode()


def scene(**parts: object) -> bytes:
    whole = {
        "asset": {"version": "2.0"},
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"}],
        "bufferViews": [{"buffer": 0, "byteLength": 36}],
        "buffers": [{"byteLength": 36}],
        **parts,
    }
    return glb(whole, struct.pack("<9f", *range(9)))


HOSTILE: dict[str, tuple[str, bytes, str]] = {
    "nested groups": ("a.svg", b"<svg>" + b"<g>" * 50_000, "nested more than 200 deep"),
    "a billion laughs": ("a.svg", LAUGHS.encode(), "entity 'e1' is made of other entities"),
    "one long entity, often": ("a.svg", LONG_ENTITY.encode(), "longer than 1,024 letters"),
    "an entity outside": ("a.svg", OUTSIDE.encode(), "nothing in it can be drawn"),
    "use within use": (
        "a.svg",
        b'<svg><g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g></svg>',
        "lead back to themselves",
    ),
    "use that doubles sixty times": (
        "a.svg",
        f'<svg><defs><line id="g0" x2="1"/>{DOUBLING}</defs><use href="#g59"/></svg>'.encode(),
        "make more than 200,000 elements",
    ),
    "too many elements": ("a.svg", b"<svg>" + b"<a/>" * 300_000 + b"</svg>", "more than 200,000 elements"),
    "a small file that unpacks to gigabytes": (
        "a.svgz",
        gzip.compress(bytes(300 * MEBIBYTE)),
        "unpacked it has more than",
    ),
    "a damaged compressed file": ("a.svgz", gzip.compress(b"<svg/>")[:-6], "the compressed file is damaged"),
    "coordinates beyond numbers": (
        "a.svg",
        b'<svg><path d="M1e400 0L-1e400 1"/></svg>',
        "nothing in it can be drawn",
    ),
    "coordinates beyond measure": ("a.obj", b"v 1e300 0 0\nv -1e300 0 0\nl 1 2", "at most 1e\\+100"),
    "a coordinate that is no number": ("a.obj", b"v 0 0 0\nv nan 0 0\nl 1 2", "a.obj:2: vertex 2 is"),
    "an index of no vertex": (
        "a.obj",
        b"v 0 0 0\nv 1 0 0\nl 1 99999999999999999999",
        "vertex 99999999999999999999 does not exist",
    ),
    "an index of thousands of digits": ("a.obj", b"v 0 0 0\nf " + b"9" * 10_000 + b" 1 1", "not a vertex"),
    "billions of vertices, in a header": (
        "a.ply",
        (PLY_HEAD.format(4_000_000_000) + "end_header\n").encode(),
        "4,000,000,000 of element vertex; at most",
    ),
    "millions of vertices, in a header": (
        "a.ply",
        (PLY_HEAD.format(2_000_000) + "end_header\n").encode(),
        "it is cut off",
    ),
    "a list of billions": (
        "a.ply",
        (PLY_HEAD.format(0) + "element face 1\nproperty list uint int vertex_indices\nend_header\n").encode()
        + b"\xff" * 8,
        "it is cut off",
    ),
    "a negative count": ("a.ply", PLY_HEAD.format(-5).encode() + b"end_header\n", "a.ply:3: "),
    "a header without end": ("a.ply", b"ply\n" + b"comment tide\n" * 10_000, "no line `end_header`"),
    "billions of triangles, in a header": (
        "a.stl",
        bytes(80) + b"\xff\xff\xff\xff" + bytes(50),
        "4,294,967,295 triangles are announced",
    ),
    "triangles that are cut off": ("a.stl", bytes(80) + struct.pack("<I", 9) + bytes(120), "holds only 2"),
    "counts beyond the file": ("a.off", b"OFF\n2000000 1 0\n0 0 0\n", "only 1 lines follow"),
    "counts beyond the limit": ("a.off", b"OFF\n999999999999 1 0\n", "at most 3,000,000"),
    "a face of more corners than it names": ("a.off", b"OFF\n1 1 0\n0 0 0\n900000000 0\n", "names only 1"),
    "an array that claims terabytes": (
        "a.npy",
        npy_header("(1000000000000, 2)") + bytes(64),
        "the header claims 2,000,000,000,000",
    ),
    "an array of a shape beyond integers": (
        "a.npy",
        npy_header(f"({10**30}, {10**30})"),
        "the header claims",
    ),
    "an array header that is a program": (
        "a.npy",
        npy_header("(__import__('os').getpid(), 2)"),
        "not a NumPy array file",
    ),
    "an array header nested without end": (
        "a.npy",
        npy_header("(" * 9_000 + ")" * 9_000),
        "not a NumPy array file",
    ),
    "nested JSON": ("a.gltf", b"[" * 200_000, "nested too deeply"),
    "a scene that is a list": ("a.gltf", b"[1]", "holds no glTF scene"),
    "nodes in a ring": (
        "a.glb",
        scene(scenes=[{"nodes": [0]}], nodes=[{"children": [1]}, {"children": [0]}]),
        "nested in a ring",
    ),
    "a table longer than its buffer": (
        "a.glb",
        scene(accessors=[{"bufferView": 0, "componentType": 5126, "count": 2_000_000, "type": "VEC3"}]),
        "needs 24,000,000 bytes of a buffer that has",
    ),
    "a table of billions": (
        "a.glb",
        scene(accessors=[{"componentType": 5126, "count": 10**12, "type": "VEC3"}]),
        "at most 3,000,000",
    ),
    "a negative offset": (
        "a.glb",
        scene(bufferViews=[{"buffer": 0, "byteLength": 36, "byteOffset": -999}]),
        "needs -963 bytes|cut off",
    ),
    "a chunk that claims gigabytes": (
        "a.glb",
        b"glTF" + struct.pack("<IIII", 2, 20, 2**31, 0x4E4F534A),
        "claims 2,147,483,648 bytes",
    ),
    "a buffer on the network": (
        "a.glb",
        scene(buffers=[{"byteLength": 36, "uri": "http://127.0.0.1:9/a.bin"}]),
        "lies on the network",
    ),
    "a buffer in another folder": (
        "a.glb",
        scene(buffers=[{"byteLength": 36, "uri": "/etc/passwd"}]),
        "outside the drawing's folder",
    ),
    "a matrix beyond numbers": (
        "a.glb",
        write_glb(CUBE_POINTS, CUBE_FACES, 4, [1e300] * 16),
        "finite number",
    ),
    "an infinite list of letters": ("a.txt", b"tide " * 100_000, "at most 20,000 are drawn"),
    "nothing but zeros": ("a.obj", bytes(100_000), "no line, face or edge|nothing to draw"),
    "an empty file": ("a.csv", b"", "the file is empty"),
    "nothing but spaces": ("a.csv", b" \n \n", "the file is empty"),
    "one point": ("a.csv", b"1,2\n", "holds one point"),
}


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    with Worker() as shared:
        yield shared


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_refused_in_words_and_the_worker_survives(worker: Worker, tmp_path: Path, name: str) -> None:
    file, content, words = HOSTILE[name]
    path = tmp_path / file
    path.write_bytes(content)
    worker.load(text="O")
    pid = worker.pid
    began = time.monotonic()
    with pytest.raises(DrawingError, match=words) as caught:
        worker.load([path], options=LIMITS)
    assert time.monotonic() - began < 10
    assert str(caught.value).startswith("a.")
    assert len(str(caught.value)) < 400
    assert worker.pid == pid


def test_a_ply_with_a_wrong_count_within_a_whole_file_is_refused(worker: Worker, tmp_path: Path) -> None:
    path = tmp_path / "a.ply"
    path.write_bytes(write_ply_little(CUBE_POINTS, CUBE_FACES).replace(b"element face 6", b"element face 60"))
    with pytest.raises(DrawingError, match="the file ends before"):
        worker.load([path], options=LIMITS)


def test_a_pipe_and_a_folder_of_nothing_are_no_drawings(worker: Worker, tmp_path: Path) -> None:
    (tmp_path / "folder.svg").mkdir()
    with pytest.raises(DrawingError, match="holds no numbered drawing"):
        worker.load([tmp_path / "folder.svg"])
    os.mkfifo(tmp_path / "pipe.svg")
    with pytest.raises(DrawingError, match="this is not a file"):
        worker.load([tmp_path / "pipe.svg"])


def test_a_font_is_read_from_where_it_is_named_and_from_nowhere_else(worker: Worker, tmp_path: Path) -> None:
    stream = io.BytesIO()
    np.save(stream, np.zeros(3))
    font = tmp_path / "gull.ttf"
    font.write_bytes(stream.getvalue())
    with pytest.raises(DrawingError, match=r"gull\.ttf: the font cannot be read"):
        worker.load(text="O", options=LoadOptions(read=ReadOptions(lettering=Lettering(font=str(font)))))
