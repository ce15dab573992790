"""Kinds of field that a patch file has, and fields made from the engine's table of parameters."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import Annotated, Any, Union

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    StringConstraints,
    Tag,
    ValidationInfo,
    WithJsonSchema,
    create_model,
    model_validator,
)
from pydantic_core import PydanticCustomError

from instrument.engine.parameters import AXES, Parameter
from instrument.patch.formula.parser import LONGEST, FormulaError, compile_formula
from instrument.patch.number import Notes, NumberError, notes_for, to_number
from instrument.patch.patch_errors import did_you_mean, listed
from instrument.patch.schema.former_words import Formerly, in_present_keys, in_present_words

ARITHMETIC = 'a number, or arithmetic in quotes such as "3*440"'
_NUMBER_SCHEMA: list[dict[str, Any]] = [
    {"type": "number"},
    {"type": "string", "description": "arithmetic such as 3*440 or 1/0, or a note name such as C#4"},
]
TAG = "kind: "
"""Marks the part of an error's place that pydantic adds for the kind of a source, form or modulator."""

OFF_ON = ("off", "on")
"""Choices that may also be written as false and true."""

SWITCH = "0 or 1"
"""Unit of parameters that may also be written as true and false."""


def refusal(
    allowed: str, mend: str = "", *, at: str | int | None = None, column: int | None = None
) -> PydanticCustomError:
    """Return the error of a field: what it takes, and how to mend it, each a sentence or a part of one.

    Parameters
    ----------
    allowed : str
        Goes on the sentence "field is value; ...".
    mend : str
        A sentence of its own.
    at : str or int, optional
        Key or place below the field where the fault is.
    column : int, optional
        Where in its text, from 1.
    """
    # The braces are filled in by pydantic: what a file holds never becomes part of a template.
    return PydanticCustomError("field", "{allowed}", {"allowed": allowed, "mend": mend, "at": at, "column": column})


class Table(BaseModel):
    """A table of a patch file: it knows all its keys, and offers the nearest for one it does not know."""

    model_config = ConfigDict(extra="forbid")

    @model_validator(mode="before")
    @classmethod
    def _know_every_key(cls, data: Any, info: ValidationInfo) -> Any:
        if isinstance(data, dict):
            known = [about.alias or name for name, about in cls.model_fields.items()]
            if any(key not in known for key in data):
                data = in_present_keys(data, cls.model_fields, info)
            for key in data:
                if key not in known:
                    hint = did_you_mean(key, known) or elsewhere(cls, key)
                    allowed = f"this table takes {listed(sorted(known), 'and')}"
                    raise PydanticCustomError("unknown_key", "{allowed}", {"allowed": allowed, "mend": hint, "at": key})
        return data


def elsewhere(model: type[BaseModel], key: str) -> str:
    """Return where below a table a key belongs, as a sentence; nothing if it belongs nowhere."""
    for name, field in model.model_fields.items():
        below = field.annotation
        if isinstance(below, type) and issubclass(below, BaseModel) and key in below.model_fields:
            return f"It belongs one table further down, as {name}.{key}."
    return ""


def quoted(names: Iterable[str]) -> str:
    """Return words as they are written in the file, as a list in a sentence."""
    return listed(f'"{name}"' for name in names)


def _number(notes: Notes, value: Any) -> float:
    try:
        return to_number(value, notes)
    except NumberError as error:
        why = f" ({error})" if isinstance(value, str) else ""
        raise refusal(f"it takes {ARITHMETIC}{why}") from None


def _switch(value: Any) -> float:
    return float(value) if isinstance(value, bool) else _number("key", value)


def _choice(names: tuple[str, ...], value: Any) -> float:
    if isinstance(value, bool) and names == OFF_ON:
        return float(value)
    if isinstance(value, str) and value in names:
        return float(names.index(value))
    try:
        return to_number(value)
    except NumberError:
        near = did_you_mean(value, names) if isinstance(value, str) else ""
        raise refusal(f"it takes {quoted(names)}, or a number", near) from None


def _any_of(*schemas: dict[str, Any]) -> WithJsonSchema:
    return WithJsonSchema({"anyOf": list(schemas)})


Number = Annotated[float, BeforeValidator(partial(_number, "key")), _any_of(*_NUMBER_SCHEMA)]
"""Any number: whole, fractional, inf, nan, or arithmetic in quotes; note names are key numbers."""


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise refusal('it takes text in quotes, such as "low tide"')
    return value


