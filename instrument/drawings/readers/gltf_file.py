"""glTF and GLB as a container: its JSON, its buffers, and the tables of numbers that accessors name in them."""

from __future__ import annotations

import json
import struct
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.drawings.limits import DrawingError, check_count
from instrument.drawings.readers.file_contents import CompanionFolder, decode

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

# Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022): 3.6.2.2 accessor data types, 4.4 binary chunks.
COMPONENTS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
MAGIC = b"glTF"
JSON_CHUNK, BINARY_CHUNK = 0x4E4F534A, 0x004E4942
# Extensions that pack the geometry in a way that is not read.
PACKED = frozenset({"KHR_draco_mesh_compression", "EXT_meshopt_compression"})


@contextmanager
def told_plainly() -> Iterator[None]:
    """Turn whatever a file that does not keep to the format raises into one refusal."""
    try:
        yield
    except RecursionError:
        raise DrawingError("the file is nested too deeply to be a scene") from None
    except json.JSONDecodeError as error:
        raise DrawingError(f"the scene is not valid JSON ({error.msg})", line=error.lineno) from None
    except DrawingError:
        raise
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise DrawingError(f"the scene does not keep to the glTF format ({type(error).__name__}: {error})") from None


def open_gltf(content: bytes, folder: CompanionFolder) -> GltfFile:
    """Take a file apart, as far as its JSON goes.

    Parameters
    ----------
    content : bytes
    folder : CompanionFolder
        Where buffers that the file names are read from.

    Raises
    ------
    DrawingError
        If it is cut off, of another version, no scene, or packed in a way that is not read.
    """
    if content.startswith(MAGIC):
        header, binary = _chunks(content)
    else:
        header, binary = decode(content).encode(), None
    scene = json.loads(header)
    if not isinstance(scene, dict):
        raise DrawingError("the file holds no glTF scene")
    packed = PACKED.intersection(scene.get("extensionsRequired", []))
    if packed:
        raise DrawingError(f"its geometry is packed by {min(packed)}; save it without compression")
    return GltfFile(scene, binary, folder)


def _chunks(content: bytes) -> tuple[bytes, bytes | None]:
    if len(content) < 20:
        raise DrawingError("the file is cut off within its header")
    version, length = struct.unpack_from("<II", content, 4)
    if version != 2:
        raise DrawingError(f"this is GLB version {version}; version 2 is read")
    if length > len(content):
        raise DrawingError(f"the header claims {length:,} bytes, but the file has {len(content):,}; it is cut off")
    chunks: dict[int, bytes] = {}
    offset = 12
    while offset + 8 <= length:
        size, kind = struct.unpack_from("<II", content, offset)
        if offset + 8 + size > len(content):
            raise DrawingError(f"a chunk claims {size:,} bytes, which the file does not have; it is cut off")
        chunks.setdefault(kind, content[offset + 8 : offset + 8 + size])
        offset += 8 + size
    if JSON_CHUNK not in chunks:
        raise DrawingError("the file has no JSON chunk")
    return chunks[JSON_CHUNK], chunks.get(BINARY_CHUNK)


class GltfFile:
    """One file being read: its JSON, and its buffers as far as they are needed.

    Attributes
    ----------
    scene : dict
        The JSON.
    folder : CompanionFolder
        With the limits that hold.
    """

    def __init__(self, scene: dict[str, Any], binary: bytes | None, folder: CompanionFolder) -> None:
        self.scene = scene
        self.folder = folder
        self._binary = binary
        self._buffers: dict[int, bytes] = {}

    def accessor(self, number: int) -> NDArray[np.float64]:
        """Return the table that an accessor names, float64, shape (entries, width), normalised where it says so."""
        accessor = self.scene["accessors"][number]
        count, width = int(accessor["count"]), WIDTHS[accessor["type"]]
        check_count(count, "entries in one table", self.folder.limits)
        if count < 0 or number < 0:
            raise DrawingError(f"accessor {number} has {count} entries")
        kind = np.dtype(COMPONENTS[int(accessor["componentType"])])
        table = np.zeros((count, width))
        if "bufferView" in accessor:
            offset = int(accessor.get("byteOffset", 0))
            table = self._table(int(accessor["bufferView"]), offset, kind, count, width).astype(np.float64)
        if "sparse" in accessor:
            self._replace(table, accessor["sparse"], kind, width)
        if accessor.get("normalized", False) and kind.kind != "f":
            table = np.maximum(table / np.iinfo(kind).max, -1.0)
        return table

    def _replace(self, table: NDArray[np.float64], sparse: dict[str, Any], kind: np.dtype[Any], width: int) -> None:
        count = int(sparse["count"])
        where, what = sparse["indices"], sparse["values"]
        index_kind = np.dtype(COMPONENTS[int(where["componentType"])])
        rows = self._table(int(where["bufferView"]), int(where.get("byteOffset", 0)), index_kind, count, 1)
        values = self._table(int(what["bufferView"]), int(what.get("byteOffset", 0)), kind, count, width)
        table[rows.ravel()] = values

    def _table(self, number: int, offset: int, kind: np.dtype[Any], count: int, width: int) -> NDArray[Any]:
        view = self.scene["bufferViews"][number]
        buffer = self._buffer(int(view["buffer"]))
        stride = int(view.get("byteStride", kind.itemsize * width))
        begin = int(view.get("byteOffset", 0)) + offset
        end = begin + (count - 1) * stride + kind.itemsize * width
        if min(begin, offset, number) < 0 or stride < kind.itemsize * width or (count and end > len(buffer)):
            raise DrawingError(
                f"buffer view {number} needs {end:,} bytes of a buffer that has {len(buffer):,}; the file is cut off"
            )
        if not count:
            return np.zeros((0, width), kind)
        return np.ndarray((count, width), kind, buffer, begin, (stride, kind.itemsize))

    def _buffer(self, number: int) -> bytes:
        if number not in self._buffers:
            reference = self.scene["buffers"][number].get("uri")
            if reference is None and self._binary is None:
                raise DrawingError(f"buffer {number} has no data")
            self._buffers[number] = self._binary or b"" if reference is None else self.folder.read(str(reference))
        return self._buffers[number]
