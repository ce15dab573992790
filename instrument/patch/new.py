"""Beginning a patch: a small one that plays at once, with comments that say how to go on."""

from __future__ import annotations

from pathlib import Path

from instrument.common.atomic_file import write_atomically
from instrument.patch.patch_errors import PatchError, Problem, shown
from instrument.patch.patch_file import patch_from_text

STARTER = Path(__file__).with_name("starter.toml")


def new_patch(path: str | Path) -> None:
    """Write a commented starter patch, named after its file.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    PatchError
        If there is something at the path already, or it cannot be written.
    """
    path = Path(path)
    if path.exists() or path.is_symlink():
        raise PatchError(path, Problem("there is something of this name already; give the new patch another name."))
    title = "".join(letter if letter.isprintable() and letter not in '"\\' else " " for letter in path.stem)
    text = STARTER.read_text(encoding="utf-8").replace('"A new patch"', shown(title), 1)
    patch_from_text(text, path)
    try:
        write_atomically(path, text.encode())
    except OSError as error:
        said = f"the file cannot be written ({error.strerror}); choose a folder that is there and may be written."
        raise PatchError(path, Problem(said)) from None
