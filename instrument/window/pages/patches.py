"""The page Patches: the set list with small pictures, saving and going back, and the pads of snapshots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.window.keys import PADS
from instrument.window.pages.context import Choice
from instrument.window.widgets.cells import Cell, Rows, TextEntry

if TYPE_CHECKING:
    import pygame

    from instrument.window.pages.context import Context
    from instrument.window.theme import Sizes

THUMB_ROWS = 2.2


class PatchesPage:
    """The patches of the performance, and the snapshots of the one that plays."""

    name = "Patches"

    def __init__(self, context: Context) -> None:
        self._context = context
        self._sought = ""
        self._morphs = False

    def cells(self, room: pygame.Rect, sizes: Sizes) -> tuple[list[Cell], list[Cell]]:
        """Return what can be done with the patch that plays, and the set list."""
        rows = Rows(room, sizes)
        self._add_current(rows)
        self._add_pads(rows)
        self._add_search(rows)
        fixed = len(rows.cells)
        self._add_list(rows)
        return rows.cells[:fixed], rows.cells[fixed:]

    def _add_current(self, rows: Rows) -> None:
        context = self._context
        unsaved = context.stage.flag("unsaved")
        rows.title("current", f"{context.stage.title or 'No patch'}{'  * unsaved' if unsaved else ''}")
        changes = len(context.stage.rows("changes"))
        boxes = rows.boxes([1, 1, 1.6, 1])
        keys = context.keyboard
        buttons: list[tuple[str, str, str, dict[str, Any]]] = [
            ("save", "save", keys.shown("save"), {"tone": "light" if unsaved else "plain"}),
            ("save_as", "save as", "", {}),
            ("compare", f"compare ({changes})", "", {}),
            ("revert", "go back", keys.shown("revert"), {}),
        ]
        abouts = {
            "save": "Write what sounds into the patch's file.",
            "save_as": "Write it under another name, beside the patch.",
            "compare": "See what differs from the saved patch; go back lets you hear it, and undo brings yours back.",
            "revert": "Go back to the patch as it was saved; undo brings yours back.",
        }
        for box, (do, words, key, look) in zip(boxes, buttons, strict=True):
            if do == "save_as":
                line = TextEntry("", self._save_as)
                rows.add(Cell("save_as", box, "field", "save as …", typed=line, about=abouts[do]))
                continue
            act = self._compare if do == "compare" else lambda do=do: context.ask(do)  # type: ignore[misc]
            rows.add(Cell(do, box, "button", words, mark=key, act=act, about=abouts[do], **look))

    def _compare(self) -> None:
        choices = [
            Choice(_change_words(self._context, row), lambda row=row: self._take_back(row))  # type: ignore[misc]
            for row in self._context.stage.rows("changes")
            if isinstance(row, dict)
        ]
        title = "Changed since it was saved; press a value to take it back" if choices else "Nothing is changed"
        self._context.choose(title, choices)

    def _take_back(self, row: dict[str, Any]) -> None:
        if "address" in row:
            self._context.ask("reset", address=row["address"])

    def _save_as(self, name: str) -> str:
        if not name.strip():
            return "Nothing is not taken: the patch needs a name."
        self._context.ask("save_as", name=name.strip())
        return ""

    # Snapshots

    def _add_pads(self, rows: Rows) -> None:
        context = self._context
        over = f"morph over {context.live.value('morph.time'):g} beats" if self._morphs else "recall at once"
        rows.title("pads", "Snapshots", ("morph way", over, self._change_way))
        names = [str(name) for name in context.stage.rows("snapshots")]
        for first in range(0, max(len(names) + 1, PADS), 4):
            boxes = rows.boxes([1, 1, 1, 1])
            for box, k in zip(boxes, range(first, first + 4), strict=True):
                rows.add(self._pad_cell(box, k, names))

    def _pad_cell(self, box: Any, k: int, names: list[str]) -> Cell:
        key = self._context.keyboard.shown(f"pad_{k + 1}") if k < PADS else ""
        if k < len(names):
            act = lambda: self.recall(k)  # noqa: E731 - bound to this pad
            about = "Press to recall it; hold Shift with its key to keep what sounds in it."
            return Cell(f"pad {k + 1}", box, "button", names[k] or f"snapshot {k + 1}", mark=key, act=act, about=about)
        act = lambda: self.store(k)  # noqa: E731 - bound to this pad
        about = "Press to keep what sounds now as a new snapshot."
        words = "+ keep" if k == len(names) else "-"
        return Cell(f"pad {k + 1}", box, "button", words, mark=key, tone="quiet", act=act, about=about)

    def _change_way(self) -> None:
        self._morphs = not self._morphs

    def recall(self, k: int) -> None:
        """Recall a snapshot counted from 0, at once or by a morph; an empty pad does nothing."""
        names = [str(name) for name in self._context.stage.rows("snapshots")]
        if k >= len(names):
            return
        if self._morphs:
            beats = self._context.live.value("morph.time")
            self._context.ask("morph", name=names[k], beats=beats)
        else:
            self._context.ask("snapshot", name=names[k])

    def store(self, k: int) -> None:
        """Keep what sounds in a pad counted from 0."""
        names = [str(name) for name in self._context.stage.rows("snapshots")]
        name = names[k] if k < len(names) else ""
        if not name:
            number = len(names) + 1
            while f"pad {number}" in names:
                number += 1
            name = f"pad {number}"
        self._context.ask("store", name=name)

    # The set list

    def _add_search(self, rows: Rows) -> None:
        def give(text: str) -> str:
            self._sought = text.strip()
            return ""

        box, beside = rows.boxes([3, 1])
        shown = self._sought or "type to search"
        about = "Letters of a title or a file, in any case; nothing shows all."
        rows.add(
            Cell(
                "search",
                box,
                "field",
                "Set list, search",
                shown,
                typed=TextEntry(self._sought, give, live=True),
                about=about,
            )
        )

        faults = len(self._context.stage.rows("faults"))
        about = "What has failed in this show, when, why, and what was done: the newest lines of the log of faults."
        rows.add(Cell("faults", beside, "button", f"faults ({faults})", act=self._list_faults, about=about))

    def _list_faults(self) -> None:
        lines = [str(line) for line in reversed(self._context.stage.rows("faults"))]
        # Its cause and what was done; the whole line, with its times, where all else is explained.
        choices = [Choice(line.partition(" s  ")[2] or line, _nothing, line) for line in lines]
        self._context.choose("Faults, the newest first" if lines else "Nothing has failed", choices)

    def _add_list(self, rows: Rows) -> None:
        stage = self._context.stage
        current = stage.all.get("current")
        found = [row for row in stage.rows("setlist") if isinstance(row, dict) and self._matches(row)]
        if not found:
            rows.line("none found", f"No patch matches {self._sought}." if self._sought else "No set list yet.")
        for first in range(0, len(found), 2):
            boxes = rows.boxes([1, 1], THUMB_ROWS)
            for box, row in zip(boxes, found[first : first + 2], strict=False):
                index = row.get("index")
                playing = index == current
                unsaved = bool(row.get("unsaved")) or (playing and stage.flag("unsaved"))
                path = str(row.get("path") or "")
                rows.add(
                    Cell(
                        f"patch {index}",
                        box,
                        "thumb",
                        f"{'* ' if unsaved else ''}{row.get('title') or path}",
                        mark="plays" if playing else path.rpartition("/")[2],
                        on=playing,
                        picture=str(row.get("picture") or ""),
                        act=lambda index=index: self._context.ask("recall", index=index),  # type: ignore[misc]
                        about=f"{path}{' has changes that are not saved' if unsaved else ''}",
                    )
                )

    def _matches(self, row: dict[str, Any]) -> bool:
        words = f"{row.get('title')} {row.get('path')}".casefold()
        return all(part in words for part in self._sought.casefold().split())


def _nothing() -> None:
    """Do nothing: what is listed is only there to be read."""


def _change_words(context: Context, row: dict[str, Any]) -> str:
    if "address" in row:
        return context.stage.address_words(str(row["address"]))
    path = row.get("path")
    return " ".join(str(part) for part in path) if isinstance(path, list) else "the text"
