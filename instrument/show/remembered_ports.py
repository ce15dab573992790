"""Which MIDI inputs the files of a show remember, for when the command line names none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.patch.set_list_file import ports_named
from instrument.repertoire.controls_file import usable_controls

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from instrument.repertoire.loading import LoadedPatch


def remembered_ports(named: Iterable[Path], patches: Iterable[LoadedPatch]) -> list[str]:
    """Return names or parts of names of MIDI inputs.

    The set list comes first, then the controller file; where neither says anything, what any of the patches names.

    Parameters
    ----------
    named : iterable of Path
        Patches and set lists as they were named.
    patches : iterable of LoadedPatch
        All patches of the show.
    """
    for found in (
        [name for path in named for name in ports_named(path)],
        usable_controls().midi,
        [name for patch in patches for name in patch.midi],
    ):
        if found:
            return list(dict.fromkeys(found))
    return []
