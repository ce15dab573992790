"""MIDI ports that a file remembers, for shows that name none themselves."""

from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from instrument.patch.schema.fields import refusal


def _names(value: Any) -> Any:
    if not isinstance(value, list):
        raise refusal('it takes a list of names or parts of names, as ["keys", "faders"]')
    for k, name in enumerate(value):
        if not isinstance(name, str) or not name.strip() or "\0" in name:
            raise refusal('it takes the name of a MIDI input or part of it, as "faders"', at=k)
    return value


PortNames = Annotated[
    list[str],
    BeforeValidator(_names),
    WithJsonSchema({"type": "array", "items": {"type": "string", "minLength": 1}}),
]
"""MIDI inputs by name or part of it."""
