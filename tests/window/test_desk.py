"""The desk without a display: what keys and mouse ask for, whatever the patch and the size of the window."""

import json
import math
from collections.abc import Iterator
from typing import Any

import pygame
import pytest

from instrument.engine.forms.form_table import FORM_TABLE
from instrument.engine.parameters import INDEX
from instrument.window.desk import PAGES
from instrument.window.pages.motion import NEW_MODULATORS
from instrument.window.strip import Readings
from instrument.window.theme import NIGHT, sizes_for
from instrument.window.widgets.painter import Painter
from tests.window.memory import write_log
from tests.window.sitting import DOCUMENT, STATE, Sitting, told

SIZES = [(320, 320), (1024, 600), (1280, 800), (1920, 1080), (3840, 2160), (600, 1024)]
NONE: frozenset[str] = frozenset()


@pytest.fixture(scope="module", autouse=True)
def _fonts() -> Iterator[None]:
    pygame.font.init()
    yield
    pygame.font.quit()


@pytest.fixture
def sitting() -> Sitting:
    return Sitting()


class TestLayout:
    @pytest.mark.parametrize("size", SIZES)
    @pytest.mark.parametrize("page", PAGES)
    def test_cells_lie_in_the_window_and_beside_each_other(self, size: tuple[int, int], page: str) -> None:
        sitting = Sitting(size)
        sitting.desk.show(page)
        boxes = [pygame.Rect(cell.box) for cell in sitting.look()]
        window = pygame.Rect(0, 0, *size)
        if min(size) >= 600:
            assert all(window.contains(box) for box in boxes)
            for k, box in enumerate(boxes):
                assert box.collidelist(boxes[k + 1 :]) == -1, sitting.cells[k].key
        assert len({cell.key for cell in sitting.cells}) == len(sitting.cells)

    @pytest.mark.parametrize("size", SIZES)
    def test_picture_pages_and_strip_share_the_window(self, size: tuple[int, int]) -> None:
        parts = Sitting(size).areas
        areas = [parts.picture, parts.pages, parts.strip]
        assert sum(area.width * area.height for area in areas[1:]) <= size[0] * size[1]
        assert not parts.picture.colliderect(parts.pages)
        assert not parts.picture.colliderect(parts.strip)

    def test_letters_follow_the_height_of_the_window(self) -> None:
        assert sizes_for(1280, 800).em >= 15
        assert sizes_for(3840, 2160).em == pytest.approx(2 * sizes_for(1920, 1080).em, abs=1)


