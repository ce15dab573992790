"""A set list: a TOML file that names patches in the order of a performance."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationError, WithJsonSchema

from instrument.engine.memory.layout import SETLIST
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import read_text
from instrument.patch.schema.checks import problems_of
from instrument.patch.schema.fields import (
    PortNames,
    Table,
    Text,
    refusal,
)
from instrument.patch.schema.patch_schema import SCHEMA


def _version(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= SCHEMA:
        raise refusal(f"it takes the version of the file format, up to {SCHEMA}", f"Write schema = {SCHEMA}.")
    return value


Version = Annotated[int, BeforeValidator(_version), WithJsonSchema({"const": SCHEMA})]
"""Version of a file's format."""


def _names(value: Any) -> Any:
    if not isinstance(value, list) or not 1 <= len(value) <= SETLIST:
        raise refusal(f'it takes a list of 1 to {SETLIST} patch files, as ["lighthouse.toml", "buoy.toml"]')
    for k, name in enumerate(value):
        if not isinstance(name, str) or not name.strip() or "\0" in name:
            raise refusal('it takes the name of a patch file, as "lighthouse.toml"', at=k)
    return value


class SetList(Table):
    """Patches in the order of a performance."""

    version: Version = Field(alias="schema", description="version of the file format")
    title: Text = Field("", description="name of the set")
    midi: PortNames = Field([], description="MIDI inputs to play from, unless the command line names others")
    patches: Annotated[list[str], BeforeValidator(_names)] = Field(
        description="patch files relative to the set list's folder; program change n recalls the one counted n from 0"
    )


def patches_named(path: Path) -> tuple[Path, ...]:
    """Return the patches that a file stands for: those of a set list, or the file itself.

    Parameters
    ----------
    path : Path
        A set list, or anything else.

    Raises
    ------
    PatchError
        If it is a set list with a fault, naming every fault.
    """
    found = _set_list(path)
    if found is None:
        return (path,)
    return tuple(Path(os.path.normpath(path.parent / name)) for name in found.patches)


def ports_named(path: Path) -> tuple[str, ...]:
    """Return the MIDI inputs that a set list remembers; none if it is no set list.

    Raises
    ------
    PatchError
        If it is a set list with a fault.
    """
    found = _set_list(path)
    return tuple(found.midi) if found is not None else ()


def _set_list(path: Path) -> SetList | None:
    try:
        text = read_text(path)
        data = tomllib.loads(text)
    except (PatchError, tomllib.TOMLDecodeError, RecursionError, ValueError):
        return None  # whoever reads it as a patch says what is wrong with it
    if "patches" not in data:
        return None
    try:
        found: SetList = SetList.model_validate(data)
    except ValidationError as error:
        raise PatchError(path, *problems_of(error, data, text)) from None
    return found
