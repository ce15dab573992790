"""Line numbers of every key and list item in a TOML text, for error messages and edits."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

FieldPath = tuple[str | int, ...]

_BLANK = re.compile(r"[ \t]*")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:\\.|[^"\\\n])*"|' + r"'[^'\n]*'", re.DOTALL
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_PLAIN_VALUE = re.compile(r"[^,\]}#\n]*")


def lines_of(text: str) -> dict[FieldPath, int]:
    r"""Return the line, from 1, of every key and list item.

    Parameters
    ----------
    text : str
        A text that tomllib reads without complaint; of another, what comes before the fault is found.

    Returns
    -------
    dict of tuple to int
        By path, as in ``("layer", 0, "pen", "key")``; items of lists are counted from 0.

    Examples
    --------
    >>> lines_of('a = 1\n[[layer]]\npen.key = [\n1,\n2]')[("layer", 0, "pen", "key", 1)]
    5
    """
    return _Scanner(text).run()


class _Scanner:
    # One pass over a text that tomllib has accepted, so brackets match and strings end; tomllib itself tells no lines.
    # `at` is the position reached, `counts` the index of the latest table of each [[header]].

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.found: dict[FieldPath, int] = {}
        self.counts: dict[FieldPath, int] = {}

    def run(self) -> dict[FieldPath, int]:
        table: FieldPath = ()
        while self._more():
            before = self.at
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            if self.at == before:
                break  # not TOML
        return self.found

    def _more(self) -> bool:
        self._skip(_SPACE)
        return self.at < len(self.text)

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        if match:
            self.at = match.end()
            self.line += match.group().count("\n")

    def _take(self, mark: str) -> bool:
        if self.text.startswith(mark, self.at):
            self.at += len(mark)
            return True
        return False

    def _note(self, path: FieldPath) -> None:
        for end in range(1, len(path) + 1):
            self.found.setdefault(path[:end], self.line)

    def _header(self) -> FieldPath:
        many = self._take("[[")
        if not many:
            self._take("[")
        path: FieldPath = ()
        names = list(self._dotted())
        for k, name in enumerate(names):
            path = (*path, name)
            if many and k == len(names) - 1:
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:
                path = (*path, self.counts[path])
        self._take("]]" if many else "]")
        self._note(path)
        return path

    def _dotted(self) -> Iterator[str]:
        while True:
            self._skip(_BLANK)
            quoted = _STRING.match(self.text, self.at)
            bare = _BARE_KEY.match(self.text, self.at)
            if quoted:
                yield _unquoted(quoted.group())
                self.at = quoted.end()
            elif bare:
                yield bare.group()
                self.at = bare.end()
            self._skip(_BLANK)
            if not self._take("."):
                return

    def _pair(self, table: FieldPath) -> None:
        path = (*table, *self._dotted())
        self._note(path)
        if self._take("="):
            self._skip(_BLANK)
            self._value(path)

    def _value(self, path: FieldPath) -> None:
        if self._take("["):
            self._items(path, "]")
        elif self._take("{"):
            self._items(path, "}")
        elif _STRING.match(self.text, self.at):
            self._skip(_STRING)
        else:
            self._skip(_PLAIN_VALUE)

    def _items(self, path: FieldPath, end: str) -> None:
        index = 0
        while self._more() and not self._take(end):
            before = self.at
            if end == "]":
                self._note((*path, index))
                self._value((*path, index))
            else:
                self._pair(path)
            index += 1
            self._skip(_SPACE)
            self._take(",")
            if self.at == before:
                return  # not TOML


def _unquoted(text: str) -> str:
    try:
        return str(tomllib.loads(f"key = {text}")["key"])
    except tomllib.TOMLDecodeError:
        return text[1:-1]