class TestKeyboard:
    @pytest.mark.parametrize("page", PAGES)
    def test_tab_reaches_everything_that_answers_and_comes_round(self, sitting: Sitting, page: str) -> None:
        sitting.desk.show(page)
        sitting.look()
        wanted = {cell.key for cell in sitting.desk.everything if cell.interactive}
        seen = []
        for _ in range(len(wanted) + 1):
            sitting.desk.key(pygame.K_TAB, NONE)
            seen.append(sitting.desk.focus)
            sitting.look()
            # What the keyboard is at is always in sight.
            assert any(cell.key == sitting.desk.focus for cell in sitting.cells)
        assert set(seen) == wanted
        assert seen[0] == seen[-1]

    def test_tab_backward_undoes_tab(self, sitting: Sitting) -> None:
        sitting.desk.key(pygame.K_TAB, NONE)
        first = sitting.desk.focus
        sitting.desk.key(pygame.K_TAB, NONE)
        sitting.desk.key(pygame.K_TAB, frozenset({"Shift"}))
        assert sitting.desk.focus == first

    @pytest.mark.parametrize(
        ("text", "value"),
        [
            ("3*440", 1320.0),
            ("-1e9", -1e9),
            ("1/0", "inf"),
            ("A4", 440.0),
            ("nan", "nan"),
            ("0.1+0.2", 0.1 + 0.2),
        ],
    )
    def test_any_number_is_typed(self, sitting: Sitting, text: str, value: object) -> None:
        sitting.click("layer.1.pen.frequency")
        sitting.desk.key(pygame.K_RETURN, NONE)
        sitting.type(text)
        address = "layer.1.pen.frequency"
        assert sitting.asked() == [{"do": "set", "address": address, "value": value, "alone": True}]
        assert sitting.desk.typing is None

    def test_a_digit_begins_to_type_and_a_letter_does_not(self, sitting: Sitting) -> None:
        sitting.click("layer.1.pen.frequency")
        assert not sitting.desk.write("a")
        assert sitting.desk.write("7")
        assert sitting.desk.typing is not None
        assert sitting.desk.typing.text == "7"

    def test_what_is_no_number_is_said_and_kept(self, sitting: Sitting) -> None:
        sitting.click("layer.1.level")
        sitting.desk.key(pygame.K_RETURN, NONE)
        sitting.type("2 apples")
        assert sitting.asked() == []
        assert sitting.desk.typing is not None
        assert "2 apples is not taken" in sitting.desk.typing.trouble
        assert sitting.desk.act("leave")
        assert sitting.desk.typing is None

    @pytest.mark.parametrize(("held", "steps"), [(NONE, 1.0), (frozenset({"Shift"}), 0.1), (frozenset({"Ctrl"}), 10.0)])
    def test_arrows_move_a_value_finer_and_coarser(self, sitting: Sitting, held: frozenset[str], steps: float) -> None:
        sitting.click("layer.1.pen.key")
        sitting.desk.key(pygame.K_RIGHT, held)
        assert sitting.asked() == [{"do": "set", "address": "layer.1.pen.key", "value": pytest.approx(69.0 + steps)}]

    def test_every_notch_of_quick_ones_counts(self, sitting: Sitting) -> None:
        # The engine has not heard of the first when the second comes.
        sitting.click("layer.1.pen.key")
        for _ in range(3):
            sitting.desk.key(pygame.K_LEFT, NONE)
        assert sitting.asked()[0]["value"] == 66.0

    def test_backspace_resets(self, sitting: Sitting) -> None:
        sitting.click("layer.1.level")
        assert sitting.desk.act("reset")
        assert sitting.asked() == [{"do": "reset", "address": "layer.1.level"}]

    def test_pads_recall_and_keep(self, sitting: Sitting) -> None:
        sitting.desk.act("pad_1")
        sitting.desk.act("pad_5")
        sitting.desk.act("store_1")
        sitting.desk.act("store_2")
        assert sitting.asked() == [
            {"do": "snapshot", "name": "calm"},
            {"do": "store", "name": "calm"},
            {"do": "store", "name": "pad 2"},
        ]


class TestMouse:
    def test_a_drag_moves_a_value_and_is_one_step_to_undo(self, sitting: Sitting) -> None:
        x, y = sitting.middle("layer.1.pen.key")
        sitting.desk.press(x, y, pygame.BUTTON_LEFT)
        for k in range(1, 6):
            sitting.desk.move(x, y - 16 * k, NONE)
        sitting.desk.release(x, y - 80)
        asked = sitting.asked()
        assert asked[0] == {"do": "set", "address": "layer.1.pen.key", "value": pytest.approx(79.0)}
        assert asked[-1] == {"do": "release"}

    def test_what_a_drag_leaves_is_what_is_shown_and_small_steps_add_up(self, sitting: Sitting) -> None:
        sitting.record["instances"]["target"][:, INDEX["layer.1.level"]] = 1 / 3
        x, y = sitting.middle("layer.1.level")
        sitting.desk.press(x, y, pygame.BUTTON_LEFT)
        values = []
        for k in range(4, 44):
            sitting.desk.move(x, y - k, frozenset({"Shift"}))
            values += [request["value"] for request in sitting.asked()]
        assert values == [round(value, 4) for value in values]
        # Forty-three pixels at a tenth of the usual step: a twentieth for eight of them.
        assert values[-1] == pytest.approx(1 / 3 * (1 + 0.05 / 10 / 8) ** 43, abs=1e-4)

    def test_a_press_that_hardly_moves_changes_nothing(self, sitting: Sitting) -> None:
        x, y = sitting.middle("layer.1.pen.key")
        sitting.desk.press(x, y, pygame.BUTTON_LEFT)
        sitting.desk.move(x + 1, y + 1, NONE)
        sitting.desk.release(x + 1, y + 1)
        assert sitting.asked() == []
        assert sitting.desk.focus == "layer.1.pen.key"

    def test_the_wheel_moves_a_value_and_elsewhere_the_page(self, sitting: Sitting) -> None:
        sitting.desk.wheel(*sitting.middle("layer.1.pen.key"), 2, NONE)
        assert sitting.asked()[0]["value"] == 71.0
        sitting.desk.wheel(*sitting.middle("title pen"), -2, NONE)
        assert sitting.asked() == []

    def test_two_clicks_begin_to_type(self, sitting: Sitting) -> None:
        sitting.click("layer.1.level", clicks=2)
        sitting.type("0.5")
        assert sitting.asked() == [{"do": "set", "address": "layer.1.level", "value": 0.5, "alone": True}]

    def test_the_right_button_resets(self, sitting: Sitting) -> None:
        sitting.click("layer.1.level", pygame.BUTTON_RIGHT)
        assert sitting.asked() == [{"do": "reset", "address": "layer.1.level"}]

    def test_an_infinite_camera_comes_down_from_infinity(self, sitting: Sitting) -> None:
        sitting.desk.wheel(*sitting.middle("layer.1.place.camera"), -1, NONE)
        assert sitting.asked()[0]["value"] == pytest.approx(9.5)


