"""Saving: the running instrument's values written into a patch file, with its comments and order kept."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from tomlkit.exceptions import TOMLKitError

from instrument.common.safe_files import write_atomically
from instrument.engine.parameters import ADDRESSES, index_of
from instrument.patch.build import base_values, build_program
from instrument.patch.editing.value_edits import toml_number, with_moved_drawings, with_values
from instrument.patch.line_numbers import lines_of
from instrument.patch.patch_drawings import drawing_files, placeholder_drawings
from instrument.patch.patch_errors import PatchError, Problem
from instrument.patch.patch_file import patch_from_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from instrument.engine.program import Program
    from instrument.patch.schema.patch_schema import Patch


def save_patch(patch: Patch, values: Mapping[str, float], path: str | Path, saved: str | None = None) -> None:
    """Write a patch with the values that the instrument has now.

    Only what differs is changed in the text; the rest stays as it is, to the last blank. What has no field in this
    patch goes into the table ``[values]``. In another folder, drawings are named from there. The text is read back and built before it is written, and the file is
    replaced in one step, so that a failure leaves the old one.

    Parameters
    ----------
    patch : Patch
        As `load_patch` gave it; it remembers the new text, so that it may be saved again.
    values : mapping of str to float
        Value by address, as `Engine.values` gives them; addresses left out keep their value.
    path : str or Path
        File to write: the one the patch came from, or another.
    saved : str, optional
        What that file holds as far as is known, where the patch has been edited since; the patch's text unless given.

    Raises
    ------
    KeyError
        If there is no such address.
    PatchError
        If the file was changed by somebody else since it was read, or cannot be written.

    See Also
    --------
    text_with : the new text alone.
    instrument.patch.editing.rewrite.rewritten : edits of anything else in a patch.

    Notes
    -----
    Values are kept bit for bit; of nan, which TOML has no bits for, the sign is.
    """
    path = Path(path)
    text = text_in(path, patch, text_with(patch, values))
    _refuse_lost_edits(patch, path, patch.text if saved is None else saved)
    try:
        write_atomically(path, text.encode())
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        sentence = f"the file cannot be written ({reason}); save under another name. The old file is unchanged."
        raise PatchError(path, Problem(sentence)) from None
    patch.remember(path, text)


def text_in(path: Path, patch: Patch, text: str) -> str:
    """Return a text of a patch for a file, with its drawings and fonts named from that file's folder.

    Raises
    ------
    PatchError
        If they cannot be.
    """
    here = patch.path.parent if patch.path is not None else Path()
    if not drawing_files(patch) or _resolved(here) == _resolved(path.parent):
        return text
    try:
        return with_moved_drawings(patch_from_text(text, patch.path), here, path.parent)
    except (TOMLKitError, PatchError, KeyError, IndexError, TypeError, ValueError):
        sentence = "its drawings cannot be named from another folder in this text. Save it beside the old file."
        raise PatchError(path, Problem(sentence)) from None


def _resolved(folder: Path) -> str:
    return os.path.realpath(folder)


def text_with(patch: Patch, values: Mapping[str, float]) -> str:
    """Return the patch's text with other values; see `save_patch`.

    Raises
    ------
    KeyError
        If there is no such address.
    PatchError
        If no text can be made that builds the same program.
    """
    file = patch.path or "patch"
    as_written = patch_from_text(patch.text, file)
    # What the values mean is decided by the program that they make, not by the text: both are built without drawings, the
    # wanted one is given the values, and any text is as good as another that builds the same program bit for bit.
    program, wanted = _unread(as_written), _unread(as_written)
    for address, value in values.items():
        wanted.record["base"][index_of(address)] = value
    changes = _differences(program, wanted)
    if not changes:
        return patch.text
    # The editor may not reach some place, however the file is written; the list of values always can be.
    for edit in (with_values, _with_listed_values):
        text = _attempt(patch, edit, changes, wanted)
        if text is not None:
            return text
    sentence = "the values cannot be written into this text. Write each table under a [header] of its own."
    raise PatchError(file, Problem(sentence))


def same_program(one: Program, other: Program) -> bool:
    """Return whether two programs are equal bit for bit, save for the bits that tell one nan from another."""
    if _tables(one) != _tables(other):
        return False
    names = [name for name in one.record.dtype.names or () if name != "base"]
    if any(one.record[name].tobytes() != other.record[name].tobytes() for name in names):
        return False
    return not _differences(one, other)


def _tables(program: Program) -> dict[tuple[object, ...], bytes]:
    # Everything that a program refers to, by what it belongs to.
    kinds: tuple[dict[Any, Any], ...] = (program.paths, program.jumps, program.terms, program.tables)
    return {(index, key): table.tobytes() for index, kind in enumerate(kinds) for key, table in kind.items()}


def _unread(patch: Patch) -> Program:
    return build_program(patch, placeholder_drawings(patch))


def _differences(program: Program, wanted: Program) -> dict[str, float]:
    before, after = base_values(program), base_values(wanted)
    different = _bits(before) != _bits(after)
    return {ADDRESSES[index]: float(after[index]) for index in np.flatnonzero(different)}


def _bits(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    plain = np.where(np.isnan(values), np.copysign(np.nan, values), values)
    return plain.view(np.int64)


def _attempt(
    patch: Patch,
    edit: Callable[[Patch, Mapping[str, float]], str],
    changes: Mapping[str, float],
    wanted: Program,
) -> str | None:
    try:
        text = edit(patch, changes)
        program = _unread(patch_from_text(text, patch.path))
    except (TOMLKitError, PatchError, KeyError, IndexError, TypeError, ValueError):
        return None
    return text if same_program(program, wanted) else None


def _with_listed_values(patch: Patch, changes: Mapping[str, float]) -> str:
    # By lines, without tomlkit: values win over fields, so no field need be found.
    lines = re.findall(r"[^\n]*\n|[^\n]+", patch.text)
    where = lines_of(patch.text)
    new = {address: f'"{address}" = {toml_number(value)}\n' for address, value in changes.items()}
    for address in [address for address in new if ("values", address) in where]:
        lines[where["values", address] - 1] = new.pop(address)
    if ("values",) in where:
        header = where["values",]
        if lines[header - 1].strip() != "[values]":
            raise ValueError("the values are not under a header")
        lines[header:header] = new.values()
    else:
        end = "" if patch.text.endswith("\n") else "\n"
        lines += [end, "\n[values]\n", *new.values()]
    return "".join(lines)


def _refuse_lost_edits(patch: Patch, path: Path, saved: str) -> None:
    # Somebody may have edited the file while it was being played.
    if patch.path is None or not path.exists() or not patch.path.exists() or not path.samefile(patch.path):
        return
    try:
        there = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError):
        there = ""
    if there != saved:
        sentence = "the file was changed since it was loaded, and saving would undo that. Save under another name."
        raise PatchError(path, Problem(sentence))
