"""Between them the factory patches use everything that the engine's tables offer."""

from collections.abc import Iterator

from instrument.drawings.readers.picture_contours import TRACES
from instrument.engine.forms.form_table import FORM_KINDS
from instrument.engine.memory.layout import ACTIONS, CURVES, GRIPS, MANNERS, MESSAGES
from instrument.engine.modulators.modulator_table import MODULATOR_KINDS
from instrument.engine.parameters import LAYER, MODULATOR, PATCH
from instrument.patch.factory import factory_folder, factory_set
from instrument.patch.patch_file import load_patch
from instrument.patch.schema.patch_schema import OPERATIONS, Patch
from instrument.patch.schema.sources import FIGURES, figure_names
from instrument.patch.set_list_file import patches_named

PATCHES = [load_patch(path) for path in patches_named(factory_set())]


def each(table: str) -> Iterator[object]:
    return (row for patch in PATCHES for row in getattr(patch, table))


def plain(patch: Patch) -> dict[str, object]:
    return patch.document.unwrap()


def choices(rows: tuple[object, ...], name: str) -> tuple[str, ...]:
    return next(row.choices for row in rows if getattr(row, "name", "") == name)  # type: ignore[attr-defined]


def test_every_kind_of_source_and_every_figure() -> None:
    sources = [
        layer["source"]
        for patch in PATCHES
        for layer in plain(patch)["layer"]  # type: ignore[attr-defined]
    ]
    assert {source["kind"] for source in sources} == set(FIGURES)
    figures = {(source["kind"], source["preset"]) for source in sources if "preset" in source}
    assert figures == {(kind, name) for kind in FIGURES for name in figure_names(kind)}
    assert {"points", "frames", "drawing", "text"} <= {field for source in sources for field in source}


def test_drawings_of_every_sort() -> None:
    found = {name for patch in PATCHES for layer in patch.layer for name in getattr(layer.source, "drawing", ())}
    meshes = {"lighthouse", "boat", "crane", "bell_buoy", "house", "fish"}
    flat = {"heron", "moth", "anchor", "gull", "wave", "knot", "net", "lantern"}
    wanted = {f"drawings/{name}.obj" for name in meshes} | {f"drawings/{name}.svg" for name in flat}
    pictures = {"drawings/town.png", "drawings/keeper.png", "drawings/wave.png"}
    moving = {"drawings/flight", "drawings/wader.glb", "drawings/jellyfish.mp4"}
    assert found == wanted | pictures | moving
    assert len(list((factory_folder() / "drawings" / "flight").glob("*.svg"))) >= 12


def test_every_way_to_trace_a_picture() -> None:
    drawings = [layer.source for patch in PATCHES for layer in patch.layer if hasattr(layer.source, "trace")]
    traced = {
        getattr(row, "trace", "")
        for row in drawings
        if any(name.endswith(".png") for name in getattr(row, "drawing", ()))
    }
    assert traced == set(TRACES)


def test_every_form() -> None:
    assert {form.kind for patch in PATCHES for layer in patch.layer for form in layer.form} == set(FORM_KINDS)


def test_every_modulator_and_every_wave() -> None:
    assert {row.kind for row in each("modulator")} == set(MODULATOR_KINDS[1:])  # type: ignore[attr-defined]
    rows = [row for patch in PATCHES for row in plain(patch)["modulator"]]  # type: ignore[attr-defined]
    assert {row["shape"] for row in rows if "shape" in row} == set(choices(MODULATOR, "shape"))
    assert {row.get("sync", "free") for row in rows} == set(choices(MODULATOR, "sync"))
    assert {row.get("trigger", "gate") for row in rows} == set(choices(MODULATOR, "trigger"))
    assert {row.operation for row in each("link")} == set(OPERATIONS)  # type: ignore[attr-defined]


def test_every_way_to_mix_and_to_run_the_pen() -> None:
    assert {plain(patch)["mix"]["mode"] for patch in PATCHES} == set(choices(PATCH, "mix.mode"))  # type: ignore[index]
    directions = choices(LAYER, "pen.direction")
    turned = [row for row in each("control") if str(row.parameter).endswith("pen.direction")]  # type: ignore[attr-defined]
    assert turned
    assert turned[0].range == [0, len(directions) - 1]  # type: ignore[attr-defined]


def test_every_message_manner_takeover_curve_and_action_of_a_control() -> None:
    controls = [control for patch in PATCHES for control in patch.control]
    assert {control.message for control in controls} == set(MESSAGES[1:])
    assert {control.manner for control in controls} == set(MANNERS)
    assert {control.grip for control in controls} == set(GRIPS)
    assert {control.curve or CURVES[0] for control in controls} == set(CURVES)
    assert {control.action for control in controls} - {None} == set(ACTIONS[1:])


def test_a_scale_of_its_own_a_split_keyboard_and_every_mode_of_notes() -> None:
    assert any(patch.tuning.ratios or patch.tuning.cents for patch in PATCHES)
    layers = [layer for patch in PATCHES for layer in plain(patch)["layer"]]  # type: ignore[attr-defined]
    fields = {field for layer in layers for field in layer.get("notes", {})}
    assert {"low", "high", "share", "legato", "glide", "release"} <= fields
    modes = [row.range for row in each("control") if str(row.parameter).endswith("notes.mode")]  # type: ignore[attr-defined]
    assert {choices(LAYER, "notes.mode")[int(top)] for _, top in modes} == {"mono", "poly"}
