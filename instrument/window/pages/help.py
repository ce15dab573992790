"""The help page over the picture: every key, the keyboard as a piano, a caution."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pygame

from instrument.window.keys import BLACK_KEYS, PADS, WHITE_KEYS, Keyboard
from instrument.window.theme import NIGHT
from instrument.window.widgets.font import SMALLEST, Font

if TYPE_CHECKING:
    from instrument.window.theme import Theme

CAUTION = (
    "Caution: flashing light can bring on seizures in people with photosensitive epilepsy. "
    "Warn the audience before a show, keep flashes below three a second, "
    "and stop at once if anybody feels unwell."
)
"""Three flashes a second: WCAG 2.2, success criterion 2.3.1."""

DESK_KEYS = (
    ("Tab, arrows", "go to a value or a button"),
    ("Enter", "press it, take the next word, or type: 3*440, 1/0, A4"),
    ("Left, Right", "less, more; with Shift finer, with Ctrl coarser"),
    ("0 to 9, -, (", "type over the value at once"),
)
"""Keys of the desk that are not in the table of actions."""

_WHITE_LETTERS = "ASDFGHJKL;'"
_BLACK_LETTERS = " WE TYU OP"
"""Letters that a US keyboard prints on `WHITE_KEYS` and `BLACK_KEYS`; other layouts play by place."""


def help_page(
    room: tuple[int, int], height: int, keyboard: Keyboard | None = None, theme: Theme = NIGHT
) -> pygame.Surface:
    """Return the help page drawn in letters as large as fit into a window.

    Parameters
    ----------
    room : tuple of int
        Width and height of the window in pixels.
    height : int
        Size of the letters in pixels to begin with.
    keyboard : Keyboard, optional
    theme : Theme, optional
    """
    rows = [*key_rows(keyboard or Keyboard()), *DESK_KEYS]
    page = None
    while page is None:
        page = _page(room, Font(height), rows, theme, must_fit=height > SMALLEST)
        height -= 1
    return page


def key_rows(keyboard: Keyboard) -> list[tuple[str, str]]:
    """Return keys and what they do; those of the pads and of one action stand together."""
    found: dict[str, tuple[str, str]] = {}
    pads = [keyboard.shown(f"pad_{k + 1}") for k in range(PADS)]
    for action in keyboard.actions:
        if action.name.startswith(("pad_", "store_")):
            found["pads"] = (" ".join(pads), "snapshot pads; with Shift keep what sounds in one")
        elif action.name in found:
            shown, about = found[action.name]
            found[action.name] = (f"{shown}, {action.key.replace('place ', '')}", about)
        else:
            found[action.name] = (action.key.replace("place ", ""), action.about)
    return list(found.values())


def _page(
    room: tuple[int, int], font: Font, rows: list[tuple[str, str]], theme: Theme, *, must_fit: bool
) -> pygame.Surface | None:
    edge = font.em
    across = 2 if room[0] >= room[1] else 1
    width = min(room[0] - 2, (72 if across == 2 else 38) * font.em)
    inside = width - 2 * edge
    column = (inside - (across - 1) * edge) // across
    caution = font.wrap(CAUTION, inside)
    tall = -(-len(rows) // across)
    piano = 3 * font.line
    height = 2 * edge + tall * font.line + piano + (len(caution) + 2) * font.line
    if must_fit and (height > room[1] or _widest(font, rows) > column):
        return None
    page = pygame.Surface((width, min(height, room[1])))
    page.fill(theme.ground)
    pygame.draw.rect(page, theme.faint, page.get_rect(), 1)
    for k in range(across):
        part = rows[k * tall : (k + 1) * tall]
        _draw_rows(page, font, theme, part, pygame.Rect(edge + k * (column + edge), edge, column, 0))
    y = edge + tall * font.line + font.line // 2
    y = _draw_piano(page, font, theme, pygame.Rect(edge, y, inside, piano))
    for line in caution:
        font.draw(page, line, (edge, y), theme.trouble)
        y += font.line
    return page


def _widest(font: Font, rows: list[tuple[str, str]]) -> int:
    return _tab(font, rows) + max(font.width(about) for _, about in rows)


def _tab(font: Font, rows: list[tuple[str, str]]) -> int:
    return max(font.width(shown) for shown, _ in rows) + font.em


def _draw_rows(page: pygame.Surface, font: Font, theme: Theme, rows: list[tuple[str, str]], area: pygame.Rect) -> None:
    tab = min(_tab(font, rows), area.width // 2)
    y = area.top
    for shown, about in rows:
        font.draw(page, font.cut(shown, tab), (area.left, y), theme.plain)
        font.draw(page, font.cut(about, area.width - tab), (area.left + tab, y), theme.quiet)
        y += font.line


def _draw_piano(page: pygame.Surface, font: Font, theme: Theme, area: pygame.Rect) -> int:
    font.draw(page, "Notes, by the place of the key on any layout", area.topleft, theme.quiet)
    wide = min(area.width // len(WHITE_KEYS), 3 * font.em)
    top, tall = area.top + font.line, area.height
    for k, letter in enumerate(_WHITE_LETTERS):
        key = pygame.Rect(area.left + k * wide, top, wide - 1, tall)
        page.fill(theme.quiet, key)
        place = (key.centerx - font.width(letter) // 2, key.bottom - font.line)
        font.draw(page, letter, place, theme.ground)
    for k, code in enumerate(BLACK_KEYS):
        if code is None:
            continue
        key = pygame.Rect(area.left + k * wide - wide // 3, top, 2 * (wide // 3), tall * 3 // 5)
        page.fill(theme.ground, key)
        letter = _BLACK_LETTERS[k]
        font.draw(page, letter, (key.centerx - font.width(letter) // 2, key.bottom - font.line), theme.plain)
    return top + tall + font.line // 2
