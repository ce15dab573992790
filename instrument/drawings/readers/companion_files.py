"""Files that a drawing refers to are read from its own folder and from nowhere else."""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote

from instrument.drawings.limits import DEFAULT, Limits
from instrument.drawings.readers.text_files import read_bytes
from instrument.drawings.refusal import DrawingError

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Folder:
    """The folder a drawing lies in.

    Attributes
    ----------
    path : Path or None
        None for a drawing without a folder, which may refer to nothing outside itself.
    limits : Limits
    """

    path: Path | None = None
    limits: Limits = DEFAULT

    def read(self, reference: str) -> bytes:
        """Read what a reference names: data written into the reference itself, or a file in this folder.

        Parameters
        ----------
        reference : str
            `data:...;base64,...`, or a path relative to the folder, with %20 and the like for odd letters.

        Returns
        -------
        bytes

        Raises
        ------
        DrawingError
            If it leads out of the folder, over the network, or to nothing.
        """
        if reference.startswith("data:"):
            try:
                return base64.b64decode(reference.partition(",")[2], validate=True)
            except (binascii.Error, ValueError):
                raise DrawingError("data written into the file is not in base64") from None
        name = unquote(reference)
        if "://" in name or name.startswith(("//", "\\\\")):
            raise DrawingError(f"{_short(name)!r} lies on the network; only files beside the drawing are read")
        if self.path is None:
            raise DrawingError(f"{_short(name)!r} lies outside the drawing")
        try:
            # Links are followed before looking where they lead.
            target = (self.path / name).resolve()
            inside = target.is_relative_to(self.path.resolve())
        except (OSError, ValueError, RuntimeError):
            raise DrawingError(f"{_short(name)!r} is not a file name") from None
        if not inside:
            raise DrawingError(f"{_short(name)!r} lies outside the drawing's folder; copy it beside the drawing")
        return read_bytes(target, self.limits)


def _short(name: str) -> str:
    return name if len(name) <= 60 else name[:57] + "..."
