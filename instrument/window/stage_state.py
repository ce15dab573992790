"""What the stage has said, and what the window reads out of it: layers, modulators, links and controls of the patch."""

from __future__ import annotations

from typing import Any

from instrument.engine.parameters import INDEX

Table = dict[str, Any]


class Said:
    """The latest of everything the stage has said.

    Attributes
    ----------
    all : dict
        By the names of the conversation.
    """

    def __init__(self) -> None:
        self.all: Table = {}
        self._movers: dict[str, list[str]] | None = None

    def update(self, message: Table) -> None:
        """Take in what was said."""
        self.all.update(message)
        self._movers = None

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
        """What plays."""
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

    def movers(self, address: str) -> list[str]:
        """Return what moves a parameter, in short words: ``~tide`` is a modulator, ``cc 1`` a control."""
        if self._movers is None:
            self._movers = {}
            for link in self.tables("link"):
                name = self.modulator_name(self.modulator_number(link.get("modulator")))
                self._movers.setdefault(str(link.get("parameter")), []).append(f"~{name}")
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
        number, rest = int(parts[1]), " ".join(parts[2:])
        if parts[0] == "layer":
            rows = self.tables("layer")
            name = str(rows[number - 1].get("name") or "") if number <= len(rows) else ""
            return f"{name or f'layer {number}'}: {rest}"
        if parts[0] == "mod":
            return f"~{self.modulator_name(number)}: {rest}"
        return f"link {number}: {rest}"


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
    return str(source.get("preset") or source.get("kind") or "nothing")


def forms_of(layer: Table) -> list[str]:
    """Return the kinds of a layer's forms in their order."""
    forms = layer.get("form")
    return [str(form.get("kind")) for form in forms if isinstance(form, dict)] if isinstance(forms, list) else []
