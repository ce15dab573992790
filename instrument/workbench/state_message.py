"""What the window is told: the whole state of patches and desk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.drawings.route_report import highest_legible

if TYPE_CHECKING:
    from instrument.repertoire.set_list import SetList
    from instrument.workbench.autosave import Autosave
    from instrument.workbench.patch_edits import PatchEdits
    from instrument.workbench.quit_prompt import QuitPrompt
    from instrument.workbench.thumbnails import Thumbnails


ALIVE = "alive"
"""Request by which a window says each second that it goes on."""


def state_of(
    set_list: SetList,
    edits: PatchEdits,
    autosave: Autosave,
    quit_prompt: QuitPrompt,
    thumbnails: Thumbnails,
    rate: float,
) -> dict[str, Any]:
    """Return the state of patches and desk, as JSON carries it."""
    working = set_list.working
    patch, history = working.loaded, working.history
    by_hands = set_list.values_set_by_hand(working)
    return {
        "title": patch.title,
        "patch": patch.path.name,
        "layers": patch.layers,
        "controls": list(patch.controls),
        "legible": [
            {"layer": layer, "corners": corners, "hertz": highest_legible(corners, rate)}
            for layer, corners in patch.corners
        ],
        "document": patch.description.document,
        "parameters": patch.description.parameters,
        "snapshots": list(patch.description.snapshots),
        "unsaved": working.is_unsaved(by_hands),
        "changes": working.changes(by_hands),
        "undo": history.undo_label,
        "redo": history.redo_label,
        "refused": edits.refused,
        "setlist": [
            {
                "title": other.loaded.title,
                "path": str(other.path),
                "index": place,
                "unsaved": other.is_unsaved(set_list.values_set_by_hand(other)),
                "picture": thumbnails.of(other.saved),
            }
            for place, other in enumerate(set_list.patches)
        ],
        "current": set_list.position,
        "question": quit_prompt.question,
        **autosave.state,
    }
