"""Forms of a layer: what its drawing passes through, in the order in which they are written."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from instrument.engine.forms.form_table import FORM_TABLE, FORMER_FORMS
from instrument.engine.memory.layout import FORMS
from instrument.patch.schema.fields import Table, make_table, one_of_kinds, parameter_fields, refusal


def _model_of(kind: str) -> type[Table]:
    row = FORM_TABLE[kind]
    base = parameter_fields(f"{kind.capitalize()}Fields", row.parameters)
    return make_table(kind.capitalize(), base, row.about, {"kind": (Literal[kind], ...)})


Form: Any = one_of_kinds(
    {kind: _model_of(kind) for kind in FORM_TABLE},
    "a form",
    "[[layer.form]]",
    former=FORMER_FORMS,
)
"""One form of a layer."""


def _forms(value: Any) -> Any:
    if not isinstance(value, list):
        raise refusal('it takes tables, each begun with [[layer.form]] and kind = "twist", or another kind')
    if len(value) > FORMS:
        raise refusal(f"it has {len(value)} of them, and a layer passes {FORMS} at most", at=FORMS)
    seen: set[str] = set()
    for k, form in enumerate(value):
        kind = form.get("kind") if isinstance(form, dict) else getattr(form, "kind", None)
        kind = FORMER_FORMS.get(str(kind), kind)
        if isinstance(kind, str) and kind in seen:
            raise refusal(f"a layer passes each kind of form once, and {kind} stands here again", at=k)
        seen.add(str(kind))
    return value


FormList: Any = Annotated[list[Form], BeforeValidator(_forms)]
"""The forms of a layer in their order."""

FORM_FIELD: Any = Field([], description="forms in the order in which the drawing passes them")
"""The field of a layer that holds them."""
