"""Programs as they were played: start values and drawn lines, without any code, and a key that tells two programs apart."""

from __future__ import annotations

import hashlib
import io
import math
import zipfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.common.safe_files import DAMAGE
from instrument.engine.memory.layout import POOL, PROGRAM
from instrument.engine.memory.views import program_in
from instrument.engine.modulators.modulator_table import MODULATOR_TABLE
from instrument.engine.parameters import ADDRESSES, FORMER_ADDRESSES, INDEX, LIVE_TERMS
from instrument.engine.signal.jump_table import HEAD, ROW, leaps_of
from instrument.engine.signal.source_table import SOURCE_HARMONIC, SOURCE_PATH
from instrument.takes.take_folder import TakeError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import numpy.typing as npt

    from instrument.engine.program import Program

    Place = tuple[str, int, str, int | None]

LARGEST = POOL * 8 + (1 << 20)
"""Bytes of one array: all that the engine has room for."""

_NAMES = "addresses"
_VALUES = "values"
_LAYER = "layer"
_LEAPS = "leaps"
_VIEWS = "views"
_SECONDS = "seconds"
_IDENTITY = "identity"

_COLUMNS = {k: kind.columns for k, kind in enumerate(MODULATOR_TABLE.values(), start=1) if kind.columns}
"""Numbers in a row of a modulator's table, by its kind (`engine.program`)."""


@dataclass(frozen=True)
class StoredProgram:
    """Program as it was played, as far as it does not follow from the patch's text.

    Attributes
    ----------
    values : np.ndarray [shape=(parameters,), dtype=float64]
        Starting values, in the order of `addresses`.
    lines : dict of int to np.ndarray [shape=(frames, n, 3), dtype=float64]
        Closed paths by layer (0-based), the first point not repeated.
    leaps : dict of int to np.ndarray [shape=(frames, n), dtype=bool]
        Where the way to the next point is a jump that the engine eases; takes of earlier versions have none.
    views : dict of int to np.ndarray [shape=(frames, 3), dtype=float64]
        Directions by layer, where each path is what is seen from one.
    addresses : tuple of str
    identity : str
        Key of the whole program (`instrument.takes.stored_program`); empty where it is not known.
    seconds : dict of int to float
        Length of the clips that have a speed of their own, by layer (0-based).
    """

    values: npt.NDArray[np.float64]
    lines: dict[int, npt.NDArray[np.float64]] = field(default_factory=dict)
    leaps: dict[int, npt.NDArray[np.bool_]] = field(default_factory=dict)
    addresses: tuple[str, ...] = ADDRESSES
    identity: str = ""
    views: dict[int, npt.NDArray[np.float64]] = field(default_factory=dict)
    seconds: dict[int, float] = field(default_factory=dict)


def copy_program(record: npt.NDArray[np.void], slot: int) -> StoredProgram:
    """Copy a program out of the engine's memory.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
    slot : int
        A slot that is played, or was until a moment ago.
    """
    row = program_in(record, slot)
    lines, leaps, views = {}, {}, {}
    seconds = {}
    for layer, drawn in enumerate(row["layers"]):
        if drawn["source"] == SOURCE_PATH:
            frames, points, at = int(drawn["frames"]), int(drawn["points"]), int(drawn["path"])
            axes = int(drawn["axes"])
            table = record["pool"][at : at + frames * axes * (points + 1)]
            # Each frame lies there as x[n + 1], y[n + 1], z[n + 1], its first point repeated at the end; z may be left out.
            lines[layer] = np.zeros((frames, points, 3))
            lines[layer][:, :, :axes] = table.reshape(frames, axes, points + 1)[:, :, :points].transpose(0, 2, 1)
            if drawn["seconds"]:
                seconds[layer] = float(drawn["seconds"])
            if (length := _jump_length(drawn)) > 0:
                jumps = record["pool"][int(drawn["jump_table"]) :][:length]
                leaps[layer] = leaps_of(jumps.reshape(frames, -1), points)
            if directions := int(drawn["views"]):
                seen_from = int(drawn["view_table"])
                views[layer] = np.array(record["pool"][seen_from : seen_from + 3 * directions]).reshape(-1, 3)
    values = np.array(row["base"], np.float64)
    return StoredProgram(values, lines, leaps, identity=identity_in(record, slot), views=views, seconds=seconds)