Text = Annotated[str, BeforeValidator(_text), StringConstraints(max_length=10_000)]
"""Any text."""


def _one_of(names: tuple[str, ...], former: Mapping[str, str], value: Any, info: ValidationInfo) -> str:
    value = in_present_words(value, former, info)
    if not isinstance(value, str) or value not in names:
        near = did_you_mean(value, names) if isinstance(value, str) else ""
        raise refusal(f"it takes {quoted(names)}", near)
    return value


def one_of(names: tuple[str, ...], formerly: Formerly | None = None) -> tuple[Any, ...]:
    """Return what makes an ``Annotated[str, *...]`` take only these words.

    Parameters
    ----------
    names : tuple of str
    formerly : Formerly, optional
        Names of the field, and of these words, in earlier patch files.
    """
    words = {} if formerly is None else dict(formerly.words)
    known = BeforeValidator(partial(_one_of, names, words)), WithJsonSchema({"enum": list(names)})
    return known if formerly is None else (*known, formerly)


def _whole(low: int, high: int, value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise refusal(f"it takes a whole number from {low} to {high}")
    return value


def whole(low: int, high: int) -> tuple[BeforeValidator, WithJsonSchema]:
    """Return what makes an ``Annotated[int, *...]`` take only whole numbers within bounds."""
    schema = {"type": "integer", "minimum": low, "maximum": high}
    return BeforeValidator(partial(_whole, low, high)), WithJsonSchema(schema)


def _seconds(value: Any) -> float:
    number = _number("key", value)
    if not 0.0 <= number <= 60.0:
        raise refusal("it takes seconds from 0 to 60")
    return number


Seconds = Annotated[float, BeforeValidator(_seconds), _any_of(*_NUMBER_SCHEMA)]
"""A time from 0 to 60 seconds."""


def parameter_fields(name: str, rows: Iterable[Parameter]) -> type[Table]:
    """Return a table with a field for every row; names with points become tables within it.

    Parameters
    ----------
    name : str
        Of the class, which the JSON Schema shows.
    rows : iterable of Parameter
    """
    # `place.size` and `place.spin.y` become a table `place` with a field `size` and a table `spin`, as deep as names have
    # points: the rows of one stem are a table of their own, made by this same function.
    leaves: dict[str, Parameter] = {}
    groups: dict[str, list[Parameter]] = {}
    for row in rows:
        stem, _, rest = row.name.partition(".")
        if rest:
            former = tuple(word.removeprefix(f"{stem}.") for word in row.formerly)
            groups.setdefault(stem, []).append(replace(row, name=rest, formerly=former))
        else:
            leaves[stem] = row
    fields: dict[str, Any] = {stem: (_type_of(row), _described(row)) for stem, row in leaves.items()}
    for stem, rows_below in groups.items():
        model = parameter_fields(f"{name}{stem.capitalize()}", rows_below)
        fields[stem] = (_group_type(model), Field(default_factory=model))
    return create_model(name, __base__=Table, **fields)


def make_table(name: str, base: type[Table], about: str, fields: Mapping[str, Any]) -> type[Table]:
    """Return a table with further fields.

    Parameters
    ----------
    name : str
        Of the class, which the JSON Schema shows.
    base : type of Table
    about : str
        Sentence that describes it.
    fields : mapping
        Type and default of each, as pydantic's ``create_model`` takes them.
    """
    made: type[Table] = create_model(name, __base__=base, **fields)
    made.__doc__ = about
    return made


def one_of_kinds(
    tables: Mapping[str, type[Table]],
    what: str,
    header: str,
    *,
    usual: str | None = None,
    former: Mapping[str, str] | None = None,
) -> Any:
    """Return the type of a table that is one of several, told apart by its field ``kind``.

    Parameters
    ----------
    tables : mapping
        Each kind's table, with a field ``kind``.
    what : str
        What it is, for messages: ``a form``.
    header : str
        How it is begun in the file: ``[[layer.form]]``.
    usual : str, optional
        Kind of a table that names none; without it, one must be named.
    former : mapping, optional
        Kinds by the names that they had in earlier patch files.
    """

    # The kind is checked ahead of pydantic's union, which would otherwise answer an unknown kind with the faults of all
    # kinds. The tag marks what pydantic puts into an error's location, so that it can be taken out of the address again.
    def known(value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, BaseModel):
            return value
        if not isinstance(value, dict):
            raise refusal(f'it takes a table, as {header} with kind = "{next(iter(tables))}"')
        kind = in_present_words(value.get("kind", usual), former or {}, info, at="kind")
        if kind not in tables:
            raise refusal(f"{what} takes {quoted(tables)}", did_you_mean(str(kind), tables), at="kind")
        return value if kind == value.get("kind", usual) else {**value, "kind": kind}

    def tag_of(value: Any) -> str:
        return TAG + str(value.get("kind", usual) if isinstance(value, dict) else value.kind)

    kinds: Any = Union[tuple(Annotated[table, Tag(TAG + kind)] for kind, table in tables.items())]  # noqa: UP007 - made of a list
    return Annotated[Annotated[kinds, Discriminator(tag_of)], BeforeValidator(known)]


def parameter_values(model: BaseModel, rows: Iterable[Parameter]) -> Iterator[tuple[str, float]]:
    """Name and value of every row, from a table made by `parameter_fields`."""
    for row in rows:
        value: Any = model
        for part in row.name.split("."):
            value = getattr(value, part)
        yield row.name, value


def _described(row: Parameter) -> Any:
    return Field(default=row.default, description=f"{row.about} ({row.unit})")


def _type_of(row: Parameter) -> Any:
    return Annotated[_number_type_of(row), Formerly(row.formerly)] if row.formerly else _number_type_of(row)


def _number_type_of(row: Parameter) -> Any:
    if row.choices:
        named: dict[str, Any] = {"enum": [*row.choices, *([False, True] if row.choices == OFF_ON else [])]}
        return Annotated[float, BeforeValidator(partial(_choice, row.choices)), _any_of(named, *_NUMBER_SCHEMA)]
    if row.unit == SWITCH:
        return Annotated[float, BeforeValidator(_switch), _any_of({"type": "boolean"}, *_NUMBER_SCHEMA)]
    return Annotated[float, BeforeValidator(partial(_number, notes_for(row.unit))), _any_of(*_NUMBER_SCHEMA)]


def _group_type(model: type[Table]) -> Any:
    names = tuple(model.model_fields)
    if not set(names) <= set(AXES):
        return model
    return Annotated[model, BeforeValidator(_axes_from_list(names)), _Listing(model, names)]


def _axes_from_list(names: tuple[str, ...]) -> Callable[[Any], Any]:
    example = f"[{', '.join('0.5' for _ in names)}] or {{{names[-1]} = 0.5}}"

    def from_list(value: Any) -> Any:
        if isinstance(value, list):
            if len(value) != len(names):
                raise refusal(f"it takes {len(names)} numbers, for {listed(names, 'and')}, not {len(value)}")
            return dict(zip(names, value, strict=True))
        if not isinstance(value, dict | BaseModel):
            raise refusal(f"it takes a number for each of {listed(names, 'and')}, as {example}")
        return value

    return from_list


class _Listing:
    """The JSON Schema of a group of axes: the table, or a list of as many numbers."""

    def __init__(self, model: type[Table], names: tuple[str, ...]) -> None:
        self.model = model
        self.count = len(names)

    def __get_pydantic_json_schema__(self, core: Any, handler: Any) -> dict[str, Any]:
        numbers = {
            "type": "array",
            "minItems": self.count,
            "maxItems": self.count,
            "items": {"anyOf": [*_NUMBER_SCHEMA, {"type": "boolean"}]},
        }
        return {"anyOf": [handler(core), numbers]}


def _port_names(value: Any) -> Any:
    if not isinstance(value, list):
        raise refusal('it takes a list of names or parts of names, as ["keys", "faders"]')
    for k, name in enumerate(value):
        if not isinstance(name, str) or not name.strip() or "\0" in name:
            raise refusal('it takes the name of a MIDI input or part of it, as "faders"', at=k)
    return value


PortNames = Annotated[
    list[str],
    BeforeValidator(_port_names),
    WithJsonSchema({"type": "array", "items": {"type": "string", "minLength": 1}}),
]
"""MIDI inputs by name or part of it."""


def _formula(value: Any) -> str:
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = repr(float(value))
    if not isinstance(value, str):
        raise refusal('it takes a formula in quotes, such as "sin(tau*p)"')
    try:
        compile_formula(value)
    except FormulaError as error:
        raise refusal(f"column {error.column} of it: {error.reason}", column=error.column) from None
    return value


FormulaText = Annotated[
    str,
    BeforeValidator(_formula),
    WithJsonSchema({"anyOf": [{"type": "string", "maxLength": LONGEST}, {"type": "number"}]}),
]
"""A formula, kept as it is written."""
