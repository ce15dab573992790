"""Descriptions of a patch for the window: its tables as plain data, and every parameter with what moves it."""

from __future__ import annotations

import json
import math
import tomllib
from typing import TYPE_CHECKING, Any

from instrument.engine.parameters import (
    ADDRESSES,
    AXES,
    LAYER_SIZE,
    LINK_BASE,
    LINK_SIZE,
    LIVE_TERMS,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    PATCH_BASE,
    ROWS,
)
from instrument.patch.schema.checks import modulator_index
from instrument.patch.schema.modulators import KIND_ROWS
from instrument.patch.schema.sources import Harmonic, kinds_of_row
from instrument.patch.usual_ranges import range_around

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from instrument.patch.schema.patch_schema import Layer, Patch

Table = dict[str, Any]


def plain(value: Any) -> Any:
    """Return what a TOML file holds as JSON can carry it: numbers that are not finite as ``inf``, ``-inf`` and ``nan``.

    Examples
    --------
    >>> plain({"camera": math.inf, "spin": [0, -math.inf]})
    {'camera': 'inf', 'spin': [0, '-inf']}
    """
    if isinstance(value, dict):
        return {key: plain(below) for key, below in value.items()}
    if isinstance(value, list):
        return [plain(below) for below in value]
    if isinstance(value, float) and not math.isfinite(value):
        return repr(value)
    return value if isinstance(value, bool | int | float | str) else str(value)


def document_of(text: str) -> Table:
    """Return the text of a patch file as plain data."""
    found: Table = plain(tomllib.loads(text))
    return found


def parameters_of(patch: Patch, base: Sequence[float]) -> list[Table]:
    """Return every parameter that the patch has: those of its layers, modulators and links, and those of the whole.

    Parameters
    ----------
    patch : Patch
    base : sequence of float
        Values that it begins with, in the order of `parameters.ADDRESSES`.

    Returns
    -------
    list of dict
        ``address``, ``label``, ``unit``, ``about``, ``choices``, ``range`` (that of the first control that moves it,
        else a usual one), ``curve`` of that range, ``saved`` (what the patch begins with) and ``moved``: for each control
        ``by``, ``number`` (from 1), ``message`` and ``label``; for each link ``by``, ``number`` and ``modulator``.
    """
    moved: dict[str, list[Table]] = {}
    ranges: dict[str, tuple[float, float, str]] = {}
    for k, control in enumerate(patch.control):
        if control.parameter is None:
            continue
        number = "" if control.number == "any" else f" {control.number}"
        mover = {
            "by": "control",
            "number": k + 1,
            "message": control.message + number,
            "label": control.label,
        }
        moved.setdefault(control.parameter, []).append(mover)
        ranges.setdefault(control.parameter, (*control.sweep, control.shape))
    for k, link in enumerate(patch.link):
        index = modulator_index(patch, link.modulator)
        name = patch.modulator[index].name if index is not None else ""
        mover = {"by": "link", "number": k + 1, "modulator": 0 if index is None else index + 1, "label": name}
        moved.setdefault(link.parameter, []).append(mover)
    found = []
    for index in _indices(patch):
        address, row, saved = ADDRESSES[index], ROWS[index], float(base[index])
        low, high, curve = ranges.get(address) or range_around(address, saved)
        found.append(
            {
                "address": address,
                "label": row.name,
                "unit": row.unit,
                "about": row.about,
                "choices": list(row.choices),
                "range": [plain(low), plain(high)],
                "curve": curve,
                "saved": plain(saved),
                "moved": moved.get(address, []),
            }
        )
    return found


def _indices(patch: Patch) -> Iterator[int]:
    for k, layer in enumerate(patch.layer):
        first = k * LAYER_SIZE
        yield from (index for index in range(first, first + LAYER_SIZE) if _has_row(layer, ROWS[index].name))
    for k, modulator in enumerate(patch.modulator):
        first = MODULATOR_BASE + k * MODULATOR_SIZE
        listens = KIND_ROWS[modulator.kind]
        yield from (index for index in range(first, first + MODULATOR_SIZE) if ROWS[index].name in listens)
    first = LINK_BASE
    yield from range(first, first + len(patch.link) * LINK_SIZE)
    yield from range(PATCH_BASE, len(ADDRESSES))


def _has_row(layer: Layer, name: str) -> bool:
    group, _, rest = name.partition(".")
    if group == "form":
        return rest.partition(".")[0] in [form.kind for form in layer.form]
    if group != "source":
        return True
    part = rest.partition(".")[0]
    if layer.source is None or layer.source.kind not in kinds_of_row(part):
        return False
    return not isinstance(layer.source, Harmonic) or _has_term(layer.source, rest)


def _has_term(source: Harmonic, rest: str) -> bool:
    axis, number, _ = rest.split(".")
    return int(number) <= min(len(source.tables()[AXES.index(axis)]), LIVE_TERMS)


def differences(saved: Any, now: Any, path: tuple[str | int, ...] = ()) -> list[Table]:
    """Return where two documents differ, as ``path``, ``saved`` and ``now``; None stands where one has nothing.

    Lists of unequal length and lists of numbers differ as a whole.

    Examples
    --------
    >>> differences({"ramp": 1, "layer": [{"level": 1}]}, {"layer": [{"level": 2}]})
    [{'path': ['ramp'], 'saved': 1, 'now': None}, {'path': ['layer', 0, 'level'], 'saved': 1, 'now': 2}]
    """
    if isinstance(saved, dict) and isinstance(now, dict):
        found = []
        for key in dict.fromkeys([*saved, *now]):
            found += differences(saved.get(key), now.get(key), (*path, key))
        return found
    tables = isinstance(saved, list) and isinstance(now, list) and len(saved) == len(now)
    if tables and all(isinstance(row, dict) for row in [*saved, *now]):
        return [each for k, rows in enumerate(zip(saved, now, strict=True)) for each in differences(*rows, (*path, k))]
    same = json.dumps(saved, sort_keys=True) == json.dumps(now, sort_keys=True)
    return [] if same else [{"path": list(path), "saved": saved, "now": now}]
