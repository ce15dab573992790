"""The schema has a place for every parameter of the engine, and its JSON Schema says what the loader does."""

import copy
import json
import math
import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from instrument.engine.forms.form_table import FORM_TABLE
from instrument.engine.memory.layout import GESTURES
from instrument.engine.parameters import ADDRESSES, INDEX, LAYER, MODULATOR, MODULATORS, ROWS
from instrument.patch.build import build_program
from instrument.patch.editing.value_edits import path_of
from instrument.patch.factory import factory_folder
from instrument.patch.patch_file import STARTER
from instrument.patch.schema.checks import cross_problems, path_in_data
from instrument.patch.schema.modulators import KIND_ROWS
from instrument.patch.schema.patch_schema import Patch, json_schema
from instrument.patch.schema.sources import FIGURES, figure_names, kinds_of_row

SOURCES: dict[str, dict[str, Any]] = {
    "harmonic": {"kind": "harmonic", **{axis: [{} for _ in range(8)] for axis in "xyz"}},
    "path": {"kind": "path", "preset": "cube"},
    "formula": {"kind": "formula", "x": "p"},
    "input": {"kind": "input"},
    **{kind: {"kind": kind} for kind in FIGURES if kind not in {"harmonic", "path", "formula", "input"}},
}
TABLES: dict[str, dict[str, Any]] = {
    "curve": {"points": [[0, 1], [1, 0]]},
    "steps": {"steps": [0, 1]},
    "formula": {"formula": "p"},
}


def full(source: str = "harmonic", modulator: str = "lfo") -> dict[str, Any]:
    """Return a patch that has every table, with one kind of source and of modulator."""
    count = GESTURES if modulator == "gesture" else MODULATORS
    return {
        "schema": 1,
        "layer": [
            {"source": copy.deepcopy(SOURCES[source]), "form": [{"kind": kind} for kind in FORM_TABLE]}
            for _ in range(8)
        ],
        "modulator": [{"kind": modulator, **TABLES.get(modulator, {})} for _ in range(count)],
        "link": [{"modulator": 1, "parameter": "output.level"} for _ in range(64)],
    }


VALIDATOR = jsonschema.Draft202012Validator(json_schema())
PATCHES = [
    *sorted(factory_folder().glob("*.toml")),
    *sorted(factory_folder().glob("calibration/*.toml")),
    STARTER,
]


def put(data: dict[str, Any], path: tuple[str | int, ...], value: float) -> None:
    here: Any = data
    for step in path[:-1]:
        if isinstance(here, list) and isinstance(step, str):
            here = next(form for form in here if form["kind"] == step)
            continue
        if isinstance(here, dict) and step not in here:
            here[step] = {}
        here = here[step]
    here[path[-1]] = value


KINDS = [*((source, "lfo") for source in SOURCES), *(("harmonic", kind) for kind in KIND_ROWS)]


@pytest.mark.parametrize(("source", "modulator"), KINDS)
def test_every_parameter_has_a_field_of_its_own(source: str, modulator: str) -> None:
    # Each kind of source and of modulator has some of them; together they have all.
    data = full(source, modulator)
    mine = [
        index
        for index, address in enumerate(ADDRESSES)
        if (".source." not in address or source in kinds_of_row(address.split(".")[3]))
        and (
            not address.startswith("mod.")
            or (
                address.split(".", 2)[2] in KIND_ROWS[modulator]
                and int(address.split(".")[1]) <= len(data["modulator"])
            )
        )
    ]
    for index in mine:
        put(data, path_of(ADDRESSES[index]), index + 0.5)
    patch = Patch.model_validate(data)
    assert cross_problems(patch) == []
    program = build_program(patch)
    assert program.record["base"][mine].tolist() == [index + 0.5 for index in mine]


def test_the_kinds_together_have_every_parameter() -> None:
    assert {name for names in KIND_ROWS.values() for name in names} == {row.name for row in MODULATOR}
    rest = {row.name.split(".")[1] for row in LAYER if row.name.startswith("source.")}
    assert {kind for part in rest for kind in kinds_of_row(part)} == set(SOURCES)


def test_what_the_file_leaves_out_has_the_default_of_the_table() -> None:
    bare = build_program(Patch.model_validate({"schema": 1, "layer": [{}] * 8, "modulator": [{}] * 32}))
    assert bare.record["base"].tolist() == [row.default for row in ROWS]


@pytest.mark.parametrize("address", ["layer.1.pen.frequency", "layer.1.place.scale.x", "mod.2.width", "link.3.depth"])
@pytest.mark.parametrize(
    ("written", "value"),
    [(3, 3.0), (-0.0, -0.0), ("1/0", math.inf), ("-1e9", -1e9), ("3*440", 1320.0), (10**400, math.inf)],
)
def test_a_parameter_takes_any_number(address: str, written: object, value: float) -> None:
    data = full()
    put(data, path_of(address), written)  # type: ignore[arg-type]
    base = build_program(Patch.model_validate(data)).record["base"][INDEX[address]]
    assert (base, math.copysign(1, base)) == (value, math.copysign(1, value))


