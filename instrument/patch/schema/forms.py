"""What a layer of a patch file may pass its drawing through: forms, in the order in which they are written."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from instrument.engine.forms.table import FORM_TABLE
from instrument.engine.memory.layout import FORMS
from instrument.engine.parameters import Parameter
from instrument.patch.schema.fields import Table, make_table, one_of_kinds, parameter_fields, refusal

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


def _model_of(kind: str) -> type[Table]:
    base = parameter_fields(f"{kind.capitalize()}Fields", FORM_FIELDS[kind])
    return make_table(kind.capitalize(), base, _ABOUT[kind], {"kind": (Literal[kind], ...)})


Form: Any = one_of_kinds({kind: _model_of(kind) for kind in FORM_FIELDS}, "a form", "[[layer.form]]")
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
