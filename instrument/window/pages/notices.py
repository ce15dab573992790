"""The lines at the bottom of a page: what is pointed at, what is wrong and what to do, and questions with their answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pygame

from instrument.engine.parameters import INDEX, ROWS
from instrument.window.pages.page_rows import Rows
from instrument.window.strip import clock
from instrument.window.widgets.cells import Cell

if TYPE_CHECKING:
    from instrument.window.pages.context import Context
    from instrument.window.widgets.glyphs import Letters
    from instrument.window.widgets.sizes import Measures

MOST_LINES = 4


def notice_cells(
    room: pygame.Rect, sizes: Measures, letters: Letters, context: Context, lines: list[tuple[str, str]]
) -> list[Cell]:
    """Return the cells at the bottom of a room.

    Parameters
    ----------
    room : pygame.Rect
    sizes : Measures
    letters : Letters
        To break lines.
    context : Context
    lines : list of (str, str)
        Tone and sentence of what is told besides the stage's question; the first ones lie at the top.
    """
    pad = max(sizes.em // 2, 3)
    broken = [
        (tone, part) for tone, sentence in lines for part in letters.wrap(sentence, room.width - 2 * pad)[:MOST_LINES]
    ]
    question = _question(context)
    asked = letters.wrap(str(question.get("text") or ""), room.width - 2 * pad) if question else []
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
    asked = context.said.table("question")
    recovery = context.said.table("recovery")
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


def about_value(context: Context, address: str) -> str:
    """Return what a parameter does, its unit, and what moves it, in one line."""
    row = ROWS[INDEX[address]]
    movers = context.said.movers(address)
    words = f"{address}: {row.about}" + (f" ({row.unit})" if row.unit != "choice" else f": {', '.join(row.choices)}")
    return f"{words}. Moved by {', '.join(movers)}." if movers else f"{words}."