def write_program(path: Path, stored: StoredProgram) -> None:
    """Write values and lines as a NumPy archive.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    names = np.frombuffer("\n".join(stored.addresses).encode(), np.uint8)
    identity = np.frombuffer(stored.identity.encode(), np.uint8)
    arrays: dict[str, Any] = {_NAMES: names, _VALUES: stored.values, _IDENTITY: identity}
    arrays |= {f"{_LAYER}{layer + 1}": line for layer, line in stored.lines.items()}
    arrays |= {f"{_LEAPS}{layer + 1}": leaps.view(np.uint8) for layer, leaps in stored.leaps.items()}
    arrays |= {f"{_VIEWS}{layer + 1}": directions for layer, directions in stored.views.items()}
    if stored.seconds:
        arrays[_SECONDS] = np.array(sorted(stored.seconds.items()), np.float64)
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    path.write_bytes(buffer.getbuffer())


def read_program(path: Path) -> StoredProgram:
    """Read what `write_program` wrote, with addresses as they are now; nothing in the file is executed or believed.

    Raises
    ------
    TakeError
        If it is damaged, or was made to do harm.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            arrays = {info.filename.removesuffix(".npy"): _array(archive, info) for info in archive.infolist()}
        names = arrays.pop(_NAMES).tobytes().decode().split("\n")
        addresses = tuple(FORMER_ADDRESSES.get(name, name) for name in names)
        values = arrays.pop(_VALUES)
        identity = arrays.pop(_IDENTITY, np.zeros(0, np.uint8)).tobytes().decode()
        leaping = [name for name in arrays if name.startswith(_LEAPS)]
        leaps = {int(name.removeprefix(_LEAPS)) - 1: arrays.pop(name) != 0 for name in leaping}
        views = {k: arrays.pop(name) for name in list(arrays) if (k := _layer_of(name, _VIEWS)) is not None}
        seconds = {int(layer): float(time) for layer, time in arrays.pop(_SECONDS, np.zeros((0, 2)))}
        lines = {int(name.removeprefix(_LAYER)) - 1: line for name, line in arrays.items()}
    except FileNotFoundError:
        raise TakeError(f"{path}: this part of the take is missing; restore a copy.") from None
    except (*DAMAGE, KeyError) as error:
        raise TakeError(f"{path}: this part of the take is damaged ({error}); restore a copy.") from None
    if values.dtype != np.float64 or values.shape != (len(addresses),):
        raise TakeError(f"{path}: {len(addresses)} addresses have {values.shape} values; restore a copy.")
    return StoredProgram(values, lines, leaps, addresses, identity, views, seconds)


def rebuild(stored: StoredProgram, text: str, path: Path) -> Program:
    """Build the program again from the patch's text, with the values and lines that were played.

    Everything passes the checks of a patch of unknown origin, so a take from a stranger can do no more than one. Words of
    earlier versions are taken as what they are called now, so that an old take is rendered as it was.

    Parameters
    ----------
    stored : StoredProgram
    text : str
        Of the patch.
    path : Path
        Of the patch, for messages.

    Raises
    ------
    ValueError
        If the text is no patch, or does not go with the lines.
    """
    from instrument.patch.build import build_program  # noqa: PLC0415 - reading a patch is not the recorder's work
    from instrument.patch.drawing_cache import SampledDrawing  # noqa: PLC0415
    from instrument.patch.patch_drawings import placeholder_drawings  # noqa: PLC0415
    from instrument.patch.patch_file import patch_from_text  # noqa: PLC0415

    patch = patch_from_text(text, path, as_it_was=True)
    missing = [layer + 1 for layer in placeholder_drawings(patch) if layer not in stored.lines]
    if missing:
        raise TakeError(f"{path}: layer {missing[0]} draws a line that the take does not hold; restore a copy.")
    drawings = {
        layer: SampledDrawing(
            "",
            line,
            0,
            leaps=stored.leaps.get(layer),
            views=stored.views.get(layer),
            seconds=stored.seconds.get(layer, 0.0),
        )
        for layer, line in stored.lines.items()
    }
    try:
        program = build_program(patch, drawings)
    except (ValueError, IndexError) as error:
        raise TakeError(f"{path}: the take's lines do not go with it ({error}); restore a copy.") from None
    if stored.addresses == ADDRESSES:
        program.record["base"][...] = stored.values
    else:
        for address, value in zip(stored.addresses, stored.values, strict=True):
            if address in INDEX:
                program.record["base"][INDEX[address]] = value
    return program


