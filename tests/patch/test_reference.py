"""The reference in the guide: made from the schema, complete, and up to date."""

import re
from pathlib import Path

import pytest

from instrument.engine.parameters import LINK, MODULATOR, PATCH
from instrument.patch.reference import reference, with_reference
from instrument.patch.schema.patch_schema import LAYER_FIELDS

GUIDE = Path(__file__).resolve().parents[2] / "patches" / "README.md"


def test_the_guide_holds_the_reference_as_the_schema_makes_it() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    assert text == with_reference(text), "run tools/factory/make_reference.py"


@pytest.mark.parametrize("row", [*LAYER_FIELDS, *MODULATOR, *LINK, *PATCH], ids=lambda row: row.name)
def test_it_tells_of_every_parameter_that_has_a_field(row: object) -> None:
    parts = row.name.split(".")  # type: ignore[attr-defined]
    field = parts[-2] if parts[-1] in {"x", "y", "z"} else parts[-1]
    assert re.search(rf"^\| `{field}` \| [^|]+ \| [^|]+ \|$", reference(), re.MULTILINE)


def test_a_document_without_a_place_for_it_is_refused() -> None:
    with pytest.raises(ValueError, match="no place for the reference"):
        with_reference("# Tides\n")
