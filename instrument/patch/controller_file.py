"""A controller file: controls that serve every patch, and the ports they come from."""

from collections.abc import Sequence
from pathlib import Path

from pydantic import Field, PrivateAttr, ValidationError

from instrument.engine.memory.layout import CONTROLS, CURVE_POINTS
from instrument.patch.patch_errors import PatchError, Problem
from instrument.patch.patch_file import check_version, parsed, read_text
from instrument.patch.schema.checks import has_parameter, problems_of
from instrument.patch.schema.controls import Control
from instrument.patch.schema.fields import PortNames, Table, Text
from instrument.patch.schema.patch_schema import SCHEMA, Patch
from instrument.patch.set_list_file import Version

EMPTY = f'schema = {SCHEMA}\ntitle = "Controls of every patch"\n'
"""Text of a controller file before anything is taught to it."""


class ControllerFile(Table):
    """Controls that serve every patch.

    Attributes
    ----------
    text : str
        The file's text, with comments and order.
    """

    version: Version = Field(alias="schema", description="version of the file format")
    title: Text = Field("", description="name of the controller or of the place where it stands")
    midi: PortNames = Field([], description="MIDI inputs to play from, unless the command line names others")
    feedback: bool = Field(True, description="false sends nothing back to controllers")
    control: list[Control] = Field([], description="MIDI messages to parameters and actions of every patch")

    _text: str = PrivateAttr("")

    @property
    def text(self) -> str:
        """The file's text."""
        return self._text


def load_controller(path: Path) -> ControllerFile:
    """Read and check a controller file; one that is not there yet is empty.

    Raises
    ------
    PatchError
        If it is not a controller file, naming every fault.
    """
    return controller_from_text(read_text(path) if path.exists() else EMPTY, path)


def controller_from_text(text: str, path: Path | str) -> ControllerFile:
    """Check the text of a controller file.

    Raises
    ------
    PatchError
    """
    data = parsed(text, str(path))
    check_version(data, text, str(path))
    try:
        found = ControllerFile.model_validate(data)
    except ValidationError as error:
        raise PatchError(path, *problems_of(error, data, text)) from None
    if len(found.control) > CONTROLS:
        sentence = f"it has {len(found.control)} controls, and {CONTROLS} can act at once; take some out."
        raise PatchError(path, Problem(sentence, "control"))
    found._text = text  # noqa: SLF001 - its own module
    return found


def serving_controls(patch: Patch, controller: ControllerFile) -> tuple[int, ...]:
    """Return the places of the controls of a controller file that serve a patch.

    What a control of the patch listens to is left to the patch alone. Controls of parameters that this patch has not
    are left out, and so are those for which there is no room.
    """
    # The patch comes first: what is left of the engine's two tables, of controls and of curve points, is filled in the order
    # of the controller file, so that the same ones serve every time.
    room = CONTROLS - len(patch.control)
    points = CURVE_POINTS - sum(len(control.points or []) for control in patch.control)
    added: list[int] = []
    for index, control in enumerate(controller.control):
        points -= len(control.points or [])
        if len(added) == room or points < 0:
            break
        if _serves(control, patch):
            added.append(index)
    return tuple(added)


def _serves(control: Control, patch: Patch) -> bool:
    if control.parameter is not None and not has_parameter(patch, control.parameter):
        return False
    return not any(overlap(control, own) for own in patch.control)


def overlap(one: Control, other: Control) -> bool:
    """Return whether one message can reach both controls."""
    channels = {one.channel, other.channel}
    if "any" not in channels and len(channels) > 1:
        return False
    # MIDI 1.0: controllers 0 to 31 are the coarse bytes of 14-bit pairs, 32 to 63 the fine ones.
    if {one.message, other.message} == {"cc", "cc14"}:
        single, pair = (one, other) if one.message == "cc" else (other, one)
        return "any" in {single.number, pair.number} or single.number in _bytes_of(pair.number)
    return one.message == other.message and ("any" in (one.number, other.number) or one.number == other.number)


def _bytes_of(number: int | str) -> Sequence[int]:
    return (number, number + 32) if isinstance(number, int) else ()
