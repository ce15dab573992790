"""The help page over the picture: the keys, the keyboard as a piano, the patch's controls, a caution."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pygame

from instrument.window.keys import ACTIONS, BLACK_KEYS, WHITE_KEYS
from instrument.window.lettering import FAINT, GROUND, PLAIN, QUIET, SMALLEST, TROUBLE, Letters

if TYPE_CHECKING:
    from collections.abc import Sequence

CAUTION = (
    "Caution: flashing light can bring on seizures in people with photosensitive epilepsy. "
    "Warn the audience before a show, keep flashes below three a second, "
    "and stop at once if anybody feels unwell."
)
"""Three flashes a second: WCAG 2.2, success criterion 2.3.1."""

_WHITE_LETTERS = "ASDFGHJKL;'"
_BLACK_LETTERS = " WE TYU OP"
"""What a US keyboard prints on `WHITE_KEYS` and `BLACK_KEYS`; other layouts play by place."""


def help_page(room: tuple[int, int], height: int, controls: Sequence[Any]) -> pygame.Surface:
    """Return the help page drawn in letters as large as fit into a window.

    Parameters
    ----------
    room : tuple of int
        Width and height of the window in pixels.
    height : int
        Size of the letters in pixels to begin with.
    controls : sequence
        The stage's list of controls, each with a label, message, number and parameter.
    """
    page = None
    while page is None:
        page = _page(room, Letters(height), controls, must_fit=height > SMALLEST)
        height -= 1
    return page


def _page(
    room: tuple[int, int], letters: Letters, controls: Sequence[Any], *, must_fit: bool
) -> pygame.Surface | None:
    edge = letters.em
    side_by_side = room[0] > 52 * letters.em and bool(controls)
    width = min(room[0] - 2, (58 if side_by_side else 34) * letters.em)
    inside = width - 2 * edge
    column = (inside - 2 * edge) // 2 if side_by_side else inside
    caution = letters.wrap(CAUTION, inside)
    keys = [(action.shown, action.about) for action in ACTIONS]
    knobs = _knobs(controls)
    if side_by_side:
        knobs = knobs[: len(keys)]
    piano = 4 * letters.line
    rows = len(keys) + 1 if side_by_side else len(keys) + (len(knobs) + 2 if knobs else 1)
    height = 2 * edge + rows * letters.line + piano + (len(caution) + 2) * letters.line
    if must_fit and (height > room[1] or _widest(letters, keys) > column):
        return None
    page = pygame.Surface((width, height))
    page.fill(GROUND)
    pygame.draw.rect(page, FAINT, page.get_rect(), 1)
    y = _draw_rows(page, letters, "Keys", keys, (edge, edge))
    if knobs:
        at = (edge + column + 2 * edge, edge) if side_by_side else (edge, y + letters.line)
        y = max(y, _draw_rows(page, letters, "Controls of this patch", knobs, at))
    y = _draw_piano(page, letters, pygame.Rect(edge, y + letters.line // 2, inside, piano))
    for line in caution:
        letters.draw(page, line, (edge, y), TROUBLE)
        y += letters.line
    return page


def _knobs(controls: Sequence[Any]) -> list[tuple[str, str]]:
    rows = []
    for control in controls:
        if isinstance(control, dict):
            source = " ".join(
                str(control[part]) for part in ("message", "number") if control.get(part) is not None
            )
            rows.append((source, str(control.get("label") or control.get("parameter") or "")))
    return rows


def _widest(letters: Letters, rows: list[tuple[str, str]]) -> int:
    return _tab(letters, rows) + max(letters.width(about) for _, about in rows)


def _tab(letters: Letters, rows: list[tuple[str, str]]) -> int:
    return max(letters.width(shown) for shown, _ in rows) + letters.em


def _draw_rows(
    page: pygame.Surface, letters: Letters, title: str, rows: list[tuple[str, str]], at: tuple[int, int]
) -> int:
    x, y = at
    letters.draw(page, title, (x, y), QUIET)
    for shown, about in rows:
        y += letters.line
        letters.draw(page, shown, (x, y), PLAIN)
        letters.draw(page, about, (x + _tab(letters, rows), y), QUIET)
    return y + letters.line


def _draw_piano(page: pygame.Surface, letters: Letters, area: pygame.Rect) -> int:
    letters.draw(page, "Notes, by the place of the key on any layout", area.topleft, QUIET)
    wide = min(area.width // len(WHITE_KEYS), 3 * letters.em)
    top, tall = area.top + letters.line, area.height
    for k, letter in enumerate(_WHITE_LETTERS):
        key = pygame.Rect(area.left + k * wide, top, wide - 1, tall)
        page.fill(QUIET, key)
        place = (key.centerx - letters.width(letter) // 2, key.bottom - letters.line)
        letters.draw(page, letter, place, GROUND)
    for k, code in enumerate(BLACK_KEYS):
        if code is None:
            continue
        key = pygame.Rect(area.left + k * wide - wide // 3, top, 2 * (wide // 3), tall * 3 // 5)
        page.fill(GROUND, key)
        letter = _BLACK_LETTERS[k]
        letters.draw(
            page, letter, (key.centerx - letters.width(letter) // 2, key.bottom - letters.line), PLAIN
        )
    return top + tall + letters.line // 2
