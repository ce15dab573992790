"""Checks of a patch: what pydantic found wrong, as sentences with address, line and value, and what must agree across tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.engine.memory.layout import CURVE_POINTS
from instrument.patch.line_numbers import FieldPath, lines_of
from instrument.patch.patch_errors import Problem, did_you_mean, listed, shown
from instrument.patch.schema.fields import TAG, quoted
from instrument.patch.schema.modulators import KIND_ROWS
from instrument.patch.schema.sources import kinds_of_row

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

    from instrument.patch.schema.patch_schema import Patch


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


def path_in_data(data: Any, location: tuple[int | str, ...]) -> FieldPath:
    """Return pydantic's location as a path through the data: no tags of unions, axes of a list as its places."""
    path: FieldPath = ()
    here = data
    for part in location:
        if isinstance(part, str) and part.startswith(TAG):
            continue
        # What was written as [0, 0.5, 0] was checked as a table of x, y and z.
        step = "xyz".index(part) if isinstance(here, list) and part in {"x", "y", "z"} else part
        # An address below [values] is one key, or tables within tables if it was written without quotes.
        parts = step.split(".") if isinstance(step, str) and _below(here, step) is _MISSING else [step]
        for one in parts:
            path = (*path, one)
            here = _below(here, one)
    return path


def address_of(path: FieldPath) -> str:
    """Return a path as it is said: with points, places counted from 1."""
    return ".".join(str(part + 1) if isinstance(part, int) else part for part in path)


def line_of(path: FieldPath, lines: dict[FieldPath, int]) -> int | None:
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


def _problem(details: ErrorDetails, data: dict[str, Any], lines: dict[FieldPath, int]) -> Problem:
    context = details.get("ctx", {})
    path = path_in_data(data, details["loc"])
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
    if kind == "former":
        if is_key or path[-1] == context["word"]:
            sentence = f"{name.removeprefix('values.')} is called {context['present']} now."
        else:
            sentence = f"{name} is {shown(context['word'])}, which is called {shown(context['present'])} now."
    elif kind == "unknown_key":
        sentence = f"{name} is not a field; {context['allowed']}."
    elif kind == "missing":
        sentence = f"{name} is missing; it must be written."
    elif is_key:
        sentence = f"{name.removeprefix('values.')} is not a parameter; an address looks like layer.1.place.spin.y."
    else:
        allowed = context.get("allowed") or _PLAIN.get(kind) or details["msg"][:1].lower() + details["msg"][1:]
        is_what = f"{name} is missing" if value is _MISSING else f"{name} is {shown(value)}"
        sentence = f"{is_what}; {allowed}."
    return Problem(f"{sentence} {mend}".strip(), name, line, context.get("column"))


Finding = tuple[FieldPath, str, str]
"""FieldPath of the field, its address for people, and the sentence."""


def cross_problems(patch: Patch) -> list[Finding]:
    """Return what does not fit together; nothing for a patch that can be built."""
    # Only what no table can see by itself. All of it is told at once, so that a file is mended in one go.
    found: list[Finding] = []
    found += _name_problems(patch)
    for k, link in enumerate(patch.link):
        name = f"link.{k + 1}"
        if modulator_index(patch, link.modulator) is None:
            sentence = f"{name}.modulator is {shown(link.modulator)}; {_modulators(patch, link.modulator)}"
            found.append((("link", k, "modulator"), f"{name}.modulator", sentence))
        found += _address_problem(patch, link.parameter, ("link", k, "parameter"), f"{name}.parameter")
    for k, control in enumerate(patch.control):
        if control.parameter is None:
            continue
        path: FieldPath = ("control", k, "parameter")
        found += _address_problem(patch, control.parameter, path, f"control.{k + 1}.parameter")
    for k, snapshot in enumerate(patch.snapshot):
        for address in snapshot.values:
            field_path: FieldPath = ("snapshot", k, "values", address)
            found += _address_problem(patch, address, field_path, f"snapshot.{k + 1}.values.{address}")
    found += _curve_problem(patch)
    return found


