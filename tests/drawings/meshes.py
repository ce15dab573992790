"""Meshes for tests, written in every format by the plainest writers there are."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Sequence

import numpy as np
from hypothesis import strategies as st

from tests.drawings.drawings import coordinates

Points = Sequence[Sequence[float]]
Faces = Sequence[Sequence[int]]

CUBE_POINTS = [(x, y, z) for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)]
CUBE_FACES = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
CUBE_TRIANGLES = [t for a, b, c, d in CUBE_FACES for t in ((a, b, c), (a, c, d))]


@st.composite
def meshes(draw: st.DrawFn, *, triangles: bool = False) -> tuple[list[tuple[float, ...]], list[tuple[int, ...]]]:
    """Random points and faces: folded, touching, doubled, with no area, as they come."""
    points = draw(st.lists(st.tuples(*[coordinates()] * 3), min_size=3, max_size=12, unique=True))
    corner = st.integers(0, len(points) - 1)
    most = 3 if triangles else 6
    face = st.lists(corner, min_size=3, max_size=most, unique=True).map(tuple)
    return points, draw(st.lists(face, min_size=1, max_size=10))


def write_obj(points: Points, faces: Faces) -> bytes:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in points]
    lines += ["f " + " ".join(f"{corner + 1}/1/1" for corner in face) for face in faces]
    return "\n".join(lines).encode()


def write_off(points: Points, faces: Faces) -> bytes:
    lines = ["OFF", f"{len(points)} {len(faces)} 0"]
    lines += [f"{x!r} {y!r} {z!r}" for x, y, z in points]
    lines += [f"{len(face)} " + " ".join(map(str, face)) for face in faces]
    return "\n".join(lines).encode()


def _ply_header(kind: str, points: Points, faces: Faces) -> str:
    return (
        f"ply\nformat {kind} 1.0\ncomment drawn by hand\nelement vertex {len(points)}\nproperty double x\n"
        f"property double y\nproperty double z\nelement face {len(faces)}\n"
        "property list uchar int vertex_indices\nend_header\n"
    )


def write_ply_text(points: Points, faces: Faces) -> bytes:
    lines = [f"{x!r} {y!r} {z!r}" for x, y, z in points]
    lines += [f"{len(face)} " + " ".join(map(str, face)) for face in faces]
    return (_ply_header("ascii", points, faces) + "\n".join(lines) + "\n").encode()


def _ply_binary(order: str, kind: str) -> Callable[[Points, Faces], bytes]:
    def write(points: Points, faces: Faces) -> bytes:
        body = b"".join(struct.pack(f"{order}3d", *point) for point in points)
        body += b"".join(struct.pack(f"{order}B{len(face)}i", len(face), *face) for face in faces)
        return _ply_header(kind, points, faces).encode() + body

    return write


write_ply_little = _ply_binary("<", "binary_little_endian")
write_ply_big = _ply_binary(">", "binary_big_endian")


def write_stl_binary(points: Points, faces: Faces) -> bytes:
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *(c for corner in face for c in points[corner]), 0) for face in faces)
    return bytes(80) + struct.pack("<I", len(faces)) + body


def write_stl_text(points: Points, faces: Faces) -> bytes:
    lines = ["solid heron"]
    for face in faces:
        lines += ["facet normal 0 0 0", " outer loop"]
        lines += ["  vertex {!r} {!r} {!r}".format(*points[corner]) for corner in face]
        lines += [" endloop", "endfacet"]
    return "\n".join([*lines, "endsolid heron"]).encode()


def write_glb(points: Points, faces: Faces, mode: int = 4, matrix: Sequence[float] | None = None) -> bytes:
    positions = np.asarray(points, "<f4").tobytes()
    indices = np.asarray([corner for face in faces for corner in face], "<u4").tobytes()
    node: dict[str, object] = {"mesh": 0}
    if matrix is not None:
        node["matrix"] = list(matrix)
    scene = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [node],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1, "mode": mode}]}],
        "buffers": [{"byteLength": len(positions) + len(indices)}],
        "bufferViews": [
            {"buffer": 0, "byteLength": len(positions)},
            {"buffer": 0, "byteOffset": len(positions), "byteLength": len(indices)},
        ],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(points), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": len(indices) // 4, "type": "SCALAR"},
        ],
    }
    return glb(scene, positions + indices)


def glb(scene: object, binary: bytes) -> bytes:
    text = json.dumps(scene).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(binary), b"BIN\0") + binary
    return b"glTF" + struct.pack("<II", 2, 12 + len(chunks)) + chunks


WRITERS: dict[str, tuple[str, Callable[[Points, Faces], bytes]]] = {
    "obj": (".obj", write_obj),
    "off": (".off", write_off),
    "ply text": (".ply", write_ply_text),
    "ply little-endian": (".ply", write_ply_little),
    "ply big-endian": (".ply", write_ply_big),
    "stl binary": (".stl", write_stl_binary),
    "stl text": (".stl", write_stl_text),
    "glb": (".glb", write_glb),
}
