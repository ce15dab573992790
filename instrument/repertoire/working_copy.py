"""Working copy of a patch: as it was saved, as it is now, and the steps between."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.memory.layout import MESSAGES
from instrument.engine.memory.views import controls_of
from instrument.engine.parameters import ADDRESSES
from instrument.patch.build import base_values
from instrument.patch.description import differences, plain
from instrument.repertoire.undo_history import History, same_bits

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    import numpy.typing as npt

    from instrument.engine.program import Program
    from instrument.repertoire.loading import LoadedPatch, PatchDescription

    Values = npt.NDArray[np.float64]

_PLAYED = [
    MESSAGES.index(message)
    for message in ("note", "velocity", "gate", "pad", "bend", "pressure", "key_pressure", "release")
]
"""Messages that playing keys sends."""

MOST_CHANGES = 200
"""Number of differences that are listed; with more it is another patch."""


class WorkingCopy:
    """One patch of the set list while it is worked on.

    Text and values are kept apart: an edit of the text builds a new program, while a typed or played value changes only what
    the parameters are set to and reaches the text when the patch is saved.

    Parameters
    ----------
    loaded : LoadedPatch
        As its file has it.

    Attributes
    ----------
    loaded : LoadedPatch
        Text as it is now, built.
    saved : LoadedPatch
        Text that the file holds, built.
    values : np.ndarray [shape=(COUNT,), dtype=float64]
        Values of all parameters: those of the text, save where others were typed.
    base : np.ndarray [shape=(COUNT,), dtype=float64]
        Values of the text.
    history : History
    """

    def __init__(self, loaded: LoadedPatch) -> None:
        self.loaded = self.saved = loaded
        self.base = self.values = base_values(loaded.program)
        self.history = History()
        self._compared: tuple[LoadedPatch, LoadedPatch, list[dict[str, Any]]] | None = None

    @property
    def path(self) -> Path:
        """File of the patch."""
        return self.loaded.path

    @property
    def text(self) -> str:
        """Text as it is now, without typed values."""
        return self.loaded.text

    @property
    def program(self) -> Program:
        """Program that plays when the patch is recalled."""
        return self.program_with(self.values)

    def program_with(self, values: Values) -> Program:
        """Return its program with other values."""
        record = self.loaded.program.record.copy()
        record["base"] = values
        return replace(self.loaded.program, record=record)

    def is_unsaved(self, sounding: Values | None = None) -> bool:
        """Return whether something is not in its file.

        Parameters
        ----------
        sounding : np.ndarray, optional
            Values that it plays with: what controls and snapshots have moved counts too, but not what keys have.
        """
        if self.text != self.saved.text:
            return True
        return bool(len(self._moved(sounding)))

    def changes(self, sounding: Values | None = None) -> list[dict[str, Any]]:
        """Return the differences from its file, each as ``path`` or ``address``, ``saved`` and ``now``."""
        found: list[dict[str, Any]] = []
        if self.text != self.saved.text:
            found += self._differences()
        base = self.base
        now = self.values if sounding is None else sounding
        for index in self._moved(sounding)[:MOST_CHANGES]:
            saved, value = float(base[index]), float(now[index])
            found.append({"address": ADDRESSES[index], "saved": plain(saved), "now": plain(value)})
        return found[:MOST_CHANGES]

    def _differences(self) -> list[dict[str, Any]]:
        # The window asks some times a second, and texts change seldom.
        known = self._compared
        if known is None or known[0] is not self.saved or known[1] is not self.loaded:
            found = differences(self.saved.description.document, self.loaded.description.document)
            known = self._compared = (self.saved, self.loaded, found)
        return known[2]

    def _moved(self, sounding: Values | None) -> npt.NDArray[np.intp]:
        base = self.base
        if sounding is None and self.values is base:
            return np.zeros(0, np.intp)
        moved = ~same_bits(self.values, base)
        if sounding is not None:
            # Two kinds of unsaved: typed values, and what controls and snapshots have moved where it plays.
            played = ~same_bits(sounding, base)
            played[sorted(self._by_keys())] = False
            moved |= played
        return np.flatnonzero(moved)

    def _by_keys(self) -> set[int]:
        # Playing a note is no change of the patch.
        rows = controls_of(self.loaded.program.record)
        return set(rows["param"][np.isin(rows["message"], _PLAYED) & (rows["action"] == 0)].tolist())

    def values_to_save(self, sounding: Values | None = None) -> Values:
        """Return the values that belong into its file: those that sound, without the notes that are played just now."""
        found = (self.values if sounding is None else sounding).copy()
        keys = sorted(self._by_keys())
        found[keys] = self.values[keys]
        return found

    def set_loaded(self, loaded: LoadedPatch, values: Values) -> None:
        """Go on with another text, which has been built."""
        self.loaded = loaded
        self.base, self.values = base_values(loaded.program), values

    def note_saved(self, path: Path, text: str, description: PatchDescription, values: Values) -> None:
        """Take note of what its file holds now."""
        # What was saved is the new base: text, values and file agree from here on.
        self.base = self.values = values
        program = self.program_with(values)
        title = str(description.document.get("title") or path.stem)
        self.loaded = replace(
            self.loaded,
            path=path,
            text=text,
            played=description.played,
            program=program,
            description=description,
            title=title,
        )
        self.saved = self.loaded
        self.history.close()