def test_a_switch_may_be_true_or_false_and_axes_a_list() -> None:
    patch = Patch.model_validate({"schema": 1, "output": {"ac": True, "invert": [True, False], "gain": [2, "1/2"]}})
    assert (patch.output.ac, patch.output.invert.x, patch.output.invert.y) == (1.0, 1.0, 0.0)
    assert (patch.output.gain.x, patch.output.gain.y) == (2.0, 0.5)


def test_locations_of_faults_lead_into_the_file_past_kinds_and_axes() -> None:
    data = {"layer": [{"source": {"kind": "path"}, "place": {"scale": [1, 2, "x"]}}]}
    assert path_in_data(data, ("layer", 0, "place", "scale", "z")) == ("layer", 0, "place", "scale", 2)
    assert path_in_data(data, ("layer", 0, "source", "kind: path", "kind")) == ("layer", 0, "source", "kind")


@pytest.mark.parametrize("kind", FIGURES)
def test_every_figure_can_be_written_by_its_name_and_is_within_full_scale(kind: str) -> None:
    for name in figure_names(kind):
        extra = {"circles": [{"radius": 0.5}]} if name == "epicycles" else {}
        patch = Patch.model_validate({"schema": 1, "layer": [{"source": {"kind": kind, "preset": name, **extra}}]})
        program = build_program(patch)
        assert program.record["layers"][0]["source"] != 0
        if kind == "path":
            assert abs(program.paths[0]).max() <= 1.0
        VALIDATOR.validate({"schema": 1, "layer": [{"source": {"kind": kind, "preset": name, **extra}}]})


class TestJsonSchema:
    def test_it_is_a_schema_by_its_own_standard(self) -> None:
        schema = json_schema()
        jsonschema.Draft202012Validator.check_schema(schema)
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        assert json.loads(json.dumps(schema)) == schema

    @pytest.mark.parametrize("path", PATCHES, ids=lambda path: path.stem)
    def test_the_factory_patches_are_valid_by_it(self, path: Path) -> None:
        VALIDATOR.validate(tomllib.loads(path.read_text()))

    @pytest.mark.parametrize(
        "change",
        [
            {"values": {"output": {"level": 0.5}, "layer.1.level": "1/0"}},
            {"layer": [{"place": {"scale": [1, "2", math.inf], "spin": {"y": 1}}, "pen": {"direction": "swing"}}]},
            {"layer": [{"source": {"kind": "path", "points": [[0, 1], [1, 0, "1/2"]], "samples": 64}}]},
            {"layer": [{"source": {"kind": "path", "frames": [[[0, 1], [1, 0]]], "frame": 0.5, "blend": False}}]},
            {"layer": [{"source": {"kind": "harmonic", "preset": "rose", "y": [{"ratio": 2}]}}]},
            {"control": [{"message": "pad", "number": "C#4", "channel": 16, "parameter": "output.level"}]},
            {"control": [{"message": "bend", "parameter": "output.level", "points": [[0, 0], [1, 1]]}]},
            {"output": {"ac": True, "invert": [True, 0]}, "mix": {"mode": 0.5}, "ramp": 0},
        ],
        ids=str,
    )
    def test_what_the_loader_takes_it_takes(self, change: dict[str, Any]) -> None:
        data = {"schema": 1, **change}
        Patch.model_validate(data)
        VALIDATOR.validate(data)

    @pytest.mark.parametrize(
        "change",
        [
            {"titel": "x"},
            {"schema": 2},
            {"layer": {}},
            {"layer": [{}] * 9},
            {"layer": [{"plac": {}}]},
            {"layer": [{"source": {"kind": "harmonics"}}]},
            {"layer": [{"source": {"kind": "harmonic", "preset": "star"}}]},
            {"layer": [{"place": {"scale": [1, 2]}}]},
            {"layer": [{"pen": {"frequency": []}}]},
            {"link": [{"parameter": "output.level"}]},
            {"control": [{"message": "c", "parameter": "output.level"}]},
            {"control": [{"message": "cc", "number": 16384, "parameter": "output.level"}]},
            {"mix": {"mode": True}},
        ],
        ids=str,
    )
    def test_what_the_loader_refuses_it_refuses(self, change: dict[str, Any]) -> None:
        data = {"schema": 1, **change}
        with pytest.raises(ValueError, match=r"validation error"):
            Patch.model_validate(data)
        assert not VALIDATOR.is_valid(data)

    def test_every_parameter_is_described_with_its_unit(self) -> None:
        text = json.dumps(json_schema())
        for row in {row.name: row for row in ROWS if not re.match(r"source\.[xyz]\.", row.name)}.values():
            assert json.dumps(f"{row.about} ({row.unit})")[1:-1] in text
