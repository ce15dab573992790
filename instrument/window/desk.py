"""The desk: pages beside the picture, and what keyboard and mouse do with the cells on them."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pygame

from instrument.window.keys import PADS
from instrument.window.pages.dialogs import chooser_cells, notice_cells
from instrument.window.pages.hands import HandsPage, learn_by_picking
from instrument.window.pages.layers import LayersPage
from instrument.window.pages.motion import MotionPage, link_by_choosing
from instrument.window.pages.parameter_cells import about_value
from instrument.window.pages.patches import PatchesPage
from instrument.window.strip import Readings, strip_cells
from instrument.window.widgets.cells import Cell, beside, box_of, next_key
from instrument.window.widgets.typing_line import TypingLine
from instrument.window.widgets.value_editing import ValueDrag, is_choice

if TYPE_CHECKING:
    from instrument.window.pages.context import Choice, Context, Page
    from instrument.window.readings import PortActivity
    from instrument.window.theme import Areas, Sizes
    from instrument.window.widgets.font import Font

PAGES = ("Layers", "Motion", "Hands", "Patches")

NUMBER_STARTS = "0123456789.-+("
"""Signs that begin a number: typed at a value they open it."""

NOTE_SECONDS = 4.0

_ARROWS = {
    pygame.K_UP: (0, -1),
    pygame.K_DOWN: (0, 1),
    pygame.K_LEFT: (-1, 0),
    pygame.K_RIGHT: (1, 0),
}
_ENTER = (pygame.K_RETURN, pygame.K_KP_ENTER)


class Desk:
    """Pages, strip and notices, and where the keyboard is.

    Parameters
    ----------
    context : Context
    activity : PortActivity

    Attributes
    ----------
    focus : str
        Key of the cell that the keyboard is at.
    typing : TypingLine or None
        What is being typed there.
    trouble : str
        A warning of the window's own.
    closing : str
        The question whether to end the performance.
    """

    def __init__(self, context: Context, activity: PortActivity) -> None:
        self._context = context
        self._motion = MotionPage(context)
        self._patches = PatchesPage(context)
        pages: list[Page] = [LayersPage(context), self._motion, HandsPage(context, activity), self._patches]
        self._pages = {page.name: page for page in pages}
        self._scrolls: dict[str, int] = {}
        self._most = 0
        self._body = pygame.Rect(0, 0, 0, 0)
        self._row = 1
        self.focus = ""
        self.typing: TypingLine | None = None
        self._draft: tuple[tuple[object, ...], TypingLine | None] = ((), None)
        self._drag = ValueDrag(context)
        self._note_until = 0.0
        self._cells: list[Cell] = []
        self._scrolled: set[str] = set()
        self._typing_due = False
        self.trouble = self.closing = ""

    # What is seen

    def update(self) -> None:
        """Let the pages note what moves."""
        self._motion.update()

    def cells(self, where: Areas, sizes: Sizes, font: Font, readings: Readings) -> tuple[list[Cell], list[Cell]]:
        """Return the cells of the pages, and those of the strip."""
        strip = strip_cells(where.strip, sizes, self._context, readings)
        room = where.pages.inflate(-2 * sizes.gap, -2 * sizes.gap)
        tabs = self._tabs(room, sizes)
        body = pygame.Rect(room.left, tabs[0].box[1] + tabs[0].box[3] + sizes.gap, room.width, 0)
        notices = notice_cells(room, sizes, font, self._context, self._lines())
        bottom = notices[0].box[1] if notices else room.bottom
        body.height = max(bottom - body.top - sizes.gap, 0)
        fixed, scrolled = self._page(body, sizes)
        self._cells = [*tabs, *fixed, *scrolled, *notices, *strip]
        self._scrolled = {cell.key for cell in scrolled}
        shown = [cell for cell in scrolled if self._in_sight(cell)]
        shown += self._scroll_bar(room.right, sizes)
        if self.focus and all(cell.key != self.focus for cell in self._cells):
            self.focus, self.typing = "", None
        return [*tabs, *fixed, *shown, *notices], strip

    def _tabs(self, room: pygame.Rect, sizes: Sizes) -> list[Cell]:
        width = (room.width - sizes.gap * (len(PAGES) - 1)) // len(PAGES)
        return [
            Cell(
                f"page {name}",
                box_of(pygame.Rect(room.left + k * (width + sizes.gap), room.top, width, sizes.row)),
                "button",
                name,
                mark=self._context.keyboard.shown(name.lower()),
                on=name == self._context.page,
                act=lambda name=name: self.show(name),  # type: ignore[misc]
            )
            for k, name in enumerate(PAGES)
        ]

    def _page(self, body: pygame.Rect, sizes: Sizes) -> tuple[list[Cell], list[Cell]]:
        context = self._context
        if context.choosing is not None:
            fixed, scrolled = chooser_cells(body, sizes, *context.choosing, self._chosen)
        else:
            fixed, scrolled = self._pages[context.page].cells(body, sizes)
        top = scrolled[0].box[1] if scrolled else body.bottom
        self._body = pygame.Rect(body.left, top, body.width, max(body.bottom - top, 0))
        self._row = sizes.row
        end = max((cell.box[1] + cell.box[3] for cell in scrolled), default=0)
        self._most = max(end - self._body.bottom, 0)
        scroll = min(self._scrolls.get(self._scroll_key, 0), self._most)
        self._scrolls[self._scroll_key] = scroll
        return fixed, [_moved_up(cell, scroll) for cell in scrolled] if scroll else scrolled

    def _scroll_bar(self, left: int, sizes: Sizes) -> list[Cell]:
        # In the margin beside what scrolls, if there is more of it than can be seen.
        body = self._body
        if self._most <= 0 or body.height <= 0:
            return []
        wide, whole = max(sizes.gap - 2, 2), body.height + self._most
        first = 1000 * self._scrolls[self._scroll_key] // whole
        box = left + (sizes.gap - wide) // 2, body.top, wide, body.height
        return [Cell("scroll bar", box, "scroll", fill=first, peak=first + 1000 * body.height // whole)]

    @property
    def _scroll_key(self) -> str:
        return "choices" if self._context.choosing is not None else self._context.page

    def _in_sight(self, cell: Cell) -> bool:
        return cell.box[1] >= self._body.top and cell.box[1] + cell.box[3] <= self._body.bottom + 2

    def _lines(self) -> list[tuple[str, str]]:
        context = self._context
        lines = []
        if self.typing is not None and self.typing.trouble:
            lines.append(("trouble", f"! {self.typing.trouble}"))
        elif self.note:
            lines.append(("plain", self.note))
        elif (cell := self._focused()) is not None:
            about = about_value(context, cell.address) if cell.address else cell.about
            lines += [("quiet", about)] if about else []
        if context.picking is not None:
            lines.append(("light", f"> {context.picking[0]} Esc to leave it."))
        learning = context.stage.table("learning")
        if learning:
            what = learning.get("address") or learning.get("action") or "this"
            words = context.stage.address_words(str(what))
            lines.append(("light", f"> Move the knob or press the key for {words}. Esc to leave it."))
        for words in (self.closing, self.trouble, context.stage.text("trouble")):
            lines += [("trouble", f"! {words}")] if words else []
        return lines

    @property
    def note(self) -> str:
        """Sentence that is to be read for a while, or nothing."""
        return self._context.note if time.monotonic() < self._note_until else ""

    def _focused(self) -> Cell | None:
        return next((cell for cell in self._cells if cell.key == self.focus), None)

    @property
    def everything(self) -> list[Cell]:
        """Every cell, in the order of the keyboard, those out of sight included."""
        return self._cells

    # Actions by name

    def show(self, page: str) -> None:
        """Turn to a page."""
        self._context.page, self._context.choosing, self.typing = page, None, None
        self.focus = f"page {page}"

    def act(self, action: str) -> bool:
        """Do an action of the table of keys that belongs to the desk; False if it is none."""
        pages = {name.lower(): name for name in PAGES}
        if action in pages:
            self.show(pages[action])
        elif action in {"search", "save_as"}:
            self.show("Patches")
            self.focus = action
            self._context.note = ""
            self._typing_due = True
        elif action.startswith(("pad_", "store_")) and action.rpartition("_")[2].isdigit():
            number = min(int(action.rpartition("_")[2]), PADS) - 1
            (self._patches.store if action.startswith("store") else self._patches.recall)(number)
        elif action == "reset":
            self._reset()
        elif action == "learn":
            self._learn()
        elif action == "link":
            self._link()
        elif action == "leave":
            return self._leave()
        else:
            return False
        return True

    def open_due_typing(self) -> bool:
        """Begin to type where an action has asked for it, once the page is there; True if so."""
        due, self._typing_due = self._typing_due, False
        if due:
            self._open(None)
        return due

    def _leave(self) -> bool:
        context = self._context
        if self.typing is not None:
            self.typing = None
        elif context.choosing is not None:
            context.choosing = None
        elif context.picking is not None:
            context.picking = None
        elif context.stage.table("learning"):
            context.ask("forget")
        else:
            return False
        return True

    def _reset(self) -> None:
        cell = self._focused()
        if cell is not None and cell.address:
            self._context.ask("reset", address=cell.address)

    def _learn(self) -> None:
        cell = self._focused()
        if cell is not None and cell.address:
            self._context.ask("learn", address=cell.address)
        else:
            learn_by_picking(self._context)

    def _link(self) -> None:
        cell = self._focused()
        if cell is None or not cell.address:
            self.tell("Go to a value first, with Tab or the mouse.")
        elif not link_by_choosing(self._context, cell.address):
            self.tell("This patch has no modulator yet: add one on the page Motion.")

    def tell(self, sentence: str) -> None:
        """Show a sentence for a while."""
        self._context.note, self._note_until = sentence, time.monotonic() + NOTE_SECONDS

    def _chosen(self, choice: Choice) -> None:
        self._context.choosing = None
        choice.take()

    # The keyboard

    def write(self, letters: str) -> bool:
        """Take typed letters; False if nothing is being typed, so that they may play."""
        if self.typing is not None:
            self.typing.write(letters)
            return True
        cell = self._focused()
        if cell is not None and cell.address and letters and letters[0] in NUMBER_STARTS:
            self._open(letters)
            return True
        return False

    def key(self, code: int, held: frozenset[str]) -> bool:
        """Take a key that belongs to typing, moving about or moving a value; False if it is another one."""
        if self.typing is not None:
            return self._key_while_typing(code, held)
        if code == pygame.K_TAB and not held - {"Shift"}:
            self._go_to(next_key(self._cells, self.focus, -1 if "Shift" in held else 1))
        elif code in _ENTER and not held:
            self._press_focused()
        elif code in _ARROWS and "Alt" not in held:
            across, down = _ARROWS[code]
            cell = self._focused()
            if across and cell is not None and cell.address:
                self._drag.nudge(cell.address, across, held)
            else:
                self._go_to(beside(self._cells, self.focus, across, down))
        else:
            return False
        return True

    def _key_while_typing(self, code: int, held: frozenset[str]) -> bool:
        typing = self.typing
        if typing is None or held & {"Ctrl", "Alt"}:
            return False
        if code in _ENTER or code == pygame.K_TAB:
            if typing.give():
                self.typing = None
                if code == pygame.K_TAB:
                    self._go_to(next_key(self._cells, self.focus, -1 if "Shift" in held else 1))
            return True
        if code == pygame.K_ESCAPE or pygame.K_F1 <= code <= pygame.K_F12:
            return False
        typing.key(code)
        # Letters come by themselves; none of these keys plays or acts.
        return True

    def _press_focused(self) -> None:
        cell = self._focused()
        if cell is not None:
            self._press(cell, by_key=True)

    def _press(self, cell: Cell, *, by_key: bool) -> None:
        picking = self._context.picking
        if cell.address and picking is not None:
            self._context.picking = None
            picking[1](cell.address)
        elif cell.act is not None:
            cell.act()
        elif is_choice(cell.address):
            self._drag.take_next(cell.address)
        elif by_key or (cell.typed is not None and not cell.address):
            self._open(None)

    def _open(self, letters: str | None) -> None:
        cell = self._focused()
        line = None
        if cell is not None:
            line = self._context.number_line(cell.address) if cell.address else cell.typed
        if line is None:
            return
        draft_of, unread = self._draft
        self.typing = unread if letters is None and draft_of == self._typed_into else None
        self.typing = self.typing or TypingLine(line, letters)
        self._draft = (), None

    @property
    def _typed_into(self) -> tuple[object, ...]:
        stage = self._context.stage
        return self.focus, stage.text("patch"), stage.all.get("current")

    def _go_to(self, key: str) -> None:
        self.focus = key
        cell = self._focused()
        if cell is None or key not in self._scrolled or self._in_sight(cell):
            return
        _, top, _, height = cell.box
        over = self._body.top - top
        under = top + height - self._body.bottom
        self.scroll(-over if over > 0 else under)

    def scroll(self, pixels: int) -> None:
        """Move the page up by so many pixels, as far as it goes."""
        scroll = self._scrolls.get(self._scroll_key, 0) + pixels
        self._scrolls[self._scroll_key] = min(max(scroll, 0), self._most)

    # The mouse

    def press(self, x: int, y: int, button: int, clicks: int = 1) -> None:
        """Take a press of a mouse button."""
        cell = self._at(x, y)
        if self.typing is not None and (cell is None or cell.key != self.focus):
            if not self.typing.give():
                self.tell(f"{self.typing.refused} Open it again to go on with what was typed.")
                self._draft = self._typed_into, self.typing
            self.typing = None
        if cell is None or not cell.interactive:
            return
        self.focus = cell.key
        if button == pygame.BUTTON_RIGHT:
            if cell.address:
                self._reset()
            elif cell.grab is not None:
                self._drag.take(cell, x, y, "remove")
        elif button == pygame.BUTTON_LEFT:
            if cell.address and self._context.picking is None and clicks > 1 and not is_choice(cell.address):
                self._open(None)
            elif cell.grab is not None or (cell.address and self._context.picking is None):
                self._drag.take(cell, x, y, "press")
            else:
                self._press(cell, by_key=False)

    def move(self, x: int, y: int, held: frozenset[str]) -> None:
        """Take a movement of the mouse with its button down."""
        self._drag.drag(x, y, held)

    def release(self, x: int, y: int) -> None:
        """Take the end of a press."""
        self._drag.release(x, y)

    def wheel(self, x: int, y: int, steps: float, held: frozenset[str]) -> None:
        """Take a turn of the wheel: over a value it moves it, elsewhere it moves the page."""
        cell = self._at(x, y)
        if cell is not None and cell.address:
            self.focus = cell.key
            self._drag.nudge(cell.address, steps, held)
        else:
            self.scroll(-round(2 * steps * self._row))

    def _at(self, x: int, y: int) -> Cell | None:
        return next(
            (
                cell
                for cell in reversed(self._cells)
                if cell.holds(x, y) and (cell.key not in self._scrolled or self._in_sight(cell))
            ),
            None,
        )


def _moved_up(cell: Cell, pixels: int) -> Cell:
    left, top, width, height = cell.box
    made = object.__new__(Cell)
    made.__dict__.update(cell.__dict__, box=(left, top - pixels, width, height))
    return made
