"""Single values in the text of a patch file: where each stands, and how it is changed with everything else kept."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, MutableMapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.items import AoT, Array, Float, InlineTable, Integer, Item, KeyType, SingleKey, Trivia

from instrument.engine.parameters import AXES, ROWS, index_of
from instrument.patch.editing.renumber import OWNERS
from instrument.patch.schema.fields import SWITCH
from instrument.patch.schema.modulators import KIND_ROWS
from instrument.patch.schema.sources import (
    Drawing,
    Harmonic,
    Lettering,
    is_font_file,
    kinds_of_row,
)

if TYPE_CHECKING:
    from instrument.patch.figures import Axes
    from instrument.patch.line_numbers import FieldPath
    from instrument.patch.schema.patch_schema import Patch


_TABLES = {word: table for table, word in OWNERS.items()}


def path_of(address: str) -> FieldPath:
    """Return the path in the file of a parameter's address; places in lists count from 0, forms go by their kind.

    Raises
    ------
    KeyError
        If there is no such address.

    Examples
    --------
    >>> path_of("layer.2.place.spin.y")
    ('layer', 1, 'place', 'spin', 'y')
    >>> path_of("mod.1.rate"), path_of("layer.1.source.x.3.phase")
    (('modulator', 0, 'rate'), ('layer', 0, 'source', 'x', 2, 'phase'))
    """
    index_of(address)
    match address.split("."):
        case ["layer", number, "source", axis, term, name]:
            return ("layer", int(number) - 1, "source", axis, int(term) - 1, name)
        case [owner, number, *rest] if owner in _TABLES:
            return (_TABLES[owner], int(number) - 1, *rest)
        case parts:
            return tuple(parts)


_TERM = ("amplitude", "ratio", "phase")


def with_values(patch: Patch, changes: Mapping[str, float]) -> str:
    """Return the patch's text with new values at some addresses.

    Raises
    ------
    TOMLKitError, KeyError, IndexError, TypeError, ValueError
        If tomlkit cannot reach the place, however it is written.
    """
    # A value goes where it already is: into [values] if its address is listed there, else into its field, which may have to
    # be made; what has no field in this patch is listed.
    document = patch.document
    listed = document.get("values", {})
    _write_out_figures(patch, document, changes)
    for address, value in changes.items():
        by_field = _has_field(patch, address) and not _is_listed(listed, address)
        if by_field and _set(document, path_of(address), value, index_of(address)):
            continue
        _set_listed(document, address, value)
    return tomlkit.dumps(document)


def with_moved_drawings(patch: Patch, old: Path, new: Path) -> str:
    """Return the patch's text with its drawings and fonts named from another folder.

    Raises
    ------
    TOMLKitError, KeyError, IndexError, TypeError, ValueError
        If tomlkit cannot reach a place, or nothing leads from one folder to the other.
    """

    def name(value: str) -> str:
        # realpath: of a folder that is a link, ".." leads to where it points.
        whole = Path(os.path.realpath(old)) / value
        here = os.path.relpath(whole, os.path.realpath(new))
        return value if Path(value).is_absolute() else Path(here).as_posix()

    document: Any = patch.document
    for k, layer in enumerate(patch.layer):
        if isinstance(layer.source, Drawing):
            table = document["layer"][k]["source"]
            names = table["drawing"]
            if isinstance(names, Array):
                for position, value in enumerate(names):
                    names[position] = name(str(value))
            else:
                table["drawing"] = _like(names, name(str(names)))
        if isinstance(layer.source, Drawing | Lettering) and is_font_file(layer.source.font):
            table = document["layer"][k]["source"]
            table["font"] = _like(table["font"], name(layer.source.font))
    return tomlkit.dumps(document)


def _like(old: Item, text: str) -> Item:
    # With the blanks and the comment of what it replaces.
    item = tomlkit.string(text)
    item.trivia.comment_ws, item.trivia.comment = old.trivia.comment_ws, old.trivia.comment
    return item


def toml_number(value: float) -> str:
    """Return a float as TOML writes it; every bit comes back, of nan the sign.

    Examples
    --------
    >>> toml_number(-0.0), toml_number(1e308), toml_number(float("-inf"))
    ('-0.0', '1e+308', '-inf')
    """
    if math.isnan(value):
        return "-nan" if math.copysign(1.0, value) < 0 else "nan"
    return repr(float(value))


def _item(value: float, index: int, old: Any) -> Item:
    # In the manner of what it replaces: true and false, a choice by its name, a whole number without a point.
    row = ROWS[index]
    whole = math.isfinite(value) and value.is_integer() and not (value == 0 and math.copysign(1.0, value) < 0)
    if isinstance(old, bool) and row.unit == SWITCH and whole and value in {0.0, 1.0}:
        return tomlkit.item(value == 1.0)
    if row.choices and whole and 0 <= value < len(row.choices) and not isinstance(old, Integer | Float):
        return tomlkit.item(row.choices[int(value)])
    if isinstance(old, Integer) and whole and abs(value) < 2**53:
        return tomlkit.item(int(value))
    return Float(value, Trivia(), toml_number(value))


def _set(document: MutableMapping[str, Any], path: FieldPath, value: float, index: int) -> bool:
    # False where the file has no such place and none may be made.
    *way, last = path
    here: Any = document
    for k, step in enumerate(way):
        if isinstance(here, AoT | Array):
            position = step if isinstance(step, int) else _index_of_kind(here, step)
            if position is None or position >= len(here):
                return False
            here = here[position]
        elif isinstance(step, int):
            return False
        else:
            if step not in here:
                if not _may_be_made(way[: k + 1]):
                    return False
                here[step] = (
                    tomlkit.inline_table() if isinstance(here, InlineTable) or step in _GROUPS else tomlkit.table()
                )
            here = here[step]
    if isinstance(here, Array) and last in AXES:
        position = AXES.index(str(last))
        here[position] = _item(value, index, here[position])
    else:
        here[last] = _item(value, index, here.get(last))
    return True


def _index_of_kind(tables: AoT | Array, kind: str) -> int | None:
    kinds = [table.get("kind") if isinstance(table, MutableMapping) else None for table in tables]
    return kinds.index(kind) if kind in kinds else None


_GROUPS = {row.name.split(".")[-2] for row in ROWS if row.name.rpartition(".")[2] in AXES}
"""Tables of axes, which are written on one line when they are new."""


def _may_be_made(way: list[str | int]) -> bool:
    # Tables of fields may be added; layers, modulators, links and terms are the writer's.
    return way[-1] not in {"layer", "modulator", "link", "source", "form", *AXES}


def _has_field(patch: Patch, address: str) -> bool:
    # Each kind of source, form and modulator has fields of its own.
    match address.split("."):
        case ["layer", number, *_] if int(number) > len(patch.layer):
            return False
        case ["layer", number, "source", part, *_]:
            source = patch.layer[int(number) - 1].source
            return source is not None and source.kind in kinds_of_row(part)
        case ["layer", number, "form", kind, *_]:
            return kind in [form.kind for form in patch.layer[int(number) - 1].form]
        case ["mod", number, *rest]:
            return (
                int(number) <= len(patch.modulator)
                and ".".join(rest) in KIND_ROWS[patch.modulator[int(number) - 1].kind]
            )
    return True


def _is_listed(listed: Any, address: str) -> bool:
    if address in listed:
        return True
    here = listed
    for part in address.split("."):
        if not isinstance(here, MutableMapping) or part not in here:
            return False
        here = here[part]
    return True


def _set_listed(document: tomlkit.TOMLDocument, address: str, value: float) -> None:
    if "values" not in document:
        document["values"] = tomlkit.table()
    table: Any = document["values"]
    parts = address.split(".")
    if address not in table and _is_listed(table, address):
        for part in parts[:-1]:
            table = table[part]
        address = parts[-1]
    if address in table:
        table[address] = Float(value, Trivia(), toml_number(value))
    else:
        table.append(SingleKey(address, KeyType.Basic), Float(value, Trivia(), toml_number(value)))


def _write_out_figures(patch: Patch, document: tomlkit.TOMLDocument, changes: Mapping[str, float]) -> None:
    # A term that belongs to a named figure has no line of its own until its axis is written out.
    touched = {tuple(address.split(".")[:4]) for address in changes if ".source." in address}
    for _, number, _, axis in sorted(part for part in touched if part[3] in AXES):
        k = int(number) - 1
        source = patch.layer[k].source if k < len(patch.layer) else None
        if isinstance(source, Harmonic) and getattr(source, axis) is None:
            tables: Axes = source.tables()
            table = tables[AXES.index(axis)]
            if len(table):
                document["layer"][k]["source"][axis] = _terms(table)


def _terms(table: Any) -> Array:
    terms = tomlkit.array()
    for row in table:
        term = tomlkit.inline_table()
        for name, value in zip(_TERM, row.tolist(), strict=True):
            term.append(name, Float(value, Trivia(), toml_number(value)))
        terms.append(term)
    return terms.multiline(len(table) > 2)
