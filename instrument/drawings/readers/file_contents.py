"""Contents of drawing files: whole within limits, text in any encoding, and files beside them from their own folder alone."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import base64
import binascii
import codecs
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote

from instrument.drawings.limits import DEFAULT_LIMITS, MEBIBYTE, DrawingError, Limits

if TYPE_CHECKING:
    from pathlib import Path


MARKS = (
    # UTF-32's little-endian mark begins with UTF-16's, so it is asked first.
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def read_bytes(path: Path, limits: Limits = DEFAULT_LIMITS) -> bytes:
    """Read a whole file.

    Raises
    ------
    DrawingError
        If it is missing, not a plain file, empty, or larger than the limit.
    """
    try:
        # A pipe or device would never end; only plain files have a size to hold against the limit.
        if not path.is_file():
            reason = "this is not a file" if path.exists() else "there is no such file"
            raise DrawingError(reason, path.name)
        size = path.stat().st_size
        if size > limits.file_bytes:
            raise DrawingError(
                f"the file has {size / MEBIBYTE:,.0f} MiB; at most {limits.file_bytes / MEBIBYTE:,.0f} are "
                "allowed. Simplify the drawing or raise the limit",
                path.name,
            )
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, DrawingError):
            raise
        reason = getattr(error, "strerror", None) or str(error)
        raise DrawingError(f"the file cannot be read ({reason})", path.name) from error
    if not content.strip():
        raise DrawingError("the file is empty", path.name)
    return content


def decode(content: bytes) -> str:
    r"""Turn bytes into text: by their mark, as UTF-8, or by what charset_normalizer makes of them.

    Line ends of any kind become one newline. What no encoding explains is read as Latin-1, in which every byte
    is some letter: numbers and keywords are ASCII in all of them.

    Examples
    --------
    >>> decode(b"v 0 0 0\r\n") == decode("v 0 0 0\n".encode("utf-16"))
    True
    """
    text = _decoded(content)
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decoded(content: bytes) -> str:
    for mark, encoding in MARKS:
        if content.startswith(mark):
            return content.decode(encoding, errors="replace")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        from charset_normalizer import from_bytes

        best = from_bytes(content[:MEBIBYTE]).best()
        return content.decode("latin-1" if best is None else best.encoding, errors="replace")


@dataclass(frozen=True)
class CompanionFolder:
    """The folder a drawing lies in.

    Attributes
    ----------
    path : Path or None
        None for a drawing without a folder, which may refer to nothing outside itself.
    limits : Limits
    """

    path: Path | None = None
    limits: Limits = DEFAULT_LIMITS

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
