"""References to layers, modulators and links by number, and their renumbering when tables come and go."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from instrument.patch.line_numbers import FieldPath

OWNERS = {"layer": "layer", "modulator": "mod", "link": "link"}
"""Names of lists of tables in addresses."""

_FOLLOWED = "layer "
"""Beginning of what a follower's ``of`` says where it follows a layer."""


def references_of(data: dict[str, Any], stem: str, index: int) -> Iterator[FieldPath]:
    """Paths of everything that would refer to nothing without a table, the last of each list first.

    Parameters
    ----------
    data : dict
        A patch file's tables.
    stem : {"layer", "modulator", "link"}
    index : int
        Of the table in its list, from 0.
    """
    word, number = OWNERS[stem], index + 1
    for name in ("control", "link"):
        rows = data.get(name, [])
        for k in reversed(range(len(rows))):
            itself = name == stem and k == index
            if not itself and (
                _number_in(rows[k].get("parameter"), word) == number or _uses(data, rows[k], stem, index)
            ):
                yield name, k
    for k, snapshot in enumerate(data.get("snapshot", [])):
        yield from _listed(snapshot.get("values"), ("snapshot", k, "values"), word, number)
    yield from _listed(data.get("values"), ("values",), word, number)
    for k, modulator in enumerate(data.get("modulator", [])):
        if stem == "layer" and modulator.get("of") == f"{_FOLLOWED}{number}":
            yield "modulator", k, "of"


def renumbered(data: dict[str, Any], stem: str, index: int, by: int) -> Iterator[tuple[FieldPath, Any]]:
    """Path and new value of each reference to a table whose number has changed.

    Parameters
    ----------
    data : dict
        The tables after one was put in or taken out, all else as before.
    stem : str
    index : int
        Where, from 0.
    by : {1, -1}
        1 if one was put in, -1 if one was taken out.
    """
    # Numbers count from 1 and indices from 0: behind a table put in at `index`, what was number index + 1 has moved; behind
    # one taken out, what was index + 2.
    word = OWNERS[stem]
    first = index + 1 if by > 0 else index + 2

    def moved(address: Any) -> Any:
        number = _number_in(address, word)
        if number is None or number < first:
            return address
        return ".".join([word, str(number + by), *address.split(".")[2:]])

    for name in ("link", "control"):
        for k, row in enumerate(data.get(name, [])):
            if (address := moved(row.get("parameter"))) != row.get("parameter"):
                yield (name, k, "parameter"), address
    for k, row in enumerate(data.get("link", [])):
        number = row.get("modulator")
        if stem == "modulator" and isinstance(number, int) and number >= first:
            yield ("link", k, "modulator"), number + by
    yield from _renamed(data, moved)
    if stem == "layer":
        yield from _followers(data, first, by)


def _renamed(data: dict[str, Any], moved: Callable[[Any], Any]) -> Iterator[tuple[FieldPath, Any]]:
    tables: list[tuple[FieldPath, Any]] = [(("values",), data.get("values"))]
    tables += [(("snapshot", k, "values"), row.get("values")) for k, row in enumerate(data.get("snapshot", []))]
    for path, table in tables:
        values = dict(_flat(table, "")) if isinstance(table, dict) else {}
        if (renamed := {moved(address): value for address, value in values.items()}) != values:
            yield path, renamed


def _followers(data: dict[str, Any], first: int, by: int) -> Iterator[tuple[FieldPath, Any]]:
    for k, row in enumerate(data.get("modulator", [])):
        followed = row.get("of")
        if isinstance(followed, str) and followed.startswith(_FOLLOWED):
            number = int(followed.removeprefix(_FOLLOWED))
            if number >= first:
                yield ("modulator", k, "of"), f"{_FOLLOWED}{number + by}"


def _number_in(address: Any, word: str) -> int | None:
    parts = address.split(".") if isinstance(address, str) else []
    return int(parts[1]) if len(parts) > 2 and parts[0] == word and parts[1].isdigit() else None


def _uses(data: dict[str, Any], row: dict[str, Any], stem: str, index: int) -> bool:
    if stem != "modulator" or "modulator" not in row:
        return False
    name = data["modulator"][index].get("name")
    return row["modulator"] == index + 1 or (bool(name) and row["modulator"] == name)


def _listed(table: Any, path: FieldPath, word: str, number: int) -> Iterator[FieldPath]:
    if not isinstance(table, dict):
        return
    for address in table:
        if _number_in(address, word) == number:
            yield *path, address
    # TOML reads layer.1.level without quotes as tables within tables.
    if isinstance(table.get(word), dict) and str(number) in table[word]:
        yield *path, word, str(number)


def _flat(table: dict[str, Any], stem: str) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{stem}{key}.")
        else:
            yield stem + key, value