def modulator_index(patch: Patch, reference: int | str) -> int | None:
    """Return the 0-based place of a modulator named, or numbered from 1; None if there is no such one."""
    if isinstance(reference, int):
        return reference - 1 if 1 <= reference <= len(patch.modulator) else None
    names = [modulator.name for modulator in patch.modulator]
    return names.index(reference) if reference and reference in names else None


def has_parameter(patch: Patch, address: str) -> bool:
    """Return whether a patch has the parameter of an address, so that a control can move something there."""
    return not _address_problem(patch, address, (), "")


def _modulators(patch: Patch, reference: int | str) -> str:
    if not patch.modulator:
        return "the patch has no modulator. Add one with [[modulator]]."
    names = [modulator.name for modulator in patch.modulator if modulator.name]
    near = did_you_mean(str(reference), names) if names else ""
    known = f", called {', '.join(names)}" if names else ""
    count = len(patch.modulator)
    return f"the patch has {count} modulator{'s' if count > 1 else ''}{known}. {near}".strip()


def _name_problems(patch: Patch) -> list[Finding]:
    found: list[Finding] = []
    seen: dict[str, int] = {}
    for k, modulator in enumerate(patch.modulator):
        if modulator.name and modulator.name in seen:
            first = seen[modulator.name] + 1
            sentence = (
                f"modulator.{k + 1}.name is {shown(modulator.name)}, as is that of modulator.{first}; "
                "links could not tell them apart. Give it another name."
            )
            found.append((("modulator", k, "name"), f"modulator.{k + 1}.name", sentence))
        seen.setdefault(modulator.name, k)
    return found


def _address_problem(patch: Patch, address: str, path: FieldPath, name: str) -> list[Finding]:
    stem, *rest = address.split(".")
    owned: dict[str, list[Any]] = {"layer": patch.layer, "mod": patch.modulator, "link": patch.link}
    if stem not in owned:
        return []
    count = len(owned[stem])
    words = {"layer": "layer", "mod": "modulator", "link": "link"}[stem]
    if int(rest[0]) > count:
        there = f"has {count} {words}{'s' if count != 1 else ''}" if count else f"has no {words}"
        return [(path, name, f"{name} is {shown(address)}; the patch {there}. Add one with [[{words}]].")]
    if stem == "layer" and rest[1] in {"source", "form"}:
        return [(path, name, sentence) for sentence in _idle_layer(patch, int(rest[0]), rest[1:], address, name)]
    if stem == "mod":
        kind = patch.modulator[int(rest[0]) - 1].kind
        if ".".join(rest[1:]) not in KIND_ROWS[kind]:
            takes = listed(KIND_ROWS[kind], "and")
            sentence = f"{name} is {shown(address)}; a modulator of kind {kind} listens to {takes} alone."
            return [(path, name, sentence)]
    return []


_DRAWN = {"harmonic": "harmonic terms", "formula": "formulas", "input": "live input"}
"""Words for what a layer draws, where they are not those for its kind."""


def _idle_layer(patch: Patch, number: int, rest: list[str], address: str, name: str) -> list[str]:
    # What a link or a control would move in vain: the layer has no such source or form.
    layer = patch.layer[number - 1]
    where = f"{name} is {shown(address)}; layer {number}"
    if rest[0] == "form":
        kind = rest[1]
        if kind in [form.kind for form in layer.form]:
            return []
        mend = f'Give the layer a [[layer.form]] of kind = "{kind}".'
        return [f"{where} passes no {kind}, so it would move nothing. {mend}"]
    kinds = kinds_of_row(rest[1])
    if layer.source is not None and layer.source.kind in kinds:
        return []
    words = listed(_DRAWN.get(kind, kind) for kind in kinds)
    mend = f"Give the layer a source of kind = {quoted(kinds)}."
    return [f"{where} draws no {words}, so it would move nothing. {mend}"]


def _curve_problem(patch: Patch) -> list[Finding]:
    total = 0
    for k, control in enumerate(patch.control):
        total += len(control.points or [])
        if total > CURVE_POINTS:
            sentence = f"control.{k + 1}.points is one too many; all controls together have {CURVE_POINTS} pairs."
            return [(("control", k, "points"), f"control.{k + 1}.points", sentence + " Use fewer pairs.")]
    return []
