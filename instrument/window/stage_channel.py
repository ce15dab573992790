"""The conversation with the stage process: one JSON object a line, in on stdin, out on stdout."""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
from typing import IO, Any

_OUT, _ERROR = 1, 2
"""File descriptors of standard output and standard error."""


class Channel:
    """Both directions of the conversation; reading happens in a thread of its own.

    Parameters
    ----------
    incoming, outgoing : text streams
        What the stage writes to, and what it reads.

    Attributes
    ----------
    ended : bool
        Whether the stage is gone.
    """

    def __init__(self, incoming: IO[str], outgoing: IO[str]) -> None:
        self._incoming = incoming
        self._outgoing = outgoing
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self.ended = False
        threading.Thread(target=self._listen, daemon=True, name="stage").start()

    def messages(self) -> list[dict[str, Any]]:
        """Return what the stage has said since the last call, and note if it is gone.

        A line that is not a JSON object becomes a message that says so in the trouble line.
        """
        said: list[dict[str, Any]] = []
        while not self.ended:
            try:
                line = self._lines.get_nowait()
            except queue.Empty:
                break
            if line is None:
                self.ended = True
            elif line.strip():
                said.append(_parsed(line))
        return said

    def send(self, do: str, **words: Any) -> None:
        """Ask the stage for something; if it is gone, the conversation has ended."""
        try:
            self._outgoing.write(json.dumps({"do": do, **words}) + "\n")
            self._outgoing.flush()
        except (OSError, ValueError):
            self.ended = True

    def _listen(self) -> None:
        try:
            for line in self._incoming:
                self._lines.put(line)
        except (OSError, ValueError):
            pass
        self._lines.put(None)


def standard_channel() -> Channel:
    """Take over stdin and stdout, so that whatever a library prints goes to stderr instead."""
    outgoing = os.fdopen(os.dup(_OUT), "w", encoding="utf-8")
    os.dup2(_ERROR, _OUT)
    incoming = os.fdopen(os.dup(sys.stdin.fileno()), encoding="utf-8", errors="replace")
    return Channel(incoming, outgoing)


def _parsed(line: str) -> dict[str, Any]:
    try:
        message = json.loads(line)
    except ValueError:
        message = None
    if isinstance(message, dict):
        return message
    return {"trouble": f"The stage sent a line that is not a JSON object: {line.strip()[:60]}"}
