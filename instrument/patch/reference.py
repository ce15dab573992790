"""The reference of the patch language, made from the schema, so that what the guide says is what a file may hold."""

from __future__ import annotations

import math
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator
from pydantic_core import PydanticUndefined

from instrument.engine.formulas.instructions import NAMES
from instrument.engine.parameters import AXES
from instrument.patch.formula.functions import FUNCTIONS
from instrument.patch.formula.graph import MOST_INSTRUCTIONS
from instrument.patch.formula.parser import CONSTANTS, LONGEST
from instrument.patch.patch_errors import listed
from instrument.patch.schema.fields import Table
from instrument.patch.schema.patch_schema import Patch
from instrument.patch.schema.sources import Term, Wheel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic.fields import FieldInfo

BEGIN = "<!-- reference: made by tools/factory/make_reference.py from the schema; edit the schema instead -->"
END = "<!-- reference: end -->"

_HEAD = "| field | unless given | what it does |\n| --- | --- | --- |\n"
_ON_A_LINE = (Term, Wheel)
"""Tables that are written within a list, on the line of their field."""

_LISTS = ("layer", "modulator", "link", "control", "form")
"""Fields that hold tables, each begun with a header in double brackets."""


def reference() -> str:
    """Return the reference as Markdown: a table for every table that a patch file may hold."""
    sections = [*_sections(Patch, "", "First lines"), _formulas()]
    return "\n".join(section.rstrip() + "\n" for section in sections)


def _formulas() -> str:
    names: dict[str, list[str]] = {}
    for name, about in NAMES.items():
        names.setdefault(about, []).append(name)
    rows = [f"| {_span(words)} | {about} |\n" for about, words in names.items()]
    rows += [f"| {listed([f'`{name}`' for name in CONSTANTS], 'and')} | numbers |\n"]
    as_numpy = [f"`{name}`" for name, function in FUNCTIONS.items() if function.about.startswith("NumPy's")]
    own = [(name, function) for name, function in FUNCTIONS.items() if not function.about.startswith("NumPy's")]
    rows += [f"| `{name}` of {function.wanted} | {function.about} |\n" for name, function in own]
    return (
        "#### Formulas\n\n"
        f"Up to {LONGEST} characters and {MOST_INSTRUCTIONS} instructions. Python's arithmetic and comparisons, `and`, `or`, "
        "`not`; a comparison is 1 where it holds and 0 elsewhere; a division by zero is infinite. Nothing else is let in.\n\n"
        f"| what may stand in a formula | what it is |\n| --- | --- |\n{''.join(rows)}"
        f"| {', '.join(as_numpy)} | NumPy's functions of these names |\n"
    )


def _span(words: list[str]) -> str:
    return f"`{words[0]}` to `{words[-1]}`" if len(words) > 2 else ", ".join(f"`{word}`" for word in words)


def with_reference(document: str) -> str:
    """Return a document with the reference between its two marks brought up to date.

    Raises
    ------
    ValueError
        If the marks are not there.
    """
    before, begin, rest = document.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"the document has no place for the reference; give it {BEGIN} and {END}")
    return f"{before}{BEGIN}\n\n{reference()}\n{END}{after}"


def _sections(model: type[BaseModel], header: str, title: str) -> Iterator[str]:
    yield from _section(model, title, set(), with_about=bool(header))
    for name, field in model.model_fields.items():
        kinds = list(_models(field))
        place = f"{header}.{name}" if header else name
        head = f"`[[{place}]]`" if name in _LISTS else f"`[{place}]`"
        if len(kinds) > 1:
            yield from _choices_of(kinds, head)
        elif kinds:
            yield from _sections(kinds[0], place, head)


def _choices_of(kinds: list[type[BaseModel]], head: str) -> Iterator[str]:
    # What several of them take is told once, ahead of the first of them.
    shared = _shared(kinds)
    documented: set[str] = set()
    for base in shared:
        if base in kinds:
            yield from _section(base, f"{head} with {_choosing(base)}", documented)
        else:
            takers = [kind for kind in kinds if issubclass(kind, base)]
            yield from _section(base, f"{head} with {_of_all(base, takers)}", documented)
            documented |= set(base.model_fields)
    for kind in kinds:
        if kind not in shared:
            inherited = {name for base in shared if issubclass(kind, base) for name in base.model_fields}
            yield from _section(kind, f"{head} with {_choosing(kind)}", inherited)


