"""A program before it is loaded: the record that the engine plays and the tables it refers to."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from instrument.engine.checked_tables import check_modulator, direction_table, gesture_cells, path_table, rows_table
from instrument.engine.forms.form_table import FORM_KINDS, FORM_TABLE
from instrument.engine.formulas.instructions import Formula, add_code, layer_location, modulator_location
from instrument.engine.memory.layout import (
    GESTURES,
    KEYS,
    LINK_ADD,
    LINK_MULTIPLY,
    PROGRAM,
    SNAPSHOT_VALUES,
    SNAPSHOTS,
    TERMS,
)
from instrument.engine.modulators.modulator_table import (
    MODULATOR_CURVE,
    MODULATOR_FORMULA,
    MODULATOR_GESTURE,
    MODULATOR_KINDS,
    MODULATOR_NONE,
    MODULATOR_STEPS,
)
from instrument.engine.modulators.schedule import lay_schedule
from instrument.engine.parameters import LAYER, LAYER_BASE, LAYER_SIZE, LINKS, LIVE_TERMS, ROWS, index_of, offset_in
from instrument.engine.signal.source_table import (
    SOURCE_FORMULA,
    SOURCE_HARMONIC,
    SOURCE_KINDS,
    SOURCE_NONE,
    SOURCE_PATH,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

CLICK = 1 / 127
"""Share of its range by which a click of an endless knob moves a parameter: as fine as an ordinary knob."""

_TERM_ROWS = offset_in(LAYER, "source.x.1.amplitude")


@dataclass
class Program:
    """One patch as plain arrays.

    Attributes
    ----------
    record : np.ndarray [shape=(), dtype=PROGRAM]
        What the engine reads; table offsets are filled in when it is loaded.
    reads_input : bool
        Whether a formula reads the live input.
    paths : dict of int to np.ndarray [shape=(frames, n, 3), dtype=float64]
        Closed paths by layer (0-based), first point of each frame not repeated.
    jumps : dict of int to np.ndarray [shape=(frames, k), dtype=float64]
        Jumps of these paths, as `signal.jump_table` lays them out, where they are eased.
    views : dict of int to np.ndarray [shape=(frames, 3), dtype=float64]
        Directions by layer, where each frame is what is seen from one.
    terms : dict of (int, int) to np.ndarray [shape=(k, 3), dtype=float64]
        Amplitude, ratio and phase of the terms past the playable ones, by layer and axis.
    tables : dict of int to np.ndarray [dtype=float64]
        Breakpoints, steps or cells by modulator (0-based).
    """

    record: npt.NDArray[np.void]
    reads_input: bool = False
    paths: dict[int, npt.NDArray[np.float64]] = field(default_factory=dict)
    jumps: dict[int, npt.NDArray[np.float64]] = field(default_factory=dict)
    views: dict[int, npt.NDArray[np.float64]] = field(default_factory=dict)
    terms: dict[tuple[int, int], npt.NDArray[np.float64]] = field(default_factory=dict)
    tables: dict[int, npt.NDArray[np.float64]] = field(default_factory=dict)

    def set(self, address: str, value: float) -> None:
        """Give a parameter its starting value.

        Raises
        ------
        KeyError
            If there is no such address.
        """
        self.record["base"][index_of(address)] = value

    def draw_harmonic(self, layer: int, axes: tuple[npt.NDArray[np.float64], ...]) -> None:
        """Let a layer draw sums of sines.

        Parameters
        ----------
        layer : int, 0-based
        axes : three np.ndarray [shape=(k, 3), dtype=float64]
            Rows of amplitude, ratio and phase (turns) for x, y and z; none draws 0.

        Raises
        ------
        ValueError
            If an axis has more than `layout.TERMS` terms.
        """
        row = self.record["layers"][layer]
        row["source"] = SOURCE_HARMONIC
        for axis, table in enumerate(axes):
            if len(table) > TERMS:
                raise ValueError(f"an axis has {len(table)} harmonic terms; at most {TERMS} are played")
            row["terms"][axis] = len(table)
            first = LAYER_BASE + layer * LAYER_SIZE + _TERM_ROWS + axis * LIVE_TERMS * 3
            for k, term in enumerate(table[:LIVE_TERMS]):
                self.record["base"][first + 3 * k : first + 3 * k + 3] = term
            if len(table) > LIVE_TERMS:
                self.terms[layer, axis] = np.ascontiguousarray(table[LIVE_TERMS:], np.float64)

    def draw_path(self, layer: int, points: npt.NDArray[np.float64], seconds: float = 0.0) -> None:
        """Let a layer run along a closed path, or along the frames of a flip-book.

        Parameters
        ----------
        layer : int, 0-based
        points : np.ndarray [shape=(n, 3) or (frames, n, 3), dtype=float64]
            Points at equal distances along the path, first point not repeated.
        seconds : float
            Time that all frames take at their own speed; 0 where they have none.

        Raises
        ------
        ValueError
            If there is no point, or a coordinate or the time is not finite.
        """
        table, axes = path_table(points)
        if not 0.0 <= seconds < np.inf:
            raise ValueError(f"a clip takes a time from 0 seconds on, not {seconds}")
        row = self.record["layers"][layer]
        row["source"] = SOURCE_PATH
        row["frames"], row["points"] = table.shape[:2]
        row["axes"], row["seconds"] = axes, seconds
        row["jump_rows"] = row["views"] = 0
        if len(table) > 1:
            # Pages turn by the number of the round.
            row["counts"] = self.record["clips"] = 1
        self.paths[layer] = table
        self.jumps.pop(layer, None)
        self.views.pop(layer, None)

    def draw_directions(self, layer: int, points: npt.NDArray[np.float64], directions: npt.NDArray[np.float64]) -> None:
        """Let a layer run along one of several closed paths, by the direction that it is seen from.

        Parameters
        ----------
        layer : int, 0-based
        points : np.ndarray [shape=(d, n, 3), dtype=float64]
        directions : np.ndarray [shape=(d, 3), dtype=float64]
            From the model towards the eye, all of one length.

        Raises
        ------
        ValueError
            If a path or a direction is refused.
        """
        table = direction_table(directions, len(points))
        self.draw_path(layer, points)
        row = self.record["layers"][layer]
        row["views"] = len(table)
        row["axes"] = 3
        row["counts"] = 1  # a direction is chosen when a round begins
        self.views[layer] = table

    def form(self, layer: int, kinds: Sequence[str]) -> None:
        """Let a layer's drawing pass through forms, in this order, instead of those it had.

        Parameters
        ----------
        layer : int, 0-based
        kinds : sequence of str
            Names from `form_table.FORM_KINDS`, each at most once.

        Raises
        ------
        ValueError
            If there is no such form, or one is named twice (more than there is room for cannot be named).
        """
        for index, kind in enumerate(kinds):
            if kind not in FORM_KINDS:
                near = difflib.get_close_matches(kind, FORM_KINDS, n=1)
                hint = f"did you mean {near[0]}?" if near else f"forms are {', '.join(FORM_KINDS)}."
                raise ValueError(f"there is no form {kind!r}; {hint}")
            if kind in kinds[:index]:
                raise ValueError(f"the form {kind} is named twice; a layer passes each form at most once")
        row = self.record["layers"][layer]
        row["n_forms"] = len(kinds)
        row["forms"][: len(kinds)] = [FORM_KINDS.index(kind) for kind in kinds]
        if any(FORM_TABLE[kind].counts_rounds for kind in kinds):
            row["counts"] = 1

    def draw_formula(self, layer: int, axes: Sequence[Formula | None]) -> None:
        """Let a layer draw what formulas say of x, y and z.

        Parameters
        ----------
        layer : int, 0-based
        axes : up to three Formula or None
            None, and an axis that is not given, draws 0.

        Raises
        ------
        ValueError
            If the program has no room for so many instructions or constants.
        """
        row = self.record["layers"][layer]
        row["source"] = SOURCE_FORMULA
        row["instructions"] = 0
        for axis, formula in enumerate(axes):
            if formula is None:
                continue
            names = [layer_location(name, layer) for name in formula.names]
            row["code"][axis], row["instructions"][axis] = add_code(self.record, formula, names)
            if "n" in formula.reads:
                row["counts"] = 1
            self._note_reading(formula)

    def modulate_by_formula(self, modulator: int, formula: Formula) -> None:
        """Let a modulator move as a formula says; a modulator is 0-based.

        Raises
        ------
        ValueError
            If the program has no room for so many instructions or constants.
        """
        self.modulate(modulator, MODULATOR_FORMULA)
        row = self.record["modulators"][modulator]
        names = [modulator_location(name, modulator) for name in formula.names]
        row["code"], row["instructions"] = add_code(self.record, formula, names)
        self._note_reading(formula)

    def _note_reading(self, formula: Formula) -> None:
        if not formula.reads.isdisjoint(("left", "right")):
            self.reads_input = True

    def draw(self, layer: int, kind: str) -> None:
        """Let a layer draw a source that needs no more than its parameters, such as the live input.

        Parameters
        ----------
        layer : int, 0-based
        kind : str
            Name from `source_table.SOURCE_TABLE`.

        Raises
        ------
        ValueError
            If there is no such source.
        """
        self.record["layers"][layer]["source"] = SOURCE_KINDS.index(kind)

    def tune(self, away: npt.NDArray[np.float64]) -> None:
        """Let keys sound other pitches than in equal temperament.

        Parameters
        ----------
        away : np.ndarray [shape=(KEYS,), dtype=float64]
            Semitones that each key is away from there; one that is not finite leaves the pen at rest.

        Raises
        ------
        ValueError
            If it has another shape.
        """
        if away.shape != (KEYS,):
            raise ValueError(f"a tuning is {KEYS} numbers, one for each key, not an array of {away.shape}")
        self.record["tuned"] = 1
        self.record["tuning"] = away

    def clear_layer(self, layer: int) -> None:
        """Let a layer draw nothing."""
        self.record["layers"][layer]["source"] = SOURCE_NONE

    def modulate(self, number: int, kind: int) -> None:
        """Let a modulator be of a kind; what it had of another one is forgotten.

        Parameters
        ----------
        number : int, 0-based
        kind : int
            One of the `MODULATOR_` numbers of `modulator_table`; a curve, steps and a gesture also want their table.

        Raises
        ------
        ValueError
            If there is no such modulator or kind, or one gesture too many.
        """
        check_modulator(number)
        if not 0 <= kind < len(MODULATOR_KINDS):
            raise ValueError(f"there is no kind of modulator {kind}; kinds are {', '.join(MODULATOR_KINDS)}")
        row = self.record["modulators"][number]
        row["kind"], row["count"] = kind, 0
        self.tables.pop(number, None)
        if kind == MODULATOR_GESTURE:
            others = [k for k, row in enumerate(self.record["modulators"]) if row["kind"] == kind and k != number]
            if len(others) == GESTURES:
                row["kind"] = MODULATOR_NONE
                raise ValueError(f"modulator {number + 1} is one gesture too many; at most {GESTURES} are played")
            taken = {int(self.record["modulators"]["gesture"][k]) for k in others}
            row["gesture"] = min(set(range(GESTURES)) - taken)

    def modulate_by_curve(self, number: int, points: npt.NDArray[np.float64]) -> None:
        """Let a modulator run through breakpoints.

        Parameters
        ----------
        number : int, 0-based
        points : np.ndarray [shape=(k, 3), dtype=float64]
            Time (0 to 1, not falling), value, and bend of the way to the next point (0 straight).

        Raises
        ------
        ValueError
            If there is no point, a number is not finite, or times fall.
        """
        table = rows_table(points, 3, "a curve", "time, value and bend")
        if (np.diff(table[:, 0]) < 0.0).any():
            raise ValueError("the times of a curve fall; give its points in order of time")
        self.modulate(number, MODULATOR_CURVE)
        self._lay_table(number, table)

    def modulate_by_steps(self, number: int, steps: npt.NDArray[np.float64]) -> None:
        """Let a modulator play steps, all of the same length, that fill its cycle.

        Parameters
        ----------
        number : int, 0-based
        steps : np.ndarray [shape=(k, 4), dtype=float64]
            Value, share of the step in which it glides there, probability of being played, and share of the step
            after which the value falls to 0 (1: not at all).

        Raises
        ------
        ValueError
            If there is no step or a number is not finite.
        """
        table = rows_table(steps, 4, "a row of steps", "value, glide, probability and gate")
        self.modulate(number, MODULATOR_STEPS)
        self._lay_table(number, table)

    def modulate_by_gesture(self, number: int, values: npt.NDArray[np.float64] | None = None) -> None:
        """Let a modulator play a gesture, empty or as recorded before.

        Parameters
        ----------
        number : int, 0-based
        values : np.ndarray [shape=(k,), dtype=float64], optional
            What it begins with, at equal distances along its cycle.

        Raises
        ------
        ValueError
            If it is one gesture too many, or a value is not finite.
        """
        cells = gesture_cells(values)
        self.modulate(number, MODULATOR_GESTURE)
        if len(cells):
            self._lay_table(number, cells)

    def _lay_table(self, number: int, table: npt.NDArray[np.float64]) -> None:
        self.record["modulators"][number]["count"] = len(table)
        self.tables[number] = table

    def add_snapshot(self, values: Mapping[str, float]) -> None:
        """Add a snapshot, the next one counted from 1.

        Parameters
        ----------
        values : mapping of str to float
            Value by address.

        Raises
        ------
        KeyError
            If there is no such address.
        ValueError
            If the program has no room for so many snapshots or values.
        """
        number = int(self.record["n_snapshots"])
        first = sum(int(row["count"]) for row in self.record["snapshots"][:number])
        if number == SNAPSHOTS or first + len(values) > SNAPSHOT_VALUES:
            raise ValueError(
                f"a patch holds {SNAPSHOTS} snapshots of {SNAPSHOT_VALUES} values together at most; leave some out"
            )
        for k, (param, value) in enumerate(sorted((index_of(name), value) for name, value in values.items())):
            self.record["snapshot_values"][first + k] = (value, param)
        self.record["snapshots"][number] = (first, len(values))
        self.record["n_snapshots"] = number + 1

    def link(self, number: int, modulator: int, address: str, operation: int = LINK_ADD) -> None:
        """Connect a modulator to a parameter.

        Parameters
        ----------
        number : int
            Link, 0-based; links are made in order, without gaps.
        modulator : int
            0-based.
        address : str
        operation : int
            `LINK_ADD` or `LINK_MULTIPLY`.

        Raises
        ------
        KeyError
            If there is no such address.
        ValueError
            If a number is out of range.
        """
        if not 0 <= number <= int(self.record["n_links"]) or number >= LINKS:
            raise ValueError(f"link {number + 1} is out of order; links are made from 1 to {LINKS} without gaps")
        check_modulator(modulator)
        if operation not in {LINK_ADD, LINK_MULTIPLY}:
            raise ValueError(f"there is no link operation {operation}")
        row = self.record["links"][number]
        row["modulator"] = modulator
        row["param"] = index_of(address)
        row["operation"] = operation
        self.record["n_links"] = max(int(self.record["n_links"]), number + 1)

    def schedule(self) -> None:
        """Work out the order of modulators and links, and which links are delayed; call it after the last link is made.

        Raises
        ------
        ValueError
            If a link's modulator is not in use.
        """
        lay_schedule(self.record)


def new_program() -> Program:
    """Return a program with every parameter at its default and nothing to draw."""
    record = np.zeros((), PROGRAM)
    record["ramp_seconds"] = 0.005
    record["fade_seconds"] = 0.005
    record["base"] = [row.default for row in ROWS]
    record["jumps"] = [1 if row.choices else 0 for row in ROWS]
    record["circles"] = [1 if row.circular else 0 for row in ROWS]
    record["controls"]["step"] = CLICK
    return Program(record)
