"""Controller file: the controls that serve every patch of a show, their file, and teaching into it."""

from __future__ import annotations

import hashlib
import os
import tomllib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from instrument.common.safe_files import write_atomically
from instrument.common.user_folders import settings_folder
from instrument.patch.controller_file import (
    EMPTY,
    ControllerFile,
    controller_from_text,
    load_controller,
    serving_controls,
)
from instrument.patch.editing.control_tables import with_control, with_controls, without_control
from instrument.patch.patch_errors import PatchError, Problem
from instrument.patch.patch_file import read_text

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from instrument.patch.schema.patch_schema import Patch

VARIABLE = "BEAMHAND_CONTROLS"
"""Variable that names the file in place of the usual one; processes that build patches inherit it."""

NAME = "controls.toml"


def controls_file() -> Path:
    """Return the controller file, which may not be there."""
    named = os.environ.get(VARIABLE)
    return Path(named) if named else settings_folder() / NAME


def use_controls_file(path: Path) -> None:
    """Let another file serve, here and in processes that are started later.

    Raises
    ------
    PatchError
        If it is no controller file.
    """
    load_controller(path)
    # The environment is how the worker process, which builds the same patches, comes to know of it.
    os.environ[VARIABLE] = str(path.absolute())


def usable_controls() -> ControllerFile:
    """Return what the controller file holds; as if it were empty where it cannot be used, which is told elsewhere."""
    with suppress(PatchError):
        return load_controller(controls_file())
    return controller_from_text(EMPTY, controls_file())


@dataclass(frozen=True)
class PatchWithController:
    """A patch with the controls of the controller file.

    Attributes
    ----------
    patch : Patch
        With those controls behind its own.
    text : str
        Text of the patch with those controls written into it, which builds the same.
    indices : tuple of int
        Index of each of them in its file.
    key : str
        Digest of the controller file.
    feedback : bool
        Whether neither the patch nor the file forbids it.
    """

    patch: Patch
    text: str
    indices: tuple[int, ...]
    key: str
    feedback: bool


def with_controller(patch: Patch) -> PatchWithController:
    """Give a patch the controls of the controller file."""
    controller = usable_controls()
    indices = serving_controls(patch, controller)
    added = [controller.control[index] for index in indices]
    text = with_controls(patch.text, [control.model_dump(exclude_unset=True) for control in added])
    key = "controls " + hashlib.sha256(controller.text.encode()).hexdigest()
    both = patch.model_copy(update={"control": [*patch.control, *added]})
    return PatchWithController(both, text, indices, key, patch.feedback and controller.feedback)


def taught_all() -> list[dict[str, Any]]:
    """Return the controls of the controller file as they are written; none if there is no file.

    Raises
    ------
    PatchError
        If it is no controller file any more.
    """
    controls: list[dict[str, Any]] = tomllib.loads(load_controller(controls_file()).text).get("control", [])
    return controls


def teach_all(control: Mapping[str, Any], replaces: Callable[[Mapping[str, Any]], bool]) -> None:
    """Write a control into the controller file; a file that is not there is made.

    Raises
    ------
    PatchError
        If it is no controller file any more, or cannot be written.
    """
    _rewrite(lambda text: with_control(text, control, replaces))


def unteach_all(index: int) -> None:
    """Remove a control from the controller file.

    Raises
    ------
    PatchError
        If there is none at that index, or the file cannot be written.
    """

    def without(text: str) -> str:
        try:
            return without_control(text, index)
        except IndexError as error:
            raise PatchError(controls_file(), Problem(f"{error.args[0]} to take out.")) from None

    _rewrite(without)


def _rewrite(change: Callable[[str], str]) -> None:
    path = controls_file()
    text = read_text(path) if path.exists() else EMPTY
    controller_from_text(text, path)
    new = change(text)
    # Read back before it is written: a file that cannot be read would take the controls from every patch.
    controller_from_text(new, path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, new.encode())
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        said = f"the file cannot be written ({reason}); name another one (--controls). The old one is unchanged."
        raise PatchError(path, Problem(said)) from None