class TestPages:
    def test_a_value_says_what_moves_it(self, sitting: Sitting) -> None:
        assert sitting.cell("layer.1.place.spin.y").mark == "by tide"
        assert sitting.cell("layer.1.level").mark == "cc 1"

    def test_moving_values_are_shown_as_they_move(self, sitting: Sitting) -> None:
        index = INDEX["layer.1.place.spin.y"]
        self_record = sitting.record["instances"]
        self_record["linked"][:, index] = 1
        self_record["rows"][:, index, 0] = 0.25
        cell = sitting.cell("layer.1.place.spin.y")
        assert (cell.value, cell.tone) == ("0.25", "light")

    def test_a_link_is_made_by_picking_modulator_and_value(self, sitting: Sitting) -> None:
        sitting.desk.show("Motion")
        sitting.click("modulator 2")
        sitting.click("add link")
        assert sitting.context.page == "Layers"
        sitting.click("layer.1.place.turn.x")
        assert sitting.asked() == [
            {
                "do": "add",
                "path": ["link"],
                "value": {"modulator": "wind", "parameter": "layer.1.place.turn.x", "depth": 0.1},
            }
        ]

    def test_a_link_is_made_from_the_value_too(self, sitting: Sitting) -> None:
        sitting.click("layer.1.place.turn.x")
        assert sitting.desk.act("link")
        sitting.click("choice 1")
        assert sitting.asked()[0]["value"]["modulator"] == "wind"
        sitting.stage.update({"document": {**DOCUMENT, "modulator": []}})
        sitting.desk.show("Layers")
        sitting.click("layer.1.place.turn.x")
        assert sitting.desk.act("link")
        assert sitting.context.choosing is None
        assert "no modulator yet" in sitting.context.note

    def test_a_breakpoint_is_moved_added_and_taken_away(self, sitting: Sitting) -> None:
        sitting.desk.show("Motion")
        left, top, width, height = sitting.cell("plot 1").box
        desk = sitting.desk
        desk.press(left + width // 2, top + height // 4, pygame.BUTTON_LEFT)
        desk.move(left + width // 4, top + height // 2, NONE)
        desk.release(left + width // 4, top + height // 2)
        (moved,) = sitting.asked()
        assert moved["path"] == ["modulator", 0, "points"]
        assert moved["value"][1] == [pytest.approx(0.25, abs=0.01), pytest.approx(0.0, abs=0.05)]
        assert len(moved["value"]) == 3
        desk.press(left + width * 3 // 4, top + height // 4, pygame.BUTTON_LEFT)
        desk.release(left + width * 3 // 4, top + height // 4)
        (added,) = sitting.asked()
        assert len(added["value"]) == 4
        desk.press(left + width * 3 // 4, top + 3, pygame.BUTTON_RIGHT)
        (removed,) = sitting.asked()
        assert len(removed["value"]) == 3

    def test_a_drag_stays_with_the_modulator_that_was_pressed(self, sitting: Sitting) -> None:
        other = {"name": "ebb", "kind": "curve", "points": [[0, 1], [1, 1]]}
        sitting.stage.update({"document": {**DOCUMENT, "modulator": [DOCUMENT["modulator"][0], other]}})
        sitting.desk.show("Motion")
        left, top, width, height = sitting.cell("plot 1").box
        sitting.desk.press(left + width // 2, top + 2, pygame.BUTTON_LEFT)
        sitting.context.modulator = 2
        assert sitting.cell("plot 2").handles[0][1] < height // 4
        sitting.desk.release(left + width // 2, top + 2)
        (asked,) = sitting.asked()
        assert asked["path"] == ["modulator", 0, "points"]
        assert len(asked["value"]) == 3

    @pytest.mark.parametrize(
        "change",
        [
            {"patch": "another.toml", "current": 1},
            {"document": {**DOCUMENT, "modulator": DOCUMENT["modulator"][1:]}},
            {"document": {**DOCUMENT, "modulator": []}},
        ],
        ids=["another patch", "another modulator in its place", "none"],
    )
    def test_a_table_is_not_given_to_what_has_come_in_its_place(
        self, sitting: Sitting, change: dict[str, object]
    ) -> None:
        sitting.desk.show("Motion")
        left, top, width, height = sitting.cell("plot 1").box
        sitting.desk.press(left + width // 2, top + height // 2, pygame.BUTTON_LEFT)
        sitting.stage.update(change)
        sitting.look()
        sitting.desk.release(left + width // 2, top + height // 2)
        assert sitting.asked() == []
        assert "changed under the hand" in sitting.context.note

    def test_quick_drags_of_a_table_are_all_given(self, sitting: Sitting) -> None:
        sitting.desk.show("Motion")
        left, top, width, height = sitting.cell("plot 1").box
        x, y = left + width // 2, top + height // 2
        sitting.desk.press(x, y, pygame.BUTTON_LEFT)
        sitting.desk.release(x, y)
        (first,) = sitting.asked()
        sitting.desk.press(x, y + 20, pygame.BUTTON_LEFT)
        # Only now the stage has done what was asked first.
        modulators = [{**DOCUMENT["modulator"][0], "points": first["value"]}, DOCUMENT["modulator"][1]]
        sitting.stage.update({"document": {**DOCUMENT, "modulator": modulators}})
        sitting.look()
        sitting.desk.release(x, y + 20)
        (second,) = sitting.asked()
        assert second["value"][1][1] < first["value"][1][1]

    @pytest.mark.parametrize("number", [math.nan, math.inf, 1e308, 5e-324])
    def test_whatever_numbers_are_dialled_every_page_is_drawn(self, sitting: Sitting, number: float) -> None:
        kinds = [{"name": kind, **beginning} for kind, beginning in NEW_MODULATORS.items()]
        forms = [{"kind": kind} for kind in FORM_TABLE]
        layers = [{"source": {"kind": "harmonic"}, "form": forms}, *DOCUMENT["layer"]]
        sitting.stage.update(told({**DOCUMENT, "layer": layers, "modulator": kinds, "link": []}))
        kinds += [
            {"kind": "curve", "points": [[-number, -number], [0.5, number, number], [number, -number]]},
            {"kind": "steps", "steps": [number, [-number, number, number, number]]},
        ]
        sitting.stage.update({"document": {**DOCUMENT, "layer": layers, "modulator": kinds}})
        instances = sitting.record["instances"]
        for name in ("value", "target", "rows", "modulator_rows", "gestures"):
            instances[name][:] = number
        canvas = pygame.Surface(sitting.size)
        painter = Painter(canvas.get_rect(), sitting.sizes, sitting.font, NIGHT)
        for signs in (1, -1):
            instances["value"][:, ::2] = signs * number
            for page in PAGES:
                for chosen in range(1, len(kinds) + 1 if page == "Motion" else 3):
                    sitting.context.modulator = sitting.context.layer = chosen
                    sitting.desk.show(page)
                    sitting.desk.update()
                    painter.draw(canvas, sitting.look())
                    for cell in [cell for cell in sitting.cells if cell.kind == "plot" or cell.address][:3]:
                        sitting.click(cell.key)
                        sitting.desk.wheel(*sitting.middle(cell.key), 1, NONE)
        json.dumps(sitting.asked())

    @pytest.mark.parametrize("code", [pygame.K_RETURN, pygame.K_TAB])
    def test_what_cannot_be_read_is_kept_with_its_column(self, sitting: Sitting, code: int) -> None:
        sitting.click("layer 2")
        sitting.click("formula 2 x")
        sitting.desk.write("1 + nope")
        sitting.asked()
        sitting.desk.key(code, NONE)
        assert sitting.asked() == []
        typing = sitting.desk.typing
        assert typing is not None
        assert (typing.text, typing.wrong and typing.wrong[0]) == ("1 + nope", 5)
        assert typing.trouble.startswith("column 5: ")

    def test_what_could_not_be_read_is_there_again_after_a_press_elsewhere(self, sitting: Sitting) -> None:
        sitting.click("layer 2")
        sitting.click("formula 2 x")
        sitting.desk.write("1 + nope")
        sitting.click("do panic")
        assert sitting.desk.typing is None
        sitting.click("formula 2 x")
        assert sitting.desk.typing is not None
        assert sitting.desk.typing.text == "1 + nope"
        sitting.desk.act("leave")
        sitting.click("formula 2 x")
        assert sitting.desk.typing.text == "sin(tau*p)"

    def test_a_formula_is_played_as_far_as_it_can_be_read(self, sitting: Sitting) -> None:
        sitting.click("layer 2")
        sitting.click("formula 2 x")
        sitting.desk.key(pygame.K_END, NONE)
        sitting.desk.write("*")
        assert sitting.asked() == []
        assert sitting.desk.typing is not None
        assert sitting.desk.typing.wrong is not None
        sitting.desk.write("2")
        assert sitting.asked() == [{"do": "edit", "path": ["layer", 1, "source", "x"], "value": "sin(tau*p)*2"}]

    def test_a_control_of_the_controller_file_is_shown_marked_and_taken_out_there(self, sitting: Sitting) -> None:
        rows = [
            {"all": False, "message": "cc", "number": 1, "parameter": "layer.1.level", "label": "glow"},
            {"all": True, "message": "cc", "number": 7, "channel": 2, "parameter": "layer.2.level"},
            {"all": True, "message": "note", "number": 36, "channel": "any", "parameter": "tap"},
        ]
        sitting.stage.update({"controls": rows})
        assert sitting.cell("layer.1.level").mark == "cc 1"
        sitting.desk.show("Hands")
        assert [sitting.cell(f"target {k}").mark for k in (1, 2, 3)] == ["", "every patch", "every patch"]
        assert sitting.cell("message 2").text.endswith(" cc 7 ch 2")
        assert (sitting.cell("target 2").text, sitting.cell("target 3").text) == ("swell: level", "tap")
        assert sitting.stage.movers("layer.2.level") == ["cc 7 ch 2"]
        sitting.click("forget 3")
        sitting.click("forget 1")
        assert sitting.asked() == [
            {"do": "unlearn", "control": 2},
            {"do": "remove", "path": ["control", 0]},
        ]

    def test_what_a_port_sends_stands_beside_its_name(self, sitting: Sitting) -> None:
        # The first one was unplugged, and our own port has a number too.
        sitting.stage.update({"midi": ["Beamhand", "moth"], "ports": [[0, "Beamhand"], [2, "moth"]]})
        write_log(sitting.record, (0xB0, 21, 64), port=2)
        sitting.activity.update(0.01)
        sitting.desk.show("Hands")
        assert sitting.cell("port 1").text == "● moth"
        assert sitting.cell("port 1").value == "control 21 = 64"
        assert sitting.cell("port 0").value == "nothing heard yet"

    def test_learning_begins_at_a_value(self, sitting: Sitting) -> None:
        sitting.desk.show("Hands")
        sitting.click("learn value")
        sitting.click("layer.1.pen.frequency")
        assert sitting.asked() == [{"do": "learn", "address": "layer.1.pen.frequency"}]
        sitting.stage.update({"learning": {"address": "layer.1.pen.frequency"}})
        assert sitting.desk.act("leave")
        assert sitting.asked() == [{"do": "forget"}]

    def test_a_patch_is_sought_and_recalled(self, sitting: Sitting) -> None:
        sitting.desk.act("search")
        sitting.look()
        assert sitting.desk.open_due_typing()
        sitting.desk.write("b")
        assert [cell.key for cell in sitting.look() if cell.kind == "thumb"] == ["patch 1"]
        sitting.click("patch 1")
        assert sitting.asked() == [{"do": "recall", "index": 1}]

    def test_a_dark_or_frozen_engine_is_told_by_a_sign_too(self, sitting: Sitting) -> None:
        sitting.record["blackout"] = sitting.record["frozen"] = 1
        for key in ("do blackout", "do freeze"):
            cell = sitting.cell(key)
            assert cell.on
            assert cell.text.endswith("\N{BLACK CIRCLE}")

    def test_a_question_is_answered_by_the_keyboard(self, sitting: Sitting) -> None:
        stay = {"label": "Go on playing", "do": {"do": "stay"}}
        sitting.stage.update({"question": {"text": "End the performance?", "answers": [stay]}})
        sitting.look()
        while sitting.desk.focus != "answer Go on playing":
            sitting.desk.key(pygame.K_TAB, NONE)
        sitting.desk.key(pygame.K_RETURN, NONE)
        assert sitting.asked() == [{"do": "stay"}]

    def test_recovery_is_offered(self, sitting: Sitting) -> None:
        sitting.stage.update({"recovery": {"path": "/p/a.toml", "age": 75}})
        sitting.look()
        sitting.click("answer Take it up")
        assert sitting.asked() == [{"do": "recover"}]

    @pytest.mark.parametrize("junk", [None, 3, "x", [1, "y", {}], {"layer": 3, "link": [{}], "control": [{}]}])
    def test_whatever_the_stage_says_is_borne(self, sitting: Sitting, junk: object) -> None:
        names = (
            "document",
            "parameters",
            "setlist",
            "midi",
            "heard",
            "recording",
            "question",
            "recovery",
            "learning",
            "snapshots",
            "controls",
            "ports",
        )
        sitting.stage.update(dict.fromkeys(names, junk))
        for page in PAGES:
            sitting.desk.show(page)
            assert sitting.look()


def test_the_lines_of_the_log_of_faults_are_listed_and_told_in_full(sitting: Sitting) -> None:
    lines = [f"2026-11-30T21:0{k}:00.000+01:00   {k}12.345 s  jack has stopped  ->  silent clock {k}" for k in (1, 2)]
    sitting.stage.update({"faults": lines})
    sitting.click("page Patches")
    sitting.click("faults")
    newest = sitting.cell("choice 0")
    assert (newest.text, newest.about) == ("jack has stopped  ->  silent clock 2", lines[1])
    sitting.click("choice 1")
    assert sitting.asked() == []


class TestStrip:
    def told(self, source: dict[str, Any], blurred: int = 1) -> Sitting:
        state = {**STATE, "document": {**DOCUMENT, "layer": [{"source": source}]}}
        sitting = Sitting(state=state)
        sitting.readings = Readings(legible="blurred: 436 points for 5,300 corners", blurred=blurred)
        return sitting

    @pytest.mark.parametrize("what", ["drawing", "text"])
    def test_a_drawing_that_blurs_is_fitted_by_one_press(self, what: str) -> None:
        sitting = self.told({"kind": "path", what: "net.obj"})
        sitting.click("legible")
        path = ["layer", 0, "source", "points"]
        assert sitting.asked() == [{"do": "edit", "path": path, "value": "auto"}]

    @pytest.mark.parametrize(
        "source", [{"kind": "path", "preset": "star"}, {"kind": "path", "drawing": "net.obj", "points": "auto"}, {}]
    )
    def test_what_cannot_be_fitted_is_no_button(self, source: dict[str, Any]) -> None:
        assert not self.told(source).cell("legible").interactive

    @pytest.mark.parametrize("layer", [0, 9])
    def test_nothing_is_offered_where_nothing_blurs_or_no_such_layer_is(self, layer: int) -> None:
        assert not self.told({"kind": "path", "drawing": "net.obj"}, layer).cell("legible").interactive
