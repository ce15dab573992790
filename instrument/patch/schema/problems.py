"""What pydantic found wrong, as sentences with the field's address, its line and its value."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.patch.line_numbers import Path, lines_of
from instrument.patch.patch_errors import Problem, shown
from instrument.patch.schema.fields import TAG

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

_MISSING = object()

_PLAIN = {
    "model_type": "it takes a table",
    "model_attributes_type": "it takes a table",
    "dict_type": "it takes a table",
    "list_type": "it takes a list in square brackets",
}


def problems_of(error: ValidationError, data: dict[str, Any], text: str) -> list[Problem]:
    """Return one problem for each fault, in the order of the file.

    Parameters
    ----------
    error : ValidationError
    data : dict
        What tomllib made of the text.
    text : str
        The file's text, to find lines in.
    """
    lines = lines_of(text)
    return [_problem(details, data, lines) for details in error.errors(include_url=False)]


def place_in(data: Any, location: tuple[int | str, ...]) -> Path:
    """Return pydantic's location as a path through the data: no tags of unions, axes of a list as its places."""
    path: Path = ()
    here = data
    for part in location:
        if isinstance(part, str) and part.startswith(TAG):
            continue
        step = "xyz".index(part) if isinstance(here, list) and part in {"x", "y", "z"} else part
        # An address below [values] is one key, or tables within tables if it was written without quotes.
        parts = step.split(".") if isinstance(step, str) and _below(here, step) is _MISSING else [step]
        for one in parts:
            path = (*path, one)
            here = _below(here, one)
    return path


def address_of(path: Path) -> str:
    """Return a path as it is said: with points, places counted from 1."""
    return ".".join(str(part + 1) if isinstance(part, int) else part for part in path)


def line_of(path: Path, lines: dict[Path, int]) -> int | None:
    """Return the line of a path, or of the nearest thing around it."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def _below(data: Any, step: int | str) -> Any:
    try:
        return data[step]
    except (KeyError, IndexError, TypeError):
        return _MISSING


def _problem(details: ErrorDetails, data: dict[str, Any], lines: dict[Path, int]) -> Problem:
    context = details.get("ctx", {})
    path = place_in(data, details["loc"])
    if context.get("at") is not None:
        path = (*path, context["at"])
    is_key = bool(path) and path[-1] == "[key]"
    path = path[:-1] if is_key else path
    value: Any = data
    for step in path:
        value = _below(value, step)
    name = address_of(path)
    line = line_of(path, lines)
    mend = context.get("mend", "")
    kind = details["type"]
    if kind == "unknown_key":
        said = f"{name} is not a field; {context['allowed']}."
    elif kind == "missing":
        said = f"{name} is missing; it must be written."
    elif is_key:
        said = f"{name.removeprefix('values.')} is not a parameter; an address looks like layer.1.place.spin.y."
    else:
        allowed = context.get("allowed") or _PLAIN.get(kind) or details["msg"][:1].lower() + details["msg"][1:]
        is_what = f"{name} is missing" if value is _MISSING else f"{name} is {shown(value)}"
        said = f"{is_what}; {allowed}."
    return Problem(f"{said} {mend}".strip(), name, line, context.get("column"))
