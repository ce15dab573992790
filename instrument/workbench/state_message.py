"""What the window is told: the whole state of patches and desk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.drawings.route_report import highest_legible

if TYPE_CHECKING:
    from instrument.repertoire.set_list import Setlist
    from instrument.workbench.autosave import Autosave
    from instrument.workbench.edits import Desk
    from instrument.workbench.quit_prompt import Farewell
    from instrument.workbench.thumbnails import Pictures


ALIVE = "alive"
"""Request by which a window says each second that it goes on."""


def state_of(
    setlist: Setlist, desk: Desk, autosave: Autosave, farewell: Farewell, pictures: Pictures, rate: float
) -> dict[str, Any]:
    """Return the state of patches and desk, as JSON carries it."""
    working = setlist.working
    patch, history = working.loaded, working.history
    by_hands = setlist.set_by_hands(working)
    return {
        "title": patch.title,
        "patch": patch.path.name,
        "layers": patch.layers,
        "controls": list(patch.controls),
        "legible": [
            {"layer": layer, "corners": corners, "hertz": highest_legible(corners, rate)}
            for layer, corners in patch.corners
        ],
        "document": patch.shown.document,
        "parameters": patch.shown.parameters,
        "snapshots": list(patch.shown.snapshots),
        "unsaved": working.is_unsaved(by_hands),
        "changes": working.changes(by_hands),
        "undo": history.undo_label,
        "redo": history.redo_label,
        "refused": desk.refused,
        "setlist": [
            {
                "title": other.loaded.title,
                "path": str(other.path),
                "index": place,
                "unsaved": other.is_unsaved(setlist.set_by_hands(other)),
                "picture": pictures.of(other.saved),
            }
            for place, other in enumerate(setlist.patches)
        ],
        "current": setlist.position,
        "question": farewell.question,
        **autosave.state,
    }
