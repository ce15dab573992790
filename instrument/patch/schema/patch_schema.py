"""Schema of a patch file: its tables and fields, and the values that each takes."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Self

import tomlkit
from pydantic import BeforeValidator, ConfigDict, Field, PrivateAttr, WithJsonSchema, model_validator

from instrument.engine.memory.layout import CONTROLS, SNAPSHOT_VALUES, SNAPSHOTS
from instrument.engine.parameters import LAYER, LAYERS, LINK, LINKS, MODULATORS, PATCH
from instrument.patch.schema.controls import Address, Control
from instrument.patch.schema.fields import Number, PortNames, Seconds, Table, Text, one_of, parameter_fields, refusal
from instrument.patch.schema.forms import FORM_FIELD, FormList
from instrument.patch.schema.modulators import Modulator
from instrument.patch.schema.sources import Source
from instrument.patch.schema.tuning import Tuning

SCHEMA = 1
"""Version of the file format; raised when an older Beamhand could misread a file."""

OPERATIONS = ("add", "multiply")
"""Ways in which a link changes its parameter; the index is what the program stores."""

LAYER_FIELDS = tuple(row for row in LAYER if not row.name.startswith(("source.", "form.")))
"""Rows of a layer that have a field of their own; those of its source and its forms are in their tables."""


def _at_most(count: int, what: str) -> BeforeValidator:
    def check(value: Any) -> Any:
        if not isinstance(value, list):
            raise refusal(f"it takes tables, each begun with [[{what}]]")
        if len(value) > count:
            raise refusal(f"it has {len(value)} of them, and a patch holds at most {count}", at=count)
        return value

    return BeforeValidator(check)


class Layer(parameter_fields("LayerFields", LAYER_FIELDS)):  # type: ignore[misc]  # made from the engine's table
    """One drawing being played."""

    name: Text = Field("", description="what to call the layer")
    source: Source | None = Field(None, description="what the layer draws; nothing unless given")
    form: FormList = FORM_FIELD


def _modulator_reference(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise refusal("it takes the name of a modulator, or its number counted from 1")
    return value


class Link(parameter_fields("LinkFields", LINK)):  # type: ignore[misc]  # made from the engine's table
    """Modulator to parameter."""

    modulator: Annotated[
        int | str,
        BeforeValidator(_modulator_reference),
        WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 1, "maximum": MODULATORS}, {"type": "string"}]}),
    ] = Field(description="name of the modulator, or its number counted from 1")
    parameter: Address = Field(description="address of the parameter that is moved")
    operation: Annotated[str, *one_of(OPERATIONS)] = Field("add", description="what is done to the parameter")


def _version(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise refusal("it takes the version of the file format", f"Write schema = {SCHEMA}.")
    if value > SCHEMA:
        raise refusal(f"this Beamhand reads up to schema {SCHEMA}", "Open it with a newer Beamhand.")
    return value


def _values(value: Any) -> Any:
    if not isinstance(value, dict):
        raise refusal("it takes a table of numbers by address, as layer.1.level = 0.5")
    return dict(_flat(value))


_VALUES_SCHEMA = WithJsonSchema(
    {
        "type": "object",
        "additionalProperties": {"anyOf": [{"type": "number"}, {"type": "string"}, {"type": "object"}]},
    }
)


def _flat(table: dict[str, Any], stem: str = "") -> Iterator[tuple[str, Any]]:
    # TOML reads layer.1.level without quotes as tables within tables.
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{stem}{key}.")
        else:
            yield stem + key, value


class Snapshot(Table):
    """Values to recall together, at once or by a morph."""

    name: Text = Field("", description="what to call it")
    values: Annotated[dict[Address, Number], BeforeValidator(_values), _VALUES_SCHEMA] = Field(
        description="values by address; what is not named stays as it is"
    )


class Patch(parameter_fields("PatchFields", PATCH)):  # type: ignore[misc]  # made from the engine's table
    """A patch: what is drawn, what moves it, and what a hand may change.

    Attributes
    ----------
    path : pathlib.Path or None
        File it was read from.
    text : str
        The file's text, with comments and order, which saving keeps.
    """

    model_config = ConfigDict(extra="forbid", title="Beamhand patch", serialize_by_alias=True)

    version: Annotated[int, BeforeValidator(_version), WithJsonSchema({"const": SCHEMA})] = Field(
        alias="schema", description="version of the file format"
    )
    title: Text = Field("", description="name of the patch")
    about: Text = Field("", description="a sentence or two on what it is")
    tuning: Tuning = Field(default_factory=Tuning)
    ramp: Seconds = Field(0.005, description="time that a control takes to reach a new value (s); 0 jumps")
    fade: Seconds = Field(0.005, description="time of the cross-fade when the patch is begun (s)")
    midi: PortNames = Field(
        [],
        description="MIDI inputs to play from, by name or part of it, unless the command line names others",
    )
    feedback: bool = Field(True, description="false sends no values back to controllers while this patch plays")
    layer: Annotated[list[Layer], _at_most(LAYERS, "layer")] = Field([], description="drawings", max_length=LAYERS)
    modulator: Annotated[list[Modulator], _at_most(MODULATORS, "modulator")] = Field(
        [], description="moving values", max_length=MODULATORS
    )
    link: Annotated[list[Link], _at_most(LINKS, "link")] = Field(
        [], description="modulators to parameters", max_length=LINKS
    )
    control: Annotated[list[Control], _at_most(CONTROLS, "control")] = Field(
        [], description="MIDI messages to parameters", max_length=CONTROLS
    )
    snapshot: Annotated[list[Snapshot], _at_most(SNAPSHOTS, "snapshot")] = Field(
        [], description="sets of values that actions recall", max_length=SNAPSHOTS
    )
    values: Annotated[dict[Address, Number], BeforeValidator(_values), _VALUES_SCHEMA] = Field(
        {},
        description="values by address, which win over all fields; saving puts here what has no field in the file",
    )

    _path: Path | None = PrivateAttr(None)
    _text: str = PrivateAttr("")

    @model_validator(mode="after")
    def _check_snapshots(self) -> Self:
        count = 0
        for k, snapshot in enumerate(self.snapshot):
            count += len(snapshot.values)
            if count > SNAPSHOT_VALUES:
                raise refusal(f"all snapshots together hold {SNAPSHOT_VALUES} values", at=f"snapshot.{k + 1}")
        return self

    @property
    def path(self) -> Path | None:
        """File it was read from; None for a text."""
        return self._path

    @property
    def text(self) -> str:
        """The file's text."""
        return self._text

    @property
    def document(self) -> tomlkit.TOMLDocument:
        """The file's text as an editable document, made anew at every call."""
        return tomlkit.parse(self._text)

    def remember(self, path: Path | None, text: str) -> None:
        """Keep where the patch comes from and how it is written."""
        self._path = path
        self._text = text


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a patch file, for editors that complete and check TOML.

    Source
    ------
    JSON Schema, draft 2020-12.
    """
    schema = Patch.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
