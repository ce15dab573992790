"""Writer of small GLB files: tables of numbers become accessors, and the rest is said in the format's own words."""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np
import numpy.typing as npt

# Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022): 3.6.2 accessors, 4.4 binary chunks.
_TYPES = {1: "SCALAR", 3: "VEC3", 4: "VEC4", 16: "MAT4"}
_COMPONENTS = {"<f4": 5126, "<u2": 5123, "|u1": 5121}


class GltfWriter:
    """One file in the making.

    Attributes
    ----------
    scene : dict
        The JSON, to which nodes, meshes, skins and animations are added.
    """

    def __init__(self) -> None:
        self.scene: dict[str, Any] = {
            "asset": {"version": "2.0"},
            "scene": 0,
            "scenes": [{"nodes": [0]}],
            "nodes": [],
            "meshes": [],
            "accessors": [],
            "bufferViews": [],
        }
        self._bytes = bytearray()

    def table(self, values: npt.ArrayLike, kind: str = "<f4") -> int:
        """Add a table [shape=(n,) or (n, width)] and return the number of its accessor."""
        array = np.asarray(values, kind)
        data = array.tobytes()
        self.scene["bufferViews"].append({"buffer": 0, "byteOffset": len(self._bytes), "byteLength": len(data)})
        self._bytes += data + bytes(-len(data) % 4)
        accessor: dict[str, Any] = {
            "bufferView": len(self.scene["bufferViews"]) - 1,
            "componentType": _COMPONENTS[np.dtype(kind).str],
            "count": len(array),
            "type": _TYPES[array.shape[1] if array.ndim == 2 else 1],
        }
        if array.ndim == 1 or array.shape[1] == 3:
            accessor["min"] = np.atleast_1d(array.min(axis=0)).tolist()
            accessor["max"] = np.atleast_1d(array.max(axis=0)).tolist()
        self.scene["accessors"].append(accessor)
        return len(self.scene["accessors"]) - 1

    def animate(
        self, clip: str, node: int, path: str, times: npt.ArrayLike, values: npt.ArrayLike, manner: str = "LINEAR"
    ) -> None:
        """Add a channel to a clip, which is begun by its first one."""
        clips = self.scene.setdefault("animations", [])
        found = next((one for one in clips if one["name"] == clip), None)
        if found is None:
            found = {"name": clip, "samplers": [], "channels": []}
            clips.append(found)
        sampler = {"input": self.table(times), "output": self.table(values), "interpolation": manner}
        found["samplers"].append(sampler)
        found["channels"].append({"sampler": len(found["samplers"]) - 1, "target": {"node": node, "path": path}})

    def glb(self) -> bytes:
        """Return the file."""
        self.scene["buffers"] = [{"byteLength": len(self._bytes)}]
        header = json.dumps(self.scene, separators=(",", ":")).encode()
        header += b" " * (-len(header) % 4)
        body = struct.pack("<II", len(header), 0x4E4F534A) + header
        body += struct.pack("<II", len(self._bytes), 0x004E4942) + bytes(self._bytes)
        return struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body
