"""Whether two programs are the same to the last bit, wherever they lie."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.memory.layout import (
    MODULATOR_CURVE,
    MODULATOR_GESTURE,
    MODULATOR_STEPS,
    PROGRAM,
    SOURCE_HARMONIC,
    SOURCE_PATH,
)
from instrument.engine.parameters import LIVE_TERMS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from instrument.engine.program import Program

    Place = tuple[str, int, str, int | None]

_COLUMNS = {MODULATOR_CURVE: 3, MODULATOR_STEPS: 4, MODULATOR_GESTURE: 1}
"""Numbers in a row of a modulator's table, by its kind (`engine.program`)."""


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
    row = record["bank"][slot]
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
            found["layers", layer, "path", None] = int(drawn["frames"]) * 3 * (int(drawn["points"]) + 1)
        if drawn["source"] == SOURCE_HARMONIC:
            for axis, terms in enumerate(drawn["terms"].tolist()):
                if terms > LIVE_TERMS:
                    found["layers", layer, "term_table", axis] = 3 * (terms - LIVE_TERMS)
    for number, moved in enumerate(row["modulators"]):
        if int(moved["kind"]) in _COLUMNS and moved["count"]:
            found["modulators", number, "table", None] = _COLUMNS[int(moved["kind"])] * int(moved["count"])
    return found


def _key(row: npt.NDArray[np.void] | np.void, tables: Mapping[Place, npt.NDArray[np.float64]]) -> str:
    plain = np.zeros((), PROGRAM)
    plain[...] = row
    # Where a table lies is no part of what is played.
    plain["layers"]["path"] = 0
    plain["layers"]["term_table"] = 0
    plain["modulators"]["table"] = 0
    digest = hashlib.sha256(plain.tobytes())
    for place, table in tables.items():
        digest.update(f"{place} {len(table)}".encode() + table.tobytes())
    return digest.hexdigest()
