"""Patch files: bytes to text to tables to a checked `Patch`, with an error that leads to every fault; and new ones."""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from instrument.common.safe_files import write_atomically
from instrument.patch.line_numbers import lines_of
from instrument.patch.patch_errors import PatchError, Problem, shown
from instrument.patch.schema.checks import cross_problems, problems_of
from instrument.patch.schema.former_words import AS_IT_WAS
from instrument.patch.schema.patch_schema import SCHEMA, Patch

LARGEST = 64 << 20
"""Bytes of a file that are read; the largest patch that the schema allows is smaller."""

NEW = "Make a new one with: beamhand patch new FILE"


def load_patch(path: str | Path) -> Patch:
    """Read and check a patch file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Patch
        With `path` and `text` of the file.

    Raises
    ------
    PatchError
        If it is not a patch file, naming every fault.

    See Also
    --------
    instrument.patch.build.build_program : what the engine plays of it.
    instrument.patch.editing.save.save_patch : its values written back.
    """
    path = Path(path)
    return patch_from_text(read_text(path), path)


def patch_from_text(text: str, path: str | Path | None = None, *, as_it_was: bool = False) -> Patch:
    """Check the text of a patch file.

    Parameters
    ----------
    text : str
    path : str or Path, optional
        File it comes from, for messages and for saving.
    as_it_was : bool
        Whether words of earlier patch files are taken as what they are called now, as in a take, which nobody mends.

    Raises
    ------
    PatchError
    """
    file = str(path) if path is not None else "patch"
    # Four sieves: TOML, version, fields, what must agree across tables. The next one is only asked if
    # there was nothing before, for its findings would follow from the first ones.
    data = parsed(text, file)
    check_version(data, text, file)
    try:
        patch: Patch = Patch.model_validate(data, context={AS_IT_WAS: as_it_was})
    except ValidationError as error:
        raise PatchError(file, *problems_of(error, data, text)) from None
    problems = cross_problems(patch)
    if problems:
        lines = lines_of(text)
        located = [Problem(sentence, name, lines.get(place)) for place, name, sentence in problems]
        raise PatchError(file, *located)
    patch.remember(Path(path) if path is not None else None, text)
    return patch


def read_text(path: Path) -> str:
    """Return the text of a file.

    Raises
    ------
    PatchError
        If there is none, or it is not text.
    """
    try:
        if path.is_dir():
            raise PatchError(path, Problem("this is a folder; name a patch file, which ends in .toml." + _inside(path)))
        if path.exists() and not path.is_file():
            raise PatchError(path, Problem("this is a device or a pipe; name a patch file, which ends in .toml."))
        if path.is_file() and path.stat().st_size > LARGEST:
            raise PatchError(path, Problem(f"the file is larger than {LARGEST >> 20} MiB; no patch is."))
        data = path.read_bytes()
    except FileNotFoundError:
        raise PatchError(path, Problem(f"there is no such file. {_nearest(path)}")) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PatchError(path, Problem(f"the file cannot be read ({reason}); check its name and its rights.")) from None
    return _decoded(path, data)


def _inside(folder: Path) -> str:
    first = next(iter(sorted(folder.glob("*.toml"))), None)
    return f" It holds {first.name}." if first else ""


def _nearest(path: Path) -> str:
    try:
        names = [other.name for other in path.parent.iterdir()]
    except OSError:
        return "Its folder is not there either; check the name."
    near = difflib.get_close_matches(path.name, names, n=1, cutoff=0.6)
    return f"Did you mean {near[0]}?" if near else NEW


def _decoded(path: Path, data: bytes) -> str:
    if not data.strip():
        raise PatchError(path, Problem(f"the file is empty. {NEW}"))
    at = data.find(b"\0")
    if at >= 0:
        raise PatchError(
            path, Problem(f"this is not a text file (byte {at} is zero); name a patch file, which is TOML.")
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        text = f"byte 0x{data[error.start]:02x} is not UTF-8; save the file as UTF-8, or name a text file."
        raise PatchError(path, Problem(text, line=line)) from None


def parsed(text: str, file: str) -> dict[str, Any]:
    """Return what a TOML text holds.

    Raises
    ------
    PatchError
        If it is not TOML, with the line where it ceases to be.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PatchError(file, _syntax_problem(str(error), text)) from None
    except (RecursionError, ValueError) as error:
        why = "brackets are nested too deeply" if isinstance(error, RecursionError) else str(error)
        raise PatchError(file, Problem(f"this is not TOML that can be read: {why}.")) from None


def _syntax_problem(message: str, text: str) -> Problem:
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    sentence = message[: found.start()] if found else message
    sentence = sentence[:1].lower() + sentence[1:].rstrip(".")
    if found is None or found[1] is None:
        last = len(text.rstrip().splitlines())
        return Problem(f"the file ends too early: {sentence}. Complete the last line, or restore a copy.", line=last)
    line, column = int(found[1]), int(found[2])
    lines = text.split("\n")
    rest = lines[line - 1][:80].strip() if line <= len(lines) else ""
    return Problem(f"column {column} is not TOML: {sentence}. The line reads: {rest}", line=line)


def check_version(data: dict[str, Any], text: str, file: str) -> None:
    """Check that a file is of a version that is known.

    Raises
    ------
    PatchError
        If it says none, or a newer one.
    """
    # Before everything else: the other faults of a newer file would only mislead.
    if "schema" not in data:
        sentence = f"schema, the version of the file format, is missing. Write schema = {SCHEMA} on the first line."
        raise PatchError(file, Problem(sentence, "schema"))
    version = data["schema"]
    if isinstance(version, int) and not isinstance(version, bool) and version > SCHEMA:
        sentence = (
            f"schema is {shown(version)}; this Beamhand reads up to schema {SCHEMA}. Open it with a newer Beamhand."
        )
        raise PatchError(file, Problem(sentence, "schema", lines_of(text).get(("schema",))))


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
        sentence = f"the file cannot be written ({error.strerror}); choose a folder that is there and may be written."
        raise PatchError(path, Problem(sentence)) from None
