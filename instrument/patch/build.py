"""Programs of checked patches: the plain arrays that the engine plays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.forms.form_table import FORM_TABLE
from instrument.engine.memory.layout import ACTIONS, CURVES, GRIPS, LINK_ADD, LINK_MULTIPLY, MANNERS, MESSAGES
from instrument.engine.modulators.modulator_table import MODULATOR_KINDS, MODULATOR_TABLE
from instrument.engine.parameters import AXES, LINK, LIVE_TERMS, PATCH, index_of
from instrument.engine.program import Program, new_program
from instrument.engine.signal.jump_table import lay_jumps
from instrument.engine.signal.source_table import SOURCE_TABLE
from instrument.patch.formula.parser import compile_formula
from instrument.patch.number import number_for
from instrument.patch.patch_drawings import USUAL_RATE, read_drawings
from instrument.patch.patch_errors import PatchError, Problem
from instrument.patch.patch_file import load_patch
from instrument.patch.schema.checks import modulator_index
from instrument.patch.schema.controls import COUNTED
from instrument.patch.schema.fields import parameter_values
from instrument.patch.schema.modulators import table_of
from instrument.patch.schema.patch_schema import LAYER_FIELDS, Patch
from instrument.patch.schema.sources import Along, DrawnSource, FlipBook, Formulas, Harmonic

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from instrument.patch.drawing_cache import SampledDrawing
    from instrument.patch.figures import Axes


_OPERATION = {"add": LINK_ADD, "multiply": LINK_MULTIPLY}


def build_program(patch: Patch, drawings: Mapping[int, SampledDrawing] | None = None) -> Program:
    """Return the program of a patch.

    Parameters
    ----------
    patch : Patch
        As `load_patch` gives it.
    drawings : mapping of int to SampledDrawing, optional
        Its drawings by layer, counted from 0, where `read_drawings` has read them already.

    Returns
    -------
    Program

    Raises
    ------
    PatchError
        If a drawing is refused, or there are more formulas, gestures or snapshots than a program holds.

    See Also
    --------
    load_program : the same from a file, with changes typed beside it.
    instrument.patch.patch_drawings.read_drawings : the drawings that it takes.
    """
    drawings = read_drawings(patch) if drawings is None else drawings
    try:
        return _built(patch, drawings)
    except ValueError as error:
        if isinstance(error, PatchError):
            raise
        raise PatchError(patch.path or "patch", Problem(f"{error}.")) from None


def _built(patch: Patch, drawings: Mapping[int, SampledDrawing]) -> Program:
    program = new_program()
    program.record["ramp_seconds"] = patch.ramp
    program.record["fade_seconds"] = patch.fade
    for name, value in parameter_values(patch, PATCH):
        program.set(name, value)
    away = patch.tuning.semitones_away()
    if away is not None:
        program.tune(away)
    # Fields first, then [values] at the end, which win over all fields.
    _build_layers(patch, program, drawings)
    for k, modulator in enumerate(patch.modulator):
        _build_modulator(program, k, modulator)
        for name, value in parameter_values(modulator, MODULATOR_TABLE[modulator.kind].parameters):
            program.set(f"mod.{k + 1}.{name}", value)
    _build_links(patch, program)
    _build_controls(patch, program)
    for snapshot in patch.snapshot:
        program.add_snapshot(snapshot.values)
    for address, value in patch.values.items():
        program.set(address, value)
    return program


def base_values(program: Program) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the starting value of every parameter, in the order of `parameters.ADDRESSES`."""
    return np.array(program.record["base"], np.float64)


def _build_layers(patch: Patch, program: Program, drawings: Mapping[int, SampledDrawing]) -> None:
    for k, layer in enumerate(patch.layer):
        for name, value in parameter_values(layer, LAYER_FIELDS):
            program.set(f"layer.{k + 1}.{name}", value)
        _build_source(patch, program, k, drawings)
        program.form(k, [form.kind for form in layer.form])
        for form in layer.form:
            for name, value in parameter_values(form, FORM_TABLE[form.kind].parameters):
                program.set(f"layer.{k + 1}.form.{form.kind}.{name}", value)


def _build_source(patch: Patch, program: Program, k: int, drawings: Mapping[int, SampledDrawing]) -> None:
    source = patch.layer[k].source
    match source:
        case None:
            return
        case Harmonic():
            # Its rows are the terms.
            program.draw_harmonic(k, _with_played_terms(patch, k + 1, source.tables()))
            return
        case Formulas():
            texts = [source.x, source.y, source.z]
            program.draw_formula(k, [None if text is None else compile_formula(text) for text in texts])
        case Along():
            _draw_path(program, k, source, drawings.get(k))
        case _:
            program.draw(k, source.kind)
    for name, value in parameter_values(source, SOURCE_TABLE[source.kind].parameters):
        program.set(f"layer.{k + 1}.source.{name}", value)


