"""Edits of fields, rows and whole layers in the text of a patch file, with comments, order and style kept."""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import MutableMapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Array, Float, InlineTable, Integer, Item, Trivia

from instrument.patch.editing.renumber import OWNERS, references_of, renumbered
from instrument.patch.editing.value_edits import toml_number
from instrument.patch.schema.checks import address_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from instrument.patch.line_numbers import FieldPath

TABLES = ("layer", "modulator", "link", "control", "snapshot", "form")
"""Fields that hold tables, each begun with a header in double brackets."""

DEEPEST = 16
"""Steps of a path, and tables within tables; more than a patch has."""

_NOT_FINITE = {"inf", "+inf", "-inf", "nan", "+nan", "-nan"}


class EditError(ValueError):
    """A patch cannot be changed so; `str` is the sentence to show."""


@dataclass(frozen=True)
class Change:
    """One change of what a patch file holds.

    Attributes
    ----------
    do : {"edit", "add", "remove"}
        ``edit`` puts a value in its place; ``add`` puts one into a list, at its end or at the place that the path ends
        with; ``remove`` takes one out, and with a layer, modulator or link everything that refers to it.
    path : tuple of str and int
        Keys and places (from 0) of the file's tables and lists.
    value : str, bool, int, float, list or dict
    """

    do: str
    path: FieldPath
    value: Any = None


def change_from(request: Any) -> Change:
    """Return the change that a message asks for.

    Parameters
    ----------
    request : dict
        With ``do``, ``path`` and, unless it removes, ``value``.

    Raises
    ------
    EditError
        If it is none.
    """
    do, path = request.get("do"), request.get("path")
    if do not in {"edit", "add", "remove"}:
        raise EditError(f"a patch cannot be changed by {do!r}; there are edit, add and remove.")
    if not isinstance(path, list) or not 1 <= len(path) <= DEEPEST:
        raise EditError(f"{do} needs the path of a field, as a list of keys and places.")
    if isinstance(path[0], int) or any(
        isinstance(step, bool) or not isinstance(step, str | int) or step == "" for step in path
    ):
        raise EditError(f"{do} has the path {path!r}; it takes keys, and places from 0.")
    value = request.get("value")
    if do != "remove":
        _check_value(value, 0)
    return Change(do, tuple(path), value)


def _check_value(value: Any, depth: int) -> None:
    if depth > DEEPEST:
        raise EditError("a value has tables within tables too deeply.")
    if isinstance(value, dict):
        for below in value.values():
            _check_value(below, depth + 1)
    elif isinstance(value, list):
        for below in value:
            _check_value(below, depth + 1)
    elif not isinstance(value, str | bool | int | float):
        raise EditError(f"a value is {value!r}; a patch holds numbers, texts, true and false, lists and tables.")


def rewritten(text: str, changes: Iterable[Change]) -> str:
    """Return the text of a patch file with changes made one after the other.

    Parameters
    ----------
    text : str
        TOML.
    changes : iterable of Change

    Raises
    ------
    EditError
        If there is nothing at a path, or the text is written so that it cannot be changed there.
    """
    for change in changes:
        text = _with_references(text, change)
    return text


def _with_references(text: str, change: Change) -> str:
    data = tomllib.loads(text)
    *above, last = change.path
    if change.do == "edit" or len(above) != 1 or above[0] not in OWNERS or not isinstance(last, int):
        return _changed(text, change)
    stem = str(above[0])
    # First what refers to the table goes, one reference at a time, since each removal moves the indices of those behind it;
    # then the table itself; then the numbers in what is left are brought up to date.
    if change.do == "remove":
        _below(data, change.path)
        while (reference := next(iter(references_of(data, stem, last)), None)) is not None:
            text = _with_references(text, Change("remove", reference))
            if reference[:1] == (stem,) and isinstance(reference[1], int) and reference[1] < last:
                last -= 1
            data = tomllib.loads(text)
    text = _changed(text, Change(change.do, (stem, last), change.value))
    moved = renumbered(tomllib.loads(text), stem, last, -1 if change.do == "remove" else 1)
    for path, value in moved:
        text = _changed(text, Change("edit", path, value))
    return text


def _changed(text: str, change: Change) -> str:
    # The change is made twice: on plain data, which says what the text must mean afterwards, and on tomlkit's document,
    # which keeps the style. Only a text that reads back as the plain data is taken, so an error in tomlkit, or a way of
    # writing that nobody foresaw, costs the edit and never the patch.
    wanted = tomllib.loads(text)
    _apply(wanted, change, _plain)
    whole = _whole_field(change)
    # What tomlkit cannot reach in place, it may be able to write anew as a whole.
    for attempt in (change, Change("edit", whole, _below(wanted, whole, None))):
        if attempt.do != "remove" and attempt.value is None:
            continue
        document = tomlkit.parse(text)
        try:
            _apply(document, attempt, _item)
            new = tomlkit.dumps(document)
            if _words(tomllib.loads(new)) == _words(wanted):
                return new
        except (
            TOMLKitError,
            tomllib.TOMLDecodeError,
            KeyError,
            IndexError,
            TypeError,
            ValueError,
            AttributeError,
        ):
            continue
    raise EditError(
        f"{address_of(change.path)} cannot be changed in this text. Write each table under a [header] of its own."
    )


def _whole_field(change: Change) -> FieldPath:
    # The field that holds the place: a list as a whole, rather than one of its numbers.
    path = change.path[:-1] if isinstance(change.path[-1], int) else change.path
    while path and isinstance(path[-1], int):
        path = path[:-1]
    return path


