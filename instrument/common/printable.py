"""Text from untrusted files, made harmless for a terminal, a log or a window."""

from __future__ import annotations


def printable(text: str) -> str:
    r"""Return a text in which nothing commands: control characters and turns of direction as their escapes.

    Line ends and tabs stay.

    Examples
    --------
    >>> print(printable("moth\x1b[2J"))
    moth\x1b[2J
    """
    return "".join(
        letter if letter.isprintable() or letter in "\n\t" else letter.encode("unicode_escape").decode()
        for letter in text
    )
