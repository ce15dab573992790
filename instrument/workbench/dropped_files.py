"""Files that are dropped onto the window: drawings, patches, set lists, performances."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from instrument.drawings.readers.by_ending import READERS
from instrument.repertoire.patch_worker import Job

if TYPE_CHECKING:
    from instrument.repertoire.set_list import SetList
    from instrument.workbench.patch_edits import PatchEdits

SOUNDS = frozenset({".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3", ".rf64", ".w64", ".caf"})
PERFORMANCES = frozenset({".mid", ".midi", ".smf"})


def take_dropped(path: Path, layer: object, set_list: SetList, edits: PatchEdits, rate: float) -> None:
    """Do what a performer expects of a file.

    Parameters
    ----------
    path : Path
        A drawing becomes the source of a layer; a patch, or the patches of a set list, come behind the one that plays,
        and play; a MIDI file is performed.
    layer : object
        Layer for a drawing, from 0; the first unless given, and a new one if the patch has none there.
    setlist : SetList
    desk : PatchEdits
    rate : float
        Sample rate in hertz.

    Raises
    ------
    ValueError
        If nothing can be done with it.
    """
    ending = path.suffix.lower()
    if ending == ".toml":
        set_list.worker.ask(Job("open", path))
    elif ending in PERFORMANCES:
        set_list.worker.ask(Job("perform", path, rate=rate))
    elif ending in SOUNDS:
        raise ValueError(
            f"{path.name} is sound, which a patch does not play; a still of it is made by: "
            f"beamhand render {path.name} -o {path.stem}.png"
        )
    elif ending in READERS or path.is_dir():
        _draw(path, layer, set_list, edits)
    else:
        raise ValueError(
            f"{path.name} cannot be used; drop a drawing ({', '.join(sorted(READERS))}), a patch or set list (.toml), "
            "or a MIDI file (.mid)."
        )


def _draw(path: Path, layer: object, set_list: SetList, edits: PatchEdits) -> None:
    working = set_list.working
    source: dict[str, Any] = {"kind": "path", "drawing": _name_from(working.path.parent, path)}
    layers = len(working.loaded.description.document.get("layer", []))
    place = layer if isinstance(layer, int) and not isinstance(layer, bool) and layer >= 0 else 0
    label = f"drawing {path.name}"
    if place < layers:
        edits.edit([{"do": "edit", "path": ["layer", place, "source"], "value": source}], label)
    else:
        edits.edit([{"do": "add", "path": ["layer"], "value": {"name": path.stem, "source": source}}], label)


def _name_from(folder: Path, path: Path) -> str:
    # Relative where the patch lies near, so that both can be moved together.
    whole = Path(os.path.realpath(path))
    near = Path(os.path.realpath(folder))
    return whole.relative_to(near).as_posix() if whole.is_relative_to(near) else str(whole)
