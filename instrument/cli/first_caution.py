"""What is said once, at the first start on a machine, and never again."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import platformdirs

CAUTION = (
    "before you turn it up: begin with the volume down, no headphones; flashing light can trigger seizures; a standing dot "
    "burns a tube, direct voltage a loudspeaker. Local codes and licensed people go before anything said here (README, last "
    "section)."
)


def caution_once(folder: Path | None = None) -> str:
    """Return the caution the first time that it is asked for, and nothing from then on.

    Parameters
    ----------
    folder : Path, optional
        Where it is remembered; by default with the user's data.
    """
    mark = (folder or Path(platformdirs.user_data_dir("beamhand", appauthor=False))) / "cautioned"
    if mark.exists():
        return ""
    with suppress(OSError):  # where nothing can be remembered it is said again
        mark.parent.mkdir(parents=True, exist_ok=True)
        mark.touch()
    return CAUTION
