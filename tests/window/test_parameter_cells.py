"""Every parameter of a patch has a cell on some page, with its unit and its help, and its words fit at any size."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pygame
import pytest

from instrument.engine.forms.form_table import FORM_TABLE
from instrument.engine.parameters import INDEX, LAYER, LINK, MODULATOR, PATCH, ROWS
from instrument.engine.signal.source_table import SOURCE_TABLE
from instrument.patch.description import document_of
from instrument.window.desk import PAGES
from instrument.window.pages.motion import NEW_MODULATORS
from instrument.window.pages.parameter_cells import about_value
from instrument.window.theme import NIGHT
from instrument.window.widgets.cells import Cell
from instrument.window.widgets.painter import Painter
from tests.window.sitting import Sitting, told

FACTORY = sorted((Path(__file__).resolve().parents[2] / "patches").glob("*.toml"))
SIZES = [(1024, 600), (1280, 800), (1920, 1080), (3840, 2160)]
BARE = {
    "Q",
    "of 1",
    "0 or 1",
    "0 to 1",
    "level",
    "number",
    "value",
    "steepness",
    "snapshot",
    "MIDI channel",
    "velocity",
}
BARE |= {"of a cycle", "of a gate", "of half a pair", "of the first", "of the amount", "of the parameter", "MIDI key"}
"""Units that say no more than that it is a number; a key is shown by its name."""

TERMS = {axis: [{"ratio": k} for k in range(1, 9)] for axis in "xyz"}
SOURCES: list[dict[str, Any]] = [
    {"kind": "harmonic", **TERMS},
    {"kind": "path", "text": "ahoy"},
    {"kind": "formula", "x": "a", "y": "b"},
    {"kind": "input"},
]
EVERYTHING: dict[str, Any] = {
    "layer": [{"source": source, "form": [{"kind": kind} for kind in FORM_TABLE]} for source in SOURCES],
    "modulator": [{"name": kind, **beginning} for kind, beginning in NEW_MODULATORS.items()],
    "link": [
        {"modulator": "lfo", "parameter": "layer.1.place.spin.y", "depth": 0.5},
        {"modulator": "envelope", "parameter": "layer.1.pen.frequency", "depth": 0.5},
    ],
    "control": [
        {"message": "cc", "number": 1, "parameter": "layer.1.pen.frequency"},
        {"message": "cc", "number": 74, "channel": 16, "parameter": "output.level"},
    ],
}
"""Tables of a patch that has every form and kind of modulator, and the sources that are more than their parameters."""

FIGURES: dict[str, Any] = {
    "layer": [{"source": {"kind": kind}} for kind in SOURCE_TABLE if kind not in {source["kind"] for source in SOURCES}]
}
"""Tables of a patch that has every other source; a patch has no layers for all of them."""


@pytest.fixture(scope="module", autouse=True)
def _fonts() -> Iterator[None]:
    pygame.font.init()
    yield
    pygame.font.quit()


def everywhere(sitting: Sitting) -> Iterator[list[Cell]]:
    """Turn to every page for every layer and modulator, with all groups open, and yield all cells, seen or scrolled away."""
    for page in PAGES:
        count = {"Layers": len(sitting.stage.tables("layer")), "Motion": len(sitting.stage.tables("modulator"))}
        for k in range(count.get(page, 0) + 1):
            sitting.context.layer = sitting.context.modulator = k
            sitting.desk.show(page)
            sitting.look()
            for cell in sitting.desk.everything:
                if cell.kind == "title" and cell.text.startswith("\N{BLACK RIGHT-POINTING SMALL TRIANGLE}"):
                    assert cell.act is not None
                    cell.act()
            sitting.look()
            yield sitting.desk.everything


def sitting_at(document: dict[str, Any], size: tuple[int, int] = (1280, 800)) -> Sitting:
    return Sitting(size, {"title": "Everything", **told(document)})


def test_the_patches_that_have_everything_have_every_row_of_the_table() -> None:
    names: dict[str, set[str]] = {}
    for document in (EVERYTHING, FIGURES):
        for address in sitting_at(document).stage.addresses:
            owner = address.split(".")[0] if ROWS[INDEX[address]].name != address else "patch"
            names.setdefault(owner, set()).add(ROWS[INDEX[address]].name)
    tables = {"layer": LAYER, "mod": MODULATOR, "link": LINK, "patch": PATCH}
    assert names == {owner: {row.name for row in table} for owner, table in tables.items()}


@pytest.mark.parametrize(
    "document",
    [EVERYTHING, FIGURES, {}, *(document_of(path.read_text()) for path in FACTORY)],
    ids=["everything", "figures", "nothing", *(path.stem for path in FACTORY)],
)
def test_every_parameter_that_a_patch_has_has_a_cell(document: dict[str, Any]) -> None:
    document.pop("schema", None)
    sitting = sitting_at(document)
    shown = {cell.address for cells in everywhere(sitting) for cell in cells if cell.address}
    wanted = set(sitting.stage.addresses)
    assert len(wanted) >= len(PATCH)
    assert wanted - shown == set()


def test_every_cell_of_a_parameter_has_its_unit_and_its_help() -> None:
    sitting = sitting_at(EVERYTHING)
    for cell in [cell for cells in everywhere(sitting) for cell in cells if cell.address]:
        row = ROWS[INDEX[cell.address]]
        about = about_value(sitting.context, cell.address)
        assert row.about in about
        if row.choices:
            assert cell.value in row.choices, cell.key
            assert ", ".join(row.choices) in about
        else:
            low, high, _ = sitting.stage.range_of(cell.address)
            assert low < high
            assert row.unit in about
            assert cell.unit or row.unit in BARE or cell.value == "inf" or cell.text in {row.unit, "bpm"}, cell.key


def test_a_name_of_several_words_is_shown_in_words() -> None:
    sitting = sitting_at(EVERYTHING)
    named = {cell.address: cell.text for cells in everywhere(sitting) for cell in cells if cell.address}
    assert named["layer.1.notes.size_by_velocity"] == "size by velocity"
    assert sitting.stage.address_words("layer.1.notes.size_by_velocity") == "layer 1: notes size by velocity"


@pytest.mark.parametrize("size", SIZES)
def test_words_fit_into_their_cells_or_are_shortened_with_dots(size: tuple[int, int]) -> None:
    sitting = sitting_at(EVERYTHING, size)
    canvas = pygame.Rect(0, 0, *size)
    painter = Painter(canvas, sitting.sizes, sitting.font, NIGHT)
    for cell in {cell.key: cell for cells in everywhere(sitting) for cell in cells}.values():
        words = sorted(painter.words_in(cell), key=lambda word: word.x)
        ends = [word.x + sitting.font.width(word.text) for word in words]
        assert all(end <= word.x for end, word in zip(ends, words[1:], strict=False)), cell
        assert all(word.x >= 0 and end <= cell.box[2] for word, end in zip(words, ends, strict=True)), cell
        assert all(word.y >= 0 and word.y + sitting.sizes.em <= cell.box[3] for word in words), cell
        whole = {cell.text, cell.value, cell.unit, cell.mark}
        assert all(word.text in whole or word.text.endswith("\N{HORIZONTAL ELLIPSIS}") for word in words), cell
        drawn = {word.text for word in words}
        assert cell.value in drawn or not cell.address, cell
        assert drawn or not (cell.text or cell.value), cell


@pytest.mark.parametrize("size", SIZES)
def test_where_nothing_moves_it_a_value_stands_whole_beside_its_name_and_unit(size: tuple[int, int]) -> None:
    sitting = sitting_at({**EVERYTHING, "link": [], "control": []}, size)
    painter = Painter(pygame.Rect(0, 0, *size), sitting.sizes, sitting.font, NIGHT)
    cut = {
        cell.key
        for cells in everywhere(sitting)
        for cell in cells
        if cell.address and {word.text for word in painter.words_in(cell)} != {cell.text, cell.value, cell.unit} - {""}
    }
    assert cut == set()


@pytest.fixture
def sitting() -> Sitting:
    return at_the_text()


def at_the_text() -> Sitting:
    """A desk turned to the layer whose source is a text."""
    sitting = sitting_at(EVERYTHING)
    sitting.context.layer = 2
    sitting.look()
    return sitting


def play(sitting: Sitting, address: str, value: float) -> None:
    for name in ("value", "target"):
        sitting.record["instances"][name][:, INDEX[address]] = value


class TestChoices:
    ADDRESS = "layer.2.pen.direction"

    def test_a_press_takes_the_next_word_and_the_first_after_the_last(self) -> None:
        for k, following in enumerate((1.0, 2.0, 0.0)):
            sitting = at_the_text()
            play(sitting, self.ADDRESS, float(k))
            sitting.click(self.ADDRESS)
            assert sitting.asked() == [{"do": "set", "address": self.ADDRESS, "value": following, "alone": True}]
            assert sitting.desk.typing is None

    def test_quick_presses_each_take_a_word(self, sitting: Sitting) -> None:
        sitting.click(self.ADDRESS)
        sitting.click(self.ADDRESS, clicks=2)
        assert [request["value"] for request in sitting.asked()] == [1.0, 2.0]

    def test_enter_takes_the_next_word_and_arrows_go_both_ways(self, sitting: Sitting) -> None:
        sitting.desk.focus = self.ADDRESS
        sitting.desk.key(pygame.K_RETURN, frozenset())
        assert sitting.asked()[0]["value"] == 1.0
        sitting.desk.key(pygame.K_LEFT, frozenset())
        assert sitting.asked()[0]["value"] == 0.0

    def test_a_number_or_a_word_is_typed_all_the_same(self, sitting: Sitting) -> None:
        sitting.desk.focus = self.ADDRESS
        assert sitting.desk.write("2")
        sitting.type("")
        assert sitting.asked()[0]["value"] == 2.0

    def test_a_drag_is_no_press(self, sitting: Sitting) -> None:
        x, y = sitting.middle(self.ADDRESS)
        sitting.desk.press(x, y, pygame.BUTTON_LEFT)
        sitting.desk.move(x, y - 9, frozenset())
        sitting.desk.release(x, y - 9)
        assert [request["do"] for request in sitting.asked()] == ["set", "release"]

    def test_a_press_that_picks_a_value_changes_nothing(self, sitting: Sitting) -> None:
        sitting.desk.act("learn")
        sitting.click(self.ADDRESS)
        assert sitting.asked() == [{"do": "learn", "address": self.ADDRESS}]

    @pytest.mark.parametrize("value", [float("nan"), float("inf"), -1e308, 1e9])
    def test_from_any_number_a_press_leads_to_a_word(self, sitting: Sitting, value: float) -> None:
        play(sitting, self.ADDRESS, value)
        sitting.click(self.ADDRESS)
        assert sitting.asked()[0]["value"] in {0.0, 1.0, 2.0}


class TestGroups:
    def test_they_stand_in_the_order_of_the_signal(self, sitting: Sitting) -> None:
        titles = [cell.key for cell in sitting.desk.everything if cell.kind == "title"]
        assert titles == [f"title {name}" for name in ("layers", "source", "pen", "notes", "form", "place")]

    def test_what_all_layers_share_is_below_patch(self, sitting: Sitting) -> None:
        sitting.click("layer 0")
        titles = [cell.key for cell in sitting.desk.everything if cell.kind == "title"]
        assert titles == ["title layers", *(f"title {name}" for name in ("mix", "output", "tuning", "tempo", "morph"))]

    def test_a_press_on_a_title_folds_its_values_away_and_brings_them_back(self, sitting: Sitting) -> None:
        sitting.click("title pen")
        assert "layer.2.pen.key" not in {cell.key for cell in sitting.desk.everything}
        sitting.click("title pen")
        assert "layer.2.pen.key" in {cell.key for cell in sitting.desk.everything}

    def test_notes_are_folded_where_they_are_off(self, sitting: Sitting) -> None:
        def seen() -> bool:
            sitting.look()
            return "layer.2.notes.attack" in {cell.key for cell in sitting.desk.everything}

        assert not seen()
        play(sitting, "layer.2.notes.mode", 2.0)
        assert seen()

    def test_a_layer_with_nothing_to_draw_can_be_given_a_source_and_a_form(self) -> None:
        sitting = Sitting(state=told({"layer": [{}]}))
        assert {"change source", "add form"} <= {cell.key for cell in sitting.cells}


def test_a_bar_beside_the_page_shows_where_it_is_in_a_longer_one(sitting: Sitting) -> None:
    bar = sitting.cell("scroll bar")
    assert (bar.fill, bar.interactive) == (0, False)
    assert 0 < bar.peak < 1000
    sitting.desk.scroll(1_000_000)
    assert 999 <= sitting.cell("scroll bar").peak <= 1000
    assert "scroll bar" not in {cell.key for cell in sitting_at({}).cells}
