"""The conversation with the stage process: JSON lines both ways, and the state that the stage has told."""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
from typing import IO, Any

from instrument.engine.parameters import INDEX, ROWS
from instrument.patch.usual_ranges import UsualRange, usual_range

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
        messages: list[dict[str, Any]] = []
        while not self.ended:
            try:
                line = self._lines.get_nowait()
            except queue.Empty:
                break
            if line is None:
                self.ended = True
            elif line.strip():
                messages.append(_parsed(line))
        return messages

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


Table = dict[str, Any]


class StageState:
    """State of the show as the stage has told it: the latest of everything it has said.

    Attributes
    ----------
    all : dict
        By the names of the conversation.
    """

    def __init__(self) -> None:
        self.all: Table = {}
        self._movers: dict[str, list[str]] | None = None
        self._ranges: dict[str, UsualRange] = {}
        self._names: dict[str, list[str]] = {}

    def update(self, message: Table) -> None:
        """Take in what was said."""
        self.all.update(message)
        self._movers = None
        if "parameters" in message:
            self._ranges = _ranges_of(self.rows("parameters"))
            self._names = {}

    def text(self, name: str) -> str:
        """Return a text, or nothing."""
        value = self.all.get(name)
        return value if isinstance(value, str) else ""

    def table(self, name: str) -> Table:
        """Return a table, or an empty one."""
        value = self.all.get(name)
        return value if isinstance(value, dict) else {}

    def rows(self, name: str) -> list[Any]:
        """Return a list, or an empty one."""
        value = self.all.get(name)
        return value if isinstance(value, list) else []

    def flag(self, name: str) -> bool:
        """Return whether something is so."""
        return bool(self.all.get(name))

    @property
    def title(self) -> str:
        """Title of what plays, or the name of its file."""
        return self.text("title") or self.text("patch")

    def tables(self, name: str) -> list[Table]:
        """Return a list of tables of the patch: ``layer``, ``modulator``, ``link``, ``control`` or ``snapshot``."""
        listed = self.table("document").get(name)
        return [row for row in listed if isinstance(row, dict)] if isinstance(listed, list) else []

    @property
    def controls(self) -> list[Table]:
        """The controls that act, in the engine's order: the patch's, then, with ``all``, those of the controller file."""
        served = [row for row in self.rows("controls") if isinstance(row, dict) and row.get("all")]
        return [*self.tables("control"), *served]

    def ports_of(self, name: str) -> list[int]:
        """Return the numbers that messages of an input carry; an input that several systems know has several."""
        pairs = [row for row in self.rows("ports") if isinstance(row, list) and len(row) == 2]
        return [number for number, other in pairs if other == name and isinstance(number, int)]

    def modulator_name(self, number: int) -> str:
        """Return what a modulator counted from 1 is called."""
        rows = self.tables("modulator")
        name = str(rows[number - 1].get("name") or "") if 0 < number <= len(rows) else ""
        return name or f"modulator {number}"

    def modulator_number(self, reference: Any) -> int:
        """Return the number, from 1, of a modulator that a link names; 0 if there is none."""
        if isinstance(reference, int):
            return reference
        names = [row.get("name") for row in self.tables("modulator")]
        return names.index(reference) + 1 if reference in names else 0

    def links_of(self, number: int) -> list[tuple[int, Table]]:
        """Return the links of a modulator counted from 1, each with its own number."""
        return [
            (k + 1, link)
            for k, link in enumerate(self.tables("link"))
            if self.modulator_number(link.get("modulator")) == number
        ]

    @property
    def addresses(self) -> list[str]:
        """Addresses of every parameter that the patch has, in the order of the table."""
        return list(self._ranges)

    def names_below(self, owner: str) -> list[str]:
        """Return the parameters of an owner by what stands behind it in their addresses, in the order of the table.

        Parameters
        ----------
        owner : str
            As ``layer.1``, ``mod.2`` or ``link.3``; nothing for those of the whole patch.
        """
        found = self._names.get(owner)
        if found is None:
            stem = f"{owner}." if owner else ""
            found = [address.removeprefix(stem) for address in self._ranges if _owner_of(address) == owner]
            self._names[owner] = found
        return found

    def range_of(self, address: str) -> UsualRange:
        """Return how far a knob moves a parameter: the range of the first control on it, else its usual one."""
        return self._ranges.get(address) or usual_range(address)

    def movers(self, address: str) -> list[str]:
        """Return what moves a parameter, in short words: ``by tide`` is a modulator, ``cc 1`` a control."""
        if self._movers is None:
            self._movers = {}
            for link in self.tables("link"):
                name = self.modulator_name(self.modulator_number(link.get("modulator")))
                self._movers.setdefault(str(link.get("parameter")), []).append(f"by {name}")
            for control in self.controls:
                self._movers.setdefault(str(control.get("parameter")), []).append(message_words(control))
        return self._movers.get(address, [])

    def address_words(self, address: str) -> str:
        """Return an address in words: the layer or modulator by its name, then what it is of it.

        An address that is none is returned as it stands.
        """
        parts = address.split(".")
        if address not in INDEX or len(parts) < 3 or not parts[1].isdigit():
            return address
        number, rest = int(parts[1]), " ".join(parts[2:]).replace("_", " ")
        if parts[0] == "layer":
            rows = self.tables("layer")
            name = str(rows[number - 1].get("name") or "") if number <= len(rows) else ""
            return f"{name or f'layer {number}'}: {rest}"
        if parts[0] == "mod":
            return f"{self.modulator_name(number)}: {rest}"
        return f"link {number}: {rest}"


def _ranges_of(rows: list[Any]) -> dict[str, UsualRange]:
    found = {}
    for row in rows:
        address = row.get("address") if isinstance(row, dict) else None
        if not isinstance(address, str) or address not in INDEX:
            continue
        try:
            low, high = (float(end) for end in row["range"])
            found[address] = UsualRange(low, high, str(row.get("curve") or "lin"))
        except (KeyError, TypeError, ValueError):
            found[address] = usual_range(address)
    return found


def _owner_of(address: str) -> str:
    return address.removesuffix(f".{ROWS[INDEX[address]].name}") if address != ROWS[INDEX[address]].name else ""


def message_words(control: Table) -> str:
    """Return which message a control listens to, in short words.

    Examples
    --------
    >>> message_words({"message": "cc", "number": 1}), message_words({"message": "bend", "channel": 2})
    ('cc 1', 'bend ch 2')
    """
    number, channel = control.get("number", "any"), control.get("channel", "any")
    words = str(control.get("message") or "?")
    if number != "any":
        words += f" {number}"
    return words if channel == "any" else f"{words} ch {channel}"


def source_words(layer: Table) -> str:
    """Return what a layer draws, in a word or two.

    Examples
    --------
    >>> source_words({"source": {"kind": "harmonic", "preset": "rose"}}), source_words({})
    ('rose', 'nothing')
    """
    source = layer.get("source")
    if not isinstance(source, dict):
        return "nothing"
    drawing = source.get("drawing")
    if isinstance(drawing, str):
        return drawing
    if isinstance(source.get("text"), str):
        return f'"{source["text"]}"'
    return str(source.get("preset") or source.get("kind") or "nothing").replace("_", " ")


def forms_of(layer: Table) -> list[str]:
    """Return the kinds of a layer's forms in their order."""
    forms = layer.get("form")
    return [str(form.get("kind")) for form in forms if isinstance(form, dict)] if isinstance(forms, list) else []
