"""A patch's program with changes typed beside it, such as ``layer.1.level=0.5``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.patch.build import build_program
from instrument.patch.load import load_patch
from instrument.patch.number import number_for

if TYPE_CHECKING:
    from pathlib import Path

    from instrument.engine.program import Program


def load_program(path: Path, settings: list[str]) -> Program:
    """Return a patch's program with changes made.

    Parameters
    ----------
    path : Path
    settings : list of str
        ``ADDRESS=VALUE``, any number.

    Raises
    ------
    ValueError
        If the patch or a change is refused.
    """
    program = build_program(load_patch(path))
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
    return program
