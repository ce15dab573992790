"""Lists to choose from, questions with their answers, and the lines at the bottom of a page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pygame

from instrument.window.strip import clock
from instrument.window.widgets.cells import Cell, Rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.window.pages.context import Choice, Context
    from instrument.window.theme import Sizes
    from instrument.window.widgets.font import Font

MOST_LINES = 4


def notice_cells(
    room: pygame.Rect, sizes: Sizes, font: Font, context: Context, lines: list[tuple[str, str]]
) -> list[Cell]:
    """Return the cells at the bottom of a room.

    Parameters
    ----------
    room : pygame.Rect
    sizes : Sizes
    font : Font
        To break lines.
    context : Context
    lines : list of (str, str)
        Tone and sentence of what is told besides the stage's question; the first ones lie at the top.
    """
    pad = max(sizes.em // 2, 3)
    broken = [
        (tone, part) for tone, sentence in lines for part in font.wrap(sentence, room.width - 2 * pad)[:MOST_LINES]
    ]
    question = _question(context)
    asked = font.wrap(str(question.get("text") or ""), room.width - 2 * pad) if question else []
    answers = [row for row in question.get("answers") or [] if isinstance(row, dict)]
    step = sizes.row + max(sizes.gap // 2, 1)
    count = len(broken) + (len(asked) + 1 if question else 0)
    rows = Rows(pygame.Rect(room.left, room.bottom - count * step, room.width, count * step), sizes)
    for k, (tone, part) in enumerate(broken):
        rows.line(f"notice {k}", part, tone)
    if question:
        for k, part in enumerate(asked):
            rows.line(f"question {k}", part, "trouble")
        boxes = rows.boxes([1.0] * max(len(answers), 2))
        for box, answer in zip(boxes, answers, strict=False):
            words, request = _answer(answer)
            act = lambda request=request: context.requests.append(request)  # noqa: E731 - bound to this answer
            rows.add(Cell(f"answer {words}", box, "button", words, act=act))
    return rows.cells


def _question(context: Context) -> dict[str, Any]:
    asked = context.stage.table("question")
    recovery = context.stage.table("recovery")
    if asked or not recovery:
        return asked
    age = recovery.get("age")
    when = f" {clock(age)} old" if isinstance(age, int | float) else ""
    return {
        "text": f"The last show ended before this was saved: {recovery.get('path', 'a patch')}{when}. Take it up again?",
        "answers": [
            {"label": "Take it up", "do": {"do": "recover"}},
            {"label": "Leave it", "do": {"do": "discard"}},
        ],
    }


def _answer(answer: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    request = answer.get("do")
    return str(answer.get("label") or "yes"), request if isinstance(request, dict) else {"do": str(request)}


def chooser_cells(
    room: pygame.Rect, sizes: Sizes, title: str, choices: list[Choice], take: Callable[[Choice], None]
) -> tuple[list[Cell], list[Cell]]:
    """Return the heading, and the choices, three to a row.

    Parameters
    ----------
    room : pygame.Rect
    sizes : Sizes
    title : str
    choices : list of Choice
    take : callable
        Takes the one that is pressed.
    """
    rows = Rows(room, sizes)
    rows.title("choose", f"{title} ...")
    rows.line("choose how", "Press one, or Esc to leave it.")
    fixed = len(rows.cells)
    for first in range(0, len(choices), 3):
        boxes = rows.boxes([1, 1, 1])
        for k, (box, choice) in enumerate(zip(boxes, choices[first : first + 3], strict=False), first):
            act = lambda choice=choice: take(choice)  # noqa: E731 - bound to this choice
            rows.add(Cell(f"choice {k}", box, "button", choice.text, act=act, about=choice.about))
    return rows.cells[:fixed], rows.cells[fixed:]