def _draw_path(program: Program, k: int, source: Along, drawn: SampledDrawing | None) -> None:
    if drawn is None:
        own = source.seconds_of(len(source.frames)) if isinstance(source, FlipBook) else 0.0
        program.draw_path(k, source.table(), own)
    elif drawn.views is None:
        program.draw_path(k, drawn.points, drawn.seconds)
    else:
        program.draw_directions(k, drawn.points, drawn.views)
    if drawn is not None and drawn.leaps is not None and isinstance(source, DrawnSource):
        lay_jumps(program, k, drawn.leaps, source.jump_samples, source.jump_share)


def _build_modulator(program: Program, k: int, modulator: Any) -> None:
    match modulator.kind:
        case "curve":
            program.modulate_by_curve(k, table_of(modulator))
        case "steps":
            program.modulate_by_steps(k, table_of(modulator))
        case "gesture":
            program.modulate_by_gesture(k, table_of(modulator))
        case "formula":
            program.modulate_by_formula(k, compile_formula(modulator.formula))
        case kind:
            program.modulate(k, MODULATOR_KINDS.index(kind))


def _with_played_terms(patch: Patch, number: int, tables: Axes) -> Axes:
    # A term that a link or a control moves is there from the start, silent, or they would move nothing.
    needed = dict.fromkeys(AXES, 0)
    moved = [link.parameter for link in patch.link]
    moved += [control.parameter for control in patch.control if control.parameter is not None]
    moved += [address for snapshot in patch.snapshot for address in snapshot.values]
    for address in moved:
        match address.split("."):
            case ["layer", layer, "source", axis, term, _] if int(layer) == number and axis in AXES:
                needed[axis] = max(needed[axis], int(term))
    x, y, z = (_lengthened(table, needed[axis]) for table, axis in zip(tables, AXES, strict=True))
    return x, y, z


def _lengthened(
    table: np.ndarray[tuple[int, int], np.dtype[np.float64]] | np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    count: int,
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    silent = [(0.0, float(k + 1), 0.0) for k in range(len(table), min(count, LIVE_TERMS))]
    return np.vstack([table, silent]) if silent else table


def _build_links(patch: Patch, program: Program) -> None:
    for k, link in enumerate(patch.link):
        modulator = modulator_index(patch, link.modulator)
        if modulator is None:
            raise ValueError(f"link {k + 1} names no modulator; load the patch with load_patch, which checks it")
        program.link(k, modulator, link.parameter, _OPERATION[link.operation])
        for name, value in parameter_values(link, LINK):
            program.set(f"link.{k + 1}.{name}", value)
    program.schedule()


def _build_controls(patch: Patch, program: Program) -> None:
    program.record["n_controls"] = len(patch.control)
    at = 0
    for row, control in zip(program.record["controls"], patch.control, strict=False):
        row["lo"], row["hi"] = control.sweep
        row["message"] = MESSAGES.index(control.message)
        row["channel"] = control.channel - 1 if isinstance(control.channel, int) else -1
        row["number"] = control.number if isinstance(control.number, int) else -1
        row["param"] = index_of(control.parameter) if control.parameter is not None else 0
        row["action"] = ACTIONS.index(control.action or "none")
        row["argument"] = np.nan if control.choose is None and control.action in COUNTED else control.choose or 0
        row["manner"] = MANNERS.index(control.manner)
        row["grip"] = GRIPS.index(control.grip)
        row["group"] = control.group
        row["step"] = control.step
        row["acceleration"] = control.acceleration
        row["by_bend_range"] = int(control.message == "bend" and control.range is None)
        row["curve"] = CURVES.index(control.shape)
        points = control.points or []
        row["first_point"] = at if points else 0
        row["points"] = len(points)
        for pair in points:
            program.record["curve_points"][at] = pair
            at += 1


def load_program(path: Path, settings: Iterable[str] = (), rate: float = USUAL_RATE) -> tuple[Program, str]:
    """Return a patch's program with changes made, and the patch's title.

    Parameters
    ----------
    path : Path
    settings : iterable of str
        ``ADDRESS=VALUE``, any number.
    rate : float
        Sample rate in hertz at which it will be played.

    Raises
    ------
    ValueError
        If the patch or a change is refused.
    """
    patch = load_patch(path)
    program = build_program(patch, read_drawings(patch, rate))
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
