"""Patch files as the show holds them: text, program and the description that the window shows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from instrument.engine.parameters import ADDRESSES
from instrument.patch.build import base_values, build_program
from instrument.patch.description import document_of, parameters_of
from instrument.patch.editing.rewrite import rewritten
from instrument.patch.editing.save import save_patch
from instrument.patch.patch_drawings import (
    USUAL_RATE,
    corner_counts,
    drawing_files,
    follows_rate,
    read_drawings,
)
from instrument.patch.patch_errors import PatchError
from instrument.patch.patch_file import load_patch, patch_from_text
from instrument.patch.rich_drawings import drawing_remarks
from instrument.repertoire.controls_file import controls_file, with_controller

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from instrument.engine.program import Program
    from instrument.patch.editing.rewrite import Change
    from instrument.patch.schema.patch_schema import Patch


@dataclass(frozen=True)
class PatchDescription:
    """Description of a patch, as the window is told it.

    Attributes
    ----------
    document : dict
        Tables of the file, see `patch.description.plain`.
    parameters : list of dict
        See `patch.description.parameters_of`.
    snapshots : tuple of str
        Names.
    played : str
        Text with the controls of the controller file.
    """

    document: dict[str, Any] = field(default_factory=dict)
    parameters: list[dict[str, Any]] = field(default_factory=list)
    snapshots: tuple[str, ...] = ()
    played: str = ""


@dataclass(frozen=True)
class LoadedPatch:
    """One patch, ready to play.

    Attributes
    ----------
    path : Path
    text : str
        Text of the file.
    program : Program
    title : str
        Title of the patch, or the name of its file.
    layers : int
    controls : tuple of dict
        Label, message, number, channel and parameter of each control, for the window; ``all`` where it is the controller
        file's, and its ``place`` in its file.
    files : tuple of Path
        Drawings, fonts and numbered folders that it is made from, and the controller file.
    drawn : tuple of str
        Digest of each drawing, the same for the same line.
    controller_key : str
        Digest of the controller file.
    corners : tuple of (int, int)
        Number, from 1, and corners of each layer that runs along a path.
    warnings : tuple of str
        Sentences on what was left out of the drawings.
    unfinished : str
        How far drawings have come that are being drawn from further directions; empty where there is no more to come.
    played : str
        Text with the controls of the controller file, which builds what is played.
    midi : tuple of str
        MIDI inputs that it remembers.
    feedback : bool
        Whether values are sent back to controllers while it plays.
    rate : float or None
        Sample rate in hertz that a drawing of it is fitted to; None where none is.
    description : PatchDescription
    """

    path: Path
    text: str
    program: Program
    title: str
    layers: int
    controls: tuple[dict[str, Any], ...] = field(default=())
    files: tuple[Path, ...] = ()
    drawn: tuple[str, ...] = ()
    controller_key: str = ""
    corners: tuple[tuple[int, int], ...] = ()
    warnings: tuple[str, ...] = ()
    unfinished: str = ""
    played: str = ""
    midi: tuple[str, ...] = ()
    feedback: bool = True
    rate: float | None = None
    description: PatchDescription = field(default_factory=PatchDescription)

    @property
    def made_from(self) -> tuple[object, ...]:
        """Digests of what its program is made from beside its text, to tell whether it is another one."""
        return self.drawn, self.controller_key


def read_patch(path: Path, rate: float = USUAL_RATE) -> LoadedPatch:
    """Read, check and build a patch file, with drawings fitted to a sample rate in hertz where they follow it.

    Raises
    ------
    PatchError
        If it cannot be played.
    """
    return _loaded(path, load_patch(path), rate)


def files_named_in(path: Path) -> tuple[Path, ...]:
    """Return the drawings that a patch names even if they cannot be drawn; nothing if it is no patch."""
    try:
        return drawing_files(load_patch(path))
    except PatchError:
        return ()


def build_text(path: Path, text: str, rate: float = USUAL_RATE) -> LoadedPatch:
    """Check and build a text as if it stood in a file.

    Raises
    ------
    PatchError
        If it cannot be played.
    """
    return _loaded(path, patch_from_text(text, path), rate)


def edit_patch(path: Path, text: str, changes: Sequence[Change], rate: float = USUAL_RATE) -> LoadedPatch:
    """Change the text of a patch and build it; the file is left alone.

    Raises
    ------
    EditError
        If the text cannot be changed so.
    PatchError
        If what it becomes cannot be played.
    """
    return build_text(path, rewritten(text, changes), rate)


def write_patch(
    path: Path, text: str, values: list[float], saved: str | None = None, to: Path | None = None
) -> tuple[str, PatchDescription]:
    """Save a patch with other values; return its new text and what the window is told of it.

    Parameters
    ----------
    path : Path
    text : str
        The patch as it is now.
    values : list of float
        In the order of `parameters.ADDRESSES`.
    saved : str, optional
        Text that the file held when it was read or written last, if that is another one.
    to : Path, optional
        Another file to write.

    Raises
    ------
    PatchError
        If the file has been changed meanwhile, or cannot be written.
    """
    patch = patch_from_text(text, path)
    save_patch(patch, dict(zip(ADDRESSES, values, strict=True)), to or path, saved)
    written = patch_from_text(patch.text, patch.path)
    return patch.text, _description(written, values, with_controller(written).text)


def _loaded(path: Path, patch: Patch, rate: float) -> LoadedPatch:
    # Drawings and title are the patch's own; program and controls those of the patch with the controller file.
    served = with_controller(patch)
    controls = tuple(
        {
            "place": k if k < len(patch.control) else served.indices[k - len(patch.control)],
            "all": k >= len(patch.control),
            "label": control.label,
            "message": control.message,
            "number": control.number,
            "channel": control.channel,
            "parameter": control.parameter or f"{control.action} {control.choose or ''}".strip(),
        }
        for k, control in enumerate(served.patch.control)
    )
    drawings = read_drawings(patch, rate, in_stages=True)
    program = build_program(served.patch, drawings)
    return LoadedPatch(
        path,
        patch.text,
        program,
        patch.title or path.stem,
        len(patch.layer),
        controls,
        # The controller file too, so that a control taught for all patches is in each of them at once.
        files=(*drawing_files(patch), controls_file()),
        drawn=tuple(drawn.key for drawn in drawings.values()),
        controller_key=served.key,
        corners=corner_counts(patch, drawings),
        warnings=tuple(drawing_remarks(drawings)),
        unfinished=", ".join(drawn.unfinished for drawn in drawings.values() if drawn.unfinished),
        played=served.text,
        midi=tuple(patch.midi),
        feedback=served.feedback,
        rate=rate if follows_rate(patch) else None,
        description=_description(patch, base_values(program).tolist(), served.text),
    )


def _description(patch: Patch, base: list[float], played: str) -> PatchDescription:
    names = tuple(snapshot.name or f"snapshot {k + 1}" for k, snapshot in enumerate(patch.snapshot))
    return PatchDescription(document_of(patch.text), parameters_of(patch, base), names, played)
