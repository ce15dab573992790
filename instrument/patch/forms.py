"""What a layer of a patch file may pass its drawing through: forms, in the order in which they are written."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, Discriminator, Field, Tag

from instrument.engine.form_table import FORM_TABLE
from instrument.engine.layout import FORMS
from instrument.engine.parameters import Parameter
from instrument.patch.errors import did_you_mean
from instrument.patch.fields import TAG, make_table, parameter_fields, quoted, refusal

FORM_FIELDS: dict[str, tuple[Parameter, ...]] = {
    kind: tuple(Parameter(*row) for row in rows) for kind, rows in FORM_TABLE.items()
}
"""Rows of each kind of form, by their names within the form."""

_ABOUT = {
    "twist": "Turns the drawing the more, the further out or along it is.",
    "bend": "Rolls the x axis up into an arc.",
    "ripple": "Waves along the line, or rings as on water.",
    "fold": "Folds what is too large back into the drawing, as often as needed.",
    "wrap": "Lets what leaves on one side come in again on the other.",
    "mirror": "Adds the mirror image, or makes both halves alike.",
    "copies": "Draws the drawing several times, turned, grown or shifted, one copy in each round of the pen.",
    "lattice": "Rounds coordinates to a lattice.",
    "noise": "Throws points about at random; the same seed repeats the same noise.",
    "shear": "Slants the drawing.",
    "pinch": "Draws the middle together, or makes it bulge.",
    "delay": "Lets axes come late, and go round again.",
    "lowpass": "Smooths axes: corners go round.",
    "highpass": "Takes the slow part out of axes: what stands still goes to the middle.",
    "ring": "Multiplies x by y.",
    "chop": "Cuts the line into dashes.",
}


def _known_kind(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return value
    if not isinstance(value, dict):
        raise refusal('it takes a table, as [[layer.form]] with kind = "twist"')
    if value.get("kind") not in FORM_FIELDS:
        raise refusal(
            f"a form takes {quoted(FORM_FIELDS)}",
            did_you_mean(str(value.get("kind")), FORM_FIELDS),
            at="kind",
        )
    return value


def _tag_of(value: Any) -> str:
    return TAG + str(value["kind"] if isinstance(value, dict) else value.kind)


def _model_of(kind: str) -> Any:
    base = parameter_fields(f"{kind.capitalize()}Fields", FORM_FIELDS[kind])
    return make_table(kind.capitalize(), base, _ABOUT[kind], {"kind": (Literal[kind], ...)})


_Kinds: Any = None
for _kind in FORM_FIELDS:
    _one: Any = Annotated[_model_of(_kind), Tag(TAG + _kind)]
    _Kinds = _one if _Kinds is None else _Kinds | _one

Form: Any = Annotated[Annotated[_Kinds, Discriminator(_tag_of)], BeforeValidator(_known_kind)]
"""One form of a layer."""


def _forms(value: Any) -> Any:
    if not isinstance(value, list):
        raise refusal('it takes tables, each begun with [[layer.form]] and kind = "twist", or another kind')
    if len(value) > FORMS:
        raise refusal(f"it has {len(value)} of them, and a layer passes {FORMS} at most", at=FORMS)
    seen: set[str] = set()
    for k, form in enumerate(value):
        kind = form.get("kind") if isinstance(form, dict) else getattr(form, "kind", None)
        if isinstance(kind, str) and kind in seen:
            raise refusal(f"a layer passes each kind of form once, and {kind} stands here again", at=k)
        seen.add(str(kind))
    return value


FormList: Any = Annotated[list[Form], BeforeValidator(_forms)]
"""The forms of a layer in their order."""

FORM_FIELD: Any = Field([], description="forms in the order in which the drawing passes them")
"""The field of a layer that holds them."""