def _shared(kinds: list[type[BaseModel]]) -> list[type[BaseModel]]:
    """Return the classes that several of the models are made from, the general ones first."""
    found: list[type[BaseModel]] = []
    for kind in kinds:
        for base in reversed(kind.__mro__):
            takers = [other for other in kinds if issubclass(other, base)]
            if len(takers) > 1 and issubclass(base, Table) and base.model_fields and base.__doc__ and base not in found:
                found.append(base)
    return found


def _of_all(base: type[BaseModel], takers: list[type[BaseModel]]) -> str:
    kind = base.model_fields.get("kind")
    if kind is not None and get_origin(kind.annotation) is Literal:
        return f'any `kind = "{get_args(kind.annotation)[0]}"`'
    return listed([_choosing(taker) for taker in takers]) if len(takers) < 4 else "any `kind`"


def _section(model: type[BaseModel], title: str, documented: set[str], *, with_about: bool = True) -> Iterator[str]:
    rows = [row for name, field in model.model_fields.items() if name not in documented and (row := _row(name, field))]
    about = f"{(model.__doc__ or '').strip().splitlines()[0]}\n\n" if with_about and model.__doc__ else ""
    if rows or about:
        yield f"#### {title}\n\n{about}{_HEAD if rows else ''}{''.join(rows)}"


def _row(name: str, field: FieldInfo) -> str:
    if get_origin(field.annotation) is Literal or any(_models(field)):
        return ""
    return f"| `{field.alias or name}` | {_default(field)} | {_described(field)} |\n"


def _models(field: FieldInfo) -> Iterator[type[BaseModel]]:
    """Tables with a header of their own that a field may hold; none for what is written on a line."""
    for model in _models_in(field.annotation):
        if not set(model.model_fields) <= set(AXES) and model not in _ON_A_LINE:
            yield model


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) is Annotated:
        yield from _models_in(get_args(annotation)[0])
    elif get_origin(annotation) in {list, Union, UnionType}:
        for argument in get_args(annotation):
            yield from _models_in(argument)


def _choosing(model: type[BaseModel]) -> str:
    words = [
        f'{name} = "{get_args(field.annotation)[0]}"'
        for name, field in model.model_fields.items()
        if get_origin(field.annotation) is Literal
    ]
    needed = [f"`{name}`" for name in model.__annotations__ if model.model_fields[name].is_required()]
    own = [name for name in needed if name not in {"`kind`", "`preset`"}] if "preset" not in model.model_fields else []
    return " and ".join([f"`{', '.join(words)}`", *own])


def _default(field: FieldInfo) -> str:
    axes = _axes(field)
    if axes is not None:
        values = [axes.model_fields[axis].default for axis in axes.model_fields]
        return f"[{', '.join(map(_number, values))}]"
    if field.default is PydanticUndefined:
        return "must be given"
    choices = _choices(field)
    if choices and isinstance(field.default, float):
        return f'"{choices[int(field.default)]}"'
    return _value(field.default)


def _value(value: Any) -> str:
    if value is None or value in ([], {}, ""):
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    return _number(value) if isinstance(value, int | float) else f'"{value}"'


def _number(value: float) -> str:
    return f"{value:g}" if math.isfinite(value) else str(value)


def _described(field: FieldInfo) -> str:
    axes = _axes(field)
    if axes is not None:
        first, *_ = axes.model_fields
        return f"{axes.model_fields[first].description}; likewise for {listed([*axes.model_fields][1:], 'and')}"
    text = field.description or ""
    for model in _models_in(field.annotation):
        fields = "; ".join(f"`{name}` {below.description}" for name, below in model.model_fields.items())
        return f"{text}, each with {fields}"
    choices = _choices(field)
    return f"{text.replace(' (choice)', '')}: {', '.join(choices)}" if choices else text


def _axes(field: FieldInfo) -> type[BaseModel] | None:
    model = next(_models_in(field.annotation), None)
    return model if model is not None and set(model.model_fields) <= set(AXES) else None


def _choices(field: FieldInfo) -> tuple[str, ...]:
    for rule in field.metadata:
        if isinstance(rule, BeforeValidator):
            names = getattr(rule.func, "args", ())
            if names and isinstance(names[0], tuple) and all(isinstance(word, str) for word in names[0]):
                return tuple(names[0])
    return ()