def _layer_of(name: str, prefix: str) -> int | None:
    return int(name.removeprefix(prefix)) - 1 if name.startswith(prefix) else None


def _array(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> npt.NDArray[Any]:
    if info.file_size > LARGEST:
        raise ValueError(f"{info.filename} would take {info.file_size >> 20} MiB")
    data = archive.read(info)
    stream = io.BytesIO(data)
    if np.lib.format.read_magic(stream) != (1, 0):
        raise ValueError(f"{info.filename} is no array of the first version")
    shape, fortran, dtype = np.lib.format.read_array_header_1_0(stream)
    if dtype not in {np.dtype("<f8"), np.dtype("u1")} or fortran:
        raise ValueError(f"{info.filename} holds {dtype}")
    rest = data[stream.tell() :]
    if math.prod(shape) * dtype.itemsize != len(rest):
        raise ValueError(f"{info.filename} is {len(rest)} bytes for a shape of {shape}")
    return np.frombuffer(rest, dtype).reshape(shape)


def identity_of(program: Program) -> str:
    """Return a key that only the same program has: values, formulas, tables, drawings, links, controls, snapshots."""
    # The recorder, which only looks into memory, needs no engine.
    from instrument.engine.engine import tables_of  # noqa: PLC0415

    tables = {place: np.ascontiguousarray(table, np.float64) for place, table in tables_of(program)}
    wanted = _lengths(program.record)
    return _key(program.record, {place: tables[place] for place in wanted if place in tables})


def identity_in(record: npt.NDArray[np.void], slot: int) -> str:
    """Return the key of a program that lies in the engine's memory, as `identity_of` gave it before it was loaded.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
    slot : int
    """
    row = program_in(record, slot)
    tables = {}
    for place, length in _lengths(row).items():
        group, number, field, axis = place
        at = int(row[group][number][field] if axis is None else row[group][number][field][axis])
        tables[place] = record["pool"][at : at + length]
    return _key(row, tables)


def _lengths(row: npt.NDArray[np.void] | np.void) -> dict[Place, int]:
    # Of every table that the program refers to, in values.
    found: dict[Place, int] = {}
    for layer, drawn in enumerate(row["layers"]):
        if drawn["source"] == SOURCE_PATH:
            found["layers", layer, "path", None] = int(drawn["frames"] * drawn["axes"] * (drawn["points"] + 1))
            if (length := _jump_length(drawn)) > 0:
                found["layers", layer, "jump_table", None] = length
            if drawn["views"]:
                found["layers", layer, "view_table", None] = 3 * int(drawn["views"])
        if drawn["source"] == SOURCE_HARMONIC:
            for axis, terms in enumerate(drawn["terms"].tolist()):
                if terms > LIVE_TERMS:
                    found["layers", layer, "term_table", axis] = 3 * (terms - LIVE_TERMS)
    for number, moved in enumerate(row["modulators"]):
        if int(moved["kind"]) in _COLUMNS and moved["count"]:
            found["modulators", number, "table", None] = _COLUMNS[int(moved["kind"])] * int(moved["count"])
    return found


def _jump_length(drawn: npt.NDArray[np.void] | np.void) -> int:
    # Values in the table of a layer's jumps.
    rows = int(drawn["jump_rows"])
    return int(drawn["frames"]) * (HEAD + ROW * rows) if rows > 0 else 0


def _key(row: npt.NDArray[np.void] | np.void, tables: Mapping[Place, npt.NDArray[np.float64]]) -> str:
    plain = np.zeros((), PROGRAM)
    plain[...] = row
    # Where a table lies is no part of what is played.
    plain["layers"]["path"] = 0
    plain["layers"]["jump_table"] = 0
    plain["layers"]["view_table"] = 0
    plain["layers"]["term_table"] = 0
    plain["modulators"]["table"] = 0
    digest = hashlib.sha256(plain.tobytes())
    for place, table in tables.items():
        digest.update(f"{place} {len(table)}".encode() + table.tobytes())
    return digest.hexdigest()
