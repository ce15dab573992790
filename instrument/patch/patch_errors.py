"""Errors of patch files: sentences that name the place, the value and the mend."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

LONGEST_VALUE = 60
"""Characters of a bad value that a message shows."""


@dataclass(frozen=True)
class Problem:
    """One mistake.

    Attributes
    ----------
    text : str
        The sentence, without file and line.
    field : str
        Address of the field, counted from 1 as in ``layer.1.pen.key``; empty where the file as a whole is meant.
    line : int or None
        Line of the file, from 1.
    column : int or None
        Column of a formula, from 1.
    """

    text: str
    field: str = ""
    line: int | None = None
    column: int | None = None


class PatchError(ValueError):
    """A patch file cannot be used, or not be written; `str` is the sentence to show.

    Attributes
    ----------
    file : str
    line : int or None
        Line of the first mistake, from 1.
    field : str
        Field of the first mistake; empty where the file as a whole is meant.
    problems : tuple of Problem
        All mistakes found, in the order of the file.
    """

    def __init__(self, file: str | Path, *problems: Problem) -> None:
        if not problems:
            raise TypeError("a PatchError needs a problem")
        super().__init__(file, *problems)
        self.file = str(file)
        self.problems = tuple(sorted(problems, key=lambda problem: problem.line or 0))
        self.line = self.problems[0].line
        self.field = self.problems[0].field

    def __str__(self) -> str:
        more = len(self.problems) - 1
        rest = "" if not more else f" There {'is' if more == 1 else 'are'} {more} more after it."
        return self.sentence(self.problems[0]) + rest

    def sentence(self, problem: Problem) -> str:
        """Return one mistake with its file and line."""
        place = self.file if problem.line is None else f"{self.file}, line {problem.line}"
        return f"{place}: {problem.text}"


def shown(value: Any) -> str:
    """Return a value as it would stand in the file, cut to a readable length."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = '"' + value.replace("\n", "\\n") + '"'
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(item) for item in value[:LONGEST_VALUE]) + "]"
    elif isinstance(value, dict):
        pairs = list(value.items())[:LONGEST_VALUE]
        text = "{" + ", ".join(f"{key} = {shown(item)}" for key, item in pairs) + "}"
    elif isinstance(value, int) and abs(value) >= 10**LONGEST_VALUE:
        return "a number of very many digits"
    else:
        text = str(value)
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 4] + " ..."


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return "Did you mean ...?" with the nearest of the known words, or nothing."""
    near = difflib.get_close_matches(str(word), list(known), n=1, cutoff=0.6)
    return f"Did you mean {near[0]}?" if near else ""


def listed(words: Iterable[str], last: str = "or") -> str:
    """Return words as a list in a sentence.

    Examples
    --------
    >>> listed(["cc", "note", "bend"])
    'cc, note or bend'
    """
    *first, end = list(words)
    return f"{', '.join(first)} {last} {end}" if first else end