def _words(data: Any) -> str:
    # nan is not equal to itself, and 1 is equal to True.
    return json.dumps(data, sort_keys=True, default=str)


_NOWHERE = object()


def _below(data: Any, path: FieldPath, otherwise: Any = _NOWHERE) -> Any:
    here = data
    for k, step in enumerate(path):
        try:
            if isinstance(step, int) and step < 0:
                raise IndexError
            here = here[step]
        except (KeyError, IndexError, TypeError):
            if otherwise is not _NOWHERE:
                return otherwise
            raise EditError(f"the patch has no {address_of(path[: k + 1])}.") from None
    return here


def _apply(data: Any, change: Change, make: Any) -> None:
    """Change plain tables and lists, or tomlkit's, in place; `make` gives the value its form."""
    *way, last = change.path
    here: Any = data
    above: Any = data
    for k, step in enumerate(way):
        missing = isinstance(step, str) and isinstance(here, MutableMapping) and step not in here
        if missing and change.do != "remove":
            if step in TABLES or isinstance(change.path[k + 1], int):
                raise EditError(f"the patch has no {address_of(change.path[: k + 1])}.")
            here[step] = make({}, here, step, None)
        above, here = here, _below(here, (step,))
    if change.do == "remove":
        is_filled = isinstance(here, MutableMapping | list)
        if not is_filled:
            raise EditError(f"{address_of(change.path[:-1])} is no table and no list.")
        _below(here, (last,))
        del here[last]
        if not here and isinstance(here, list) and way[-1] in TABLES:
            del above[way[-1]]
    elif isinstance(last, int):
        _put_at(here, last, change, make)
    elif not isinstance(here, MutableMapping):
        raise EditError(f"{address_of(change.path)} is not in a table.")
    elif change.do == "add" and (isinstance(here.get(last), list) or last in TABLES):
        if last not in here:
            here[last] = make([change.value], here, last, None)
        else:
            here[last].append(make(change.value, here[last], None, None))
    else:
        _put(here, last, change.value, make)


def _put(here: Any, key: str, value: Any, make: Any) -> None:
    old = here.get(key)
    if not isinstance(value, dict) or not isinstance(old, MutableMapping) or not old:
        here[key] = make(value, here, key, old)
        return
    # Field by field, so that comments within a table stay.
    for name in [name for name in old if name not in value]:
        del old[name]
    for name, below in value.items():
        _put(old, name, below, make)


def _put_at(here: Any, index: int, change: Change, make: Any) -> None:
    if not isinstance(here, list):
        raise EditError(f"{address_of(change.path[:-1])} is no list.")
    most = len(here) if change.do == "add" else len(here) - 1
    if not 0 <= index <= most:
        raise EditError(f"{address_of(change.path[:-1])} has {len(here)} rows, and none at {index + 1}.")
    if change.do == "add":
        here.insert(index, make(change.value, here, None, None))
    else:
        here[index] = make(change.value, here, None, here[index])


def _plain(value: Any, here: Any, key: Any, old: Any) -> Any:
    del here, key
    if isinstance(value, dict):
        return {name: _plain(below, value, name, None) for name, below in value.items()}
    if isinstance(value, list):
        return [_plain(below, value, None, None) for below in value]
    if isinstance(value, str) and value in _NOT_FINITE and not isinstance(old, str):
        return float(value)
    if _is_whole(value) and isinstance(old, int) and not isinstance(old, bool):
        return int(value)
    return copy.copy(value)


def _is_whole(value: Any) -> bool:
    return isinstance(value, float) and value.is_integer() and abs(value) < 2**53 and repr(value) != "-0.0"


def _item(value: Any, here: Any, key: str | None, old: Any) -> Item:
    # In the manner of what is around it: below a header as a table of its own, elsewhere on one line.
    in_line = isinstance(here, InlineTable | Array)
    if isinstance(value, dict):
        return _table(value, in_line=in_line or (key is not None and key not in _HEADED))
    if isinstance(value, list):
        return _rows(value, in_line=in_line or key not in TABLES)
    plain = _plain(value, here, key, old if not isinstance(old, Float | Integer) else old.unwrap())
    if isinstance(plain, float):
        return Float(plain, Trivia(), toml_number(plain))
    made: Item = tomlkit.item(plain)
    return made


_HEADED = ("source", "pen", "place", "output", "mix", "tempo", "morph", "values", None)
"""Tables that have a header of their own when they are new."""


def _table(value: dict[str, Any], *, in_line: bool) -> Item:
    table: Any = tomlkit.inline_table() if in_line else tomlkit.table()
    # Below a header, fields come ahead of the tables.
    order: Sequence[str] = sorted(value, key=lambda name: _is_headed(name, value[name]))
    for name in value if in_line else order:
        table[name] = _item(value[name], table, name, None)
    return table  # type: ignore[no-any-return]  # tomlkit's own tables differ in type


def _is_headed(name: str, value: Any) -> bool:
    return (isinstance(value, dict) and name in _HEADED) or (isinstance(value, list) and name in TABLES)


def _rows(value: list[Any], *, in_line: bool) -> Item:
    if not in_line and value and all(isinstance(row, dict) for row in value):
        tables = tomlkit.aot()
        for row in value:
            tables.append(_table(row, in_line=False))
        return tables
    array: Any = tomlkit.array()
    for row in value:
        array.append(_item(row, array, None, None))
    nested = any(isinstance(row, dict | list) for row in value)
    rows: Item = array.multiline(nested and len(value) > 2)
    return rows
