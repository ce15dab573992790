"""Quit prompt: the question before the end of a show, where something would be cut off or is not saved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.patch.patch_errors import listed

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable

    from instrument.workbench.patch_edits import PatchEdits


class QuitPrompt:
    """End of the show on request, once there is no question left.

    Parameters
    ----------
    over : threading.Event
        Set for the end.
    edits : PatchEdits
    busy : callable
        Returns what would be cut off, each in words.

    Attributes
    ----------
    question : dict or None
        ``text``, and ``answers`` as ``label`` and the request ``do``; None while there is none.
    """

    def __init__(self, over: threading.Event, edits: PatchEdits, busy: Callable[[], list[str]]) -> None:
        self._over = over
        self._edits = edits
        self._busy = busy
        self._saving = False
        self.question: dict[str, Any] | None = None

    def quit(self, *, sure: bool = False, save: bool = False) -> None:
        """End the show, or ask first.

        Parameters
        ----------
        sure : bool
            Whether to end at once; asking a second time is sure too.
        save : bool
            Whether to end once everything is saved.
        """
        if save:
            self._edits.save_all()
            self._saving = True
            self.question = None
        # Asking again while the question stands is an answer: a window whose button is pressed twice ends the show.
        elif sure or self.question is not None or not (self._ask()):
            self._over.set()

    def stay(self) -> None:
        """Withdraw the question and play on."""
        self.question = None
        self._saving = False

    def poll(self) -> None:
        """End the show once everything is saved; if something cannot be saved, ask again."""
        if self._saving and not self._edits.busy:
            self._saving = False
            if not self._edits.unsaved() or not self._ask():
                self._over.set()

    def _ask(self) -> bool:
        unsaved = [working.loaded.title for working in self._edits.unsaved()]
        busy = self._busy()
        sentences = [f"{word} would be cut off." for word in busy]
        if unsaved:
            sentences.append(f"Not saved: {listed(unsaved, 'and')}.")
        if not sentences:
            return False
        answers: list[dict[str, Any]] = [{"label": "Go on playing", "do": {"do": "stay"}}]
        if unsaved:
            answers.append({"label": "Save and end", "do": {"do": "quit", "save": True}})
        answers.append({"label": "End without saving" if unsaved else "End", "do": {"do": "quit", "sure": True}})
        self.question = {"text": " ".join([*sentences, "End the performance?"]), "answers": answers}
        return True
