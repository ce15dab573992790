"""A text while it is typed: letters, caret, and what is wrong with it."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import pygame

from instrument.patch.formula.parser import FormulaError, compile_formula

if TYPE_CHECKING:
    from instrument.window.widgets.cells import TextEntry

LONGEST = 2000


class TypingLine:
    """Text that is being typed in place of a cell's own.

    Parameters
    ----------
    line : TextEntry
    text : str or None
        What stands there already, if something else than the line's own text.

    Attributes
    ----------
    text : str
    caret : int
        Letters before it.
    whole : bool
        Whether all of it is chosen, so that the next letter replaces it.
    wrong : tuple of (int, str) or None
        Column and reason.
    refused : str
        Why it was not taken.
    """

    def __init__(self, line: TextEntry, text: str | None = None) -> None:
        self._line = line
        self.text = line.text if text is None else text
        self.caret = len(self.text)
        self.whole = text is None
        self.wrong: tuple[int, str] | None = None
        self.refused = ""
        self._look()

    @property
    def state(self) -> tuple[object, ...]:
        """All that can be seen of it."""
        return self.text, self.caret, self.whole, self.wrong, self.refused

    @property
    def trouble(self) -> str:
        """Fault in words; empty if there is none."""
        if self.refused:
            return self.refused
        return f"column {self.wrong[0]}: {self.wrong[1]}" if self.wrong is not None else ""

    def write(self, letters: str) -> None:
        """Put letters in at the caret."""
        letters = "".join(letter for letter in letters if letter.isprintable())
        if not letters:
            return
        if self.whole:
            self.text, self.caret = "", 0
        room = LONGEST - len(self.text)
        self.text = self.text[: self.caret] + letters[:room] + self.text[self.caret :]
        self.caret += len(letters[:room])
        self._changed()

    def key(self, code: int) -> bool:
        """Take a key that moves the caret or takes letters out; False if it is another one."""
        if code == pygame.K_LEFT:
            self.caret = 0 if self.whole else max(self.caret - 1, 0)
        elif code == pygame.K_RIGHT:
            self.caret = min(self.caret + 1, len(self.text))
        elif code == pygame.K_HOME:
            self.caret = 0
        elif code == pygame.K_END:
            self.caret = len(self.text)
        elif code in {pygame.K_BACKSPACE, pygame.K_DELETE}:
            self._take_out(forward=code == pygame.K_DELETE)
            return True
        else:
            return False
        self.whole = False
        return True

    def give(self) -> bool:
        """Hand over what was typed; False if it is refused, and why is known then.

        What cannot be read is not handed over: nobody could take it, and it would be lost.
        """
        self.refused = self.trouble if self.wrong is not None else self._line.give(self.text)
        return not self.refused

    def _take_out(self, *, forward: bool) -> None:
        if self.whole:
            self.text, self.caret = "", 0
        elif forward:
            self.text = self.text[: self.caret] + self.text[self.caret + 1 :]
        elif self.caret:
            self.text = self.text[: self.caret - 1] + self.text[self.caret :]
            self.caret -= 1
        self._changed()

    def _changed(self) -> None:
        self.whole, self.refused = False, ""
        self._look()
        if self._line.live and self.wrong is None:
            self._line.give(self.text)

    def _look(self) -> None:
        self.wrong = self._line.check(self.text) if self._line.check is not None else None


@lru_cache(maxsize=64)
def check_formula(text: str) -> tuple[int, str] | None:
    """Return column (from 1) and reason of what is wrong with a formula, or None.

    Examples
    --------
    >>> check_formula("sin(tau*p)") is None, check_formula("1 + nope")[0]
    (True, 5)
    """
    if not text.strip():
        return 1, "it is empty; write a number or a formula"
    try:
        compile_formula(text)
    except FormulaError as error:
        return error.column, error.reason
    return None
