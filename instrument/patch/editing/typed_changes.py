"""A patch's program with changes typed beside it, such as ``layer.1.level=0.5``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.patch.build import build_program
from instrument.patch.number import number_for
from instrument.patch.patch_file import load_patch

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from instrument.engine.program import Program


def load_program(path: Path, settings: Iterable[str] = ()) -> tuple[Program, str]:
    """Return a patch's program with changes made, and the patch's title.

    Parameters
    ----------
    path : Path
    settings : iterable of str
        ``ADDRESS=VALUE``, any number.

    Raises
    ------
    ValueError
        If the patch or a change is refused.
    """
    patch = load_patch(path)
    program = build_program(patch)
    for setting in settings:
        address, equals, text = setting.partition("=")
        if not equals:
            raise ValueError(f"--set {setting}: write ADDRESS=VALUE, as in layer.1.level=0.5")
        try:
            program.set(address.strip(), number_for(address.strip(), text))
        except KeyError as error:
            raise ValueError(f"--set {setting}: {error.args[0]}") from None
        except ValueError as error:
            raise ValueError(f"--set {setting}: {text!r} is not a number: {error}") from None
    return program, patch.title or path.stem
