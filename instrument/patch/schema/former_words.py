"""Words of earlier patch files: refused with what they are called now, or taken as that where a take is rendered again.

An earlier word stands beside the present one: in the tables of forms, sources, modulators and parameters of the engine, and
for other fields as `Formerly` in the field's annotation.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationInfo
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from instrument.patch.patch_errors import shown

AS_IT_WAS = "as it was"
"""Key of the context of a validation in which earlier words are taken as what they are called now."""


@dataclass(frozen=True)
class Formerly:
    """Earlier name and words of a field of a table; part of the field's annotation.

    Attributes
    ----------
    keys : tuple of str
        Names that it had.
    words : tuple of (str, str)
        Words that it took, and what they are called now.
    """

    keys: tuple[str, ...] = ()
    words: tuple[tuple[str, str], ...] = ()


def in_present_words(word: Any, former: Mapping[str, str], info: ValidationInfo, *, at: str | None = None) -> Any:
    """Return a value as it is called now where earlier words are taken, and any value that is no earlier word as it is.

    Parameters
    ----------
    word : object
    former : mapping of str to str
        Present words by earlier ones.
    info : pydantic.ValidationInfo
    at : str, optional
        Key below the field where the value stands.

    Raises
    ------
    pydantic_core.PydanticCustomError
        If it is an earlier word, and they are not taken.
    """
    if not isinstance(word, str) or word not in former:
        return word
    if not _are_taken(info):
        raise _called_now(word, former[word], at)
    return former[word]


def in_present_keys(table: dict[str, Any], fields: Mapping[str, FieldInfo], info: ValidationInfo) -> dict[str, Any]:
    """Return a table of a patch file with its keys as they are called now, where earlier words are taken.

    A key whose field stands there by its present name as well is left, to be refused as unknown.

    Parameters
    ----------
    table : dict
    fields : mapping of str to FieldInfo
        Those of the table's model.
    info : pydantic.ValidationInfo

    Raises
    ------
    pydantic_core.PydanticCustomError
        If there is an earlier key, and they are not taken.
    """
    marks = [
        (about.alias or name, mark)
        for name, about in fields.items()
        for mark in about.metadata
        if isinstance(mark, Formerly)
    ]
    former = {key: (present, mark) for present, mark in marks for key in mark.keys if key in table}
    for key, (present, mark) in former.items():
        if not _are_taken(info):
            value = table[key]
            now = dict(mark.words).get(value, value) if isinstance(value, str) else value
            raise _called_now(key, present, key, "" if isinstance(value, dict) else f"Write {present} = {shown(now)}.")
    renamed = {key: present for key, (present, _) in former.items() if present not in table}
    return {renamed.get(key, key): value for key, value in table.items()}


def _are_taken(info: ValidationInfo) -> bool:
    return bool(info.context and info.context.get(AS_IT_WAS))


def _called_now(word: str, present: str, at: str | None, mend: str = "") -> PydanticCustomError:
    # What a file holds never becomes part of a template: the braces are filled in by pydantic.
    return PydanticCustomError("former", "{word}", {"word": word, "present": present, "at": at, "mend": mend})
