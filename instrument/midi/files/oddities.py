"""What is odd about a file that is played all the same: each kind is told once, with its number and first place."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Oddities:
    """Collects what is odd while a file is read."""

    _found: dict[str, list[str]] = field(default_factory=dict)

    def note(self, kind: str, place: str = "") -> None:
        """Take in one oddity.

        Parameters
        ----------
        kind : str
            What is told of it: a sentence without its end.
        place : str
            Where it is; only the first place of a kind is told.
        """
        self._found.setdefault(kind, []).append(place)

    @property
    def kinds(self) -> set[str]:
        """What has been met so far."""
        return set(self._found)

    def sentences(self) -> list[str]:
        """Return a sentence for each kind, in the order in which they were met."""
        told = []
        for kind, places in self._found.items():
            where = f" (in {places[0]})" if places[0] else ""
            if len(places) > 1:
                where = f" ({len(places)} times, first in {places[0]})" if places[0] else f" ({len(places)} times)"
            told.append(f"{kind}{where}.")
        return told
