"""Tables of controls in the text of a patch or controller file: added and removed with comments and order kept."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.items import AoT, Float, Item, Trivia

from instrument.patch.editing.value_edits import toml_number
from instrument.patch.line_numbers import lines_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from instrument.patch.line_numbers import FieldPath

_HEADER = "[[control]]"


def with_control(
    text: str, control: Mapping[str, Any], replaces: Callable[[Mapping[str, Any]], bool] = lambda _: False
) -> str:
    """Return the text of a file with one more control, behind those that it has.

    Parameters
    ----------
    text : str
        TOML that has been read without complaint.
    control : mapping
        The table's keys and values.
    replaces : callable
        Tells of a control that is there whether it gives way to the new one.
    """
    there = tomllib.loads(text).get("control", [])
    for index in reversed(range(len(there))):
        if replaces(there[index]):
            text = without_control(text, index)
    return with_controls(text, [control])


def with_controls(text: str, added: Sequence[Mapping[str, Any]]) -> str:
    """Return the text of a file with more controls, behind those that it has."""
    if not added:
        return text
    if not _has_headers(text):
        document = tomlkit.parse(text)
        controls: Any = document["control"]
        for control in added:
            controls.append(_filled(tomlkit.inline_table(), control))
        return tomlkit.dumps(document)
    blocks = [tomlkit.dumps(_filled(tomlkit.document(), control)) for control in added]
    lines = _lines(text)
    count = len(tomllib.loads(text).get("control", []))
    at = _block(text, lines, count - 1)[1] if count else len(lines)
    if at and not lines[at - 1].endswith("\n"):
        lines[at - 1] += "\n"
    lines.insert(at, "".join(f"\n{_HEADER}\n{block}" for block in blocks))
    return "".join(lines)


def without_control(text: str, index: int) -> str:
    """Return the text of a file without the control at an index, counted from 0.

    Raises
    ------
    IndexError
        If it has no such control.
    """
    there = tomllib.loads(text).get("control", [])
    if not 0 <= index < len(there):
        raise IndexError(f"there is no control {index + 1}")
    if not _has_headers(text):
        document = tomlkit.parse(text)
        written: Any = document["control"]
        del written[index]
        return tomlkit.dumps(document)
    lines = _lines(text)
    start, end = _block(text, lines, index)
    if start and not lines[start - 1].strip():
        start -= 1
    del lines[start:end]
    return "".join(lines)


def _has_headers(text: str) -> bool:
    return isinstance(tomlkit.parse(text).get("control", tomlkit.aot()), AoT)


def _lines(text: str) -> list[str]:
    return re.findall(r"[^\n]*\n|[^\n]+", text)


def _block(text: str, lines: list[str], index: int) -> tuple[int, int]:
    # From its header to its last line; blank lines and comments behind it belong to what follows.
    where = lines_of(text)
    own: FieldPath = ("control", index)
    header = where[own]
    others = [line for path, line in where.items() if path[:2] != own and line > header]
    last = max(line for path, line in where.items() if path[:2] == own)
    end = min(others) - 1 if others else len(lines)
    while end > last and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return header - 1, end


def _filled(table: Any, control: Mapping[str, Any]) -> Any:
    for key, value in control.items():
        table.append(key, _item(value))
    return table


def _item(value: Any) -> Item:
    if isinstance(value, float):
        return Float(value, Trivia(), toml_number(value))
    if isinstance(value, list):
        array = tomlkit.array()
        array.extend(_item(one) for one in value)
        return array
    item: Item = tomlkit.item(value)
    return item
