"""Options of a show: patches, devices, ports and what is recorded."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from instrument.patch.set_list_file import ports_named
from instrument.repertoire.controls_file import usable_controls

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from instrument.repertoire.loading import LoadedPatch
    from instrument.show.calibration_guide import CalibrationGuide


@dataclass(frozen=True)
class ShowOptions:
    """Options of a show, as the command line gives them.

    Attributes
    ----------
    patches : tuple of Path
        At least one patch file.
    audio : str or None
        Device by name or part of it, ``off``, or None for the best there is.
    midi : tuple of str
        MIDI inputs by name or part of it; none means every controller that is plugged in.
    input : str or None
        Live input by name or part of it, ``off``, or None for the usual one where a patch hears it.
    rate : float or None
        Sample rate in hertz; None for the device's own.
    block : int or None
        Frames; None for what suits the device.
    window : bool
    seconds : float or None
        End after so long; None plays until it is told to end.
    perform : Path or None
        Standard MIDI File to play into the instrument.
    controls : Path or None
        Controller file that serves every patch; None for the usual one.
    feedback : bool
        Whether values are sent back to controllers.
    outputs : str
        Channels that the device gets, as in `outputs_of`.
    record : Path or None
        Folder into which a take of the whole show is recorded.
    keep : float
        Seconds of sound that are kept for a take after the fact; 0 starts no recorder until it is wanted.
    tags : mapping of str to str
        Title, artist and date of takes, where they are not to follow from the patch and the day.
    opening : bool
        Play each patch's own performance until a hand takes over.
    profile : bool
        Whether what the device gets is corrected by its profile.
    guide : CalibrationGuide or None
        Adjusts that correction while the show goes on.
    """

    patches: tuple[Path, ...]
    audio: str | None = None
    midi: tuple[str, ...] = ()
    rate: float | None = None
    block: int | None = None
    window: bool = True
    seconds: float | None = None
    perform: Path | None = None
    input: str | None = None
    controls: Path | None = None
    feedback: bool = True
    outputs: str = "xy"
    record: Path | None = None
    keep: float = 0.0
    tags: Mapping[str, str] = field(default_factory=dict)
    opening: bool = False
    profile: bool = True
    guide: CalibrationGuide | None = None


def remembered_ports(named: Iterable[Path], patches: Iterable[LoadedPatch]) -> list[str]:
    """Return the MIDI inputs that the files of a show name, for when the command line names none.

    The set list comes first, then the controller file, then whatever any of the patches names.

    Parameters
    ----------
    named : iterable of Path
        Patches and set lists as they were named.
    patches : iterable of LoadedPatch
        All patches of the show.

    Returns
    -------
    list of str
        Names or parts of names, each once.
    """
    for found in (
        [name for path in named for name in ports_named(path)],
        usable_controls().midi,
        [name for patch in patches for name in patch.midi],
    ):
        if found:
            return list(dict.fromkeys(found))
    return []
