"""A program before it is loaded: the record that the engine plays and the tables it refers to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from instrument.engine.formula_code import (
    LAYER_NAMES,
    Formula,
    place_in_layer,
    place_in_modulator,
    placed,
)
from instrument.engine.layout import (
    CODE,
    CONSTANTS,
    LINK_ADD,
    LINK_MULTIPLY,
    MODULATOR_KINDS,
    MODULATOR_NONE,
    PROGRAM,
    SOURCE_FORMULA,
    SOURCE_HARMONIC,
    SOURCE_INPUT,
    SOURCE_NONE,
    SOURCE_PATH,
    STEP_BASE,
    STEP_LINK,
    STEP_MODULATOR,
    TERMS,
)
from instrument.engine.parameters import (
    LAYER,
    LAYER_BASE,
    LAYER_SIZE,
    LINK_BASE,
    LINK_SIZE,
    LINKS,
    LIVE_TERMS,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    MODULATORS,
    ROWS,
    index_of,
    offset_in,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

_TERM_ROWS = offset_in(LAYER, "source.x.1.amplitude")


@dataclass
class Program:
    """One patch as plain arrays.

    Attributes
    ----------
    record : np.ndarray [shape=(), dtype=PROGRAM]
        What the engine reads; table offsets are filled in when it is loaded.
    paths : dict of int to np.ndarray [shape=(frames, n, 3), dtype=float64]
        Closed paths by layer (0-based), first point of each frame not repeated.
    terms : dict of (int, int) to np.ndarray [shape=(k, 3), dtype=float64]
        Amplitude, ratio and phase of the terms past the playable ones, by layer and axis.
    """

    record: npt.NDArray[np.void]
    paths: dict[int, npt.NDArray[np.float64]] = field(default_factory=dict)
    terms: dict[tuple[int, int], npt.NDArray[np.float64]] = field(default_factory=dict)

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

    def draw_path(self, layer: int, points: npt.NDArray[np.float64]) -> None:
        """Let a layer run along a closed path, or along the frames of a flip-book.

        Parameters
        ----------
        layer : int, 0-based
        points : np.ndarray [shape=(n, 3) or (frames, n, 3), dtype=float64]
            Points at equal distances along the path, first point not repeated.

        Raises
        ------
        ValueError
            If there is no point or a coordinate is not finite.
        """
        table = np.ascontiguousarray(points, np.float64)
        if table.ndim == 2:
            table = table[np.newaxis]
        if table.ndim != 3 or table.shape[2] != 3 or table.size == 0:
            raise ValueError(f"a path is (n, 3) or (frames, n, 3) points, none of them 0, not {points.shape}")
        if not np.isfinite(table).all():
            raise ValueError("a path holds a coordinate that is not finite")
        row = self.record["layers"][layer]
        row["source"] = SOURCE_PATH
        row["frames"], row["points"] = table.shape[:2]
        self.paths[layer] = table

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
            names = [place_in_layer(name, layer) for name in formula.names]
            row["code"][axis], row["instructions"][axis] = self._add_code(formula, names)
            if "n" in formula.reads:
                row["counts"] = 1

    def modulate_by_formula(self, modulator: int, formula: Formula) -> None:
        """Let a modulator move as a formula says; a modulator is 0-based.

        Raises
        ------
        ValueError
            If the program has no room for so many instructions or constants.
        """
        row = self.record["modulators"][modulator]
        row["kind"] = MODULATOR_KINDS.index("formula")
        names = [place_in_modulator(name, modulator) for name in formula.names]
        row["code"], row["instructions"] = self._add_code(formula, names)

    def _add_code(self, formula: Formula, names: list[int]) -> tuple[int, int]:
        first, count = int(self.record["n_code"]), len(formula.instructions)
        if first + count > CODE:
            raise ValueError(
                f"the formulas of a patch come to more than {CODE} instructions together; make some of them shorter"
            )
        constants = [self._constant(value) for value in formula.constants]
        self.record["code"][first : first + count] = placed(formula, constants, names)
        self.record["n_code"] = first + count
        if not formula.reads.isdisjoint(LAYER_NAMES):
            self.record["short"] = 1
        return first, count

    def _constant(self, value: float) -> int:
        # The row of a constant, by its bits: 0 is not -0.
        count = int(self.record["n_constants"])
        bits = np.float64(value).view(np.int64)
        known = np.flatnonzero(self.record["constants"][:count, 0].view(np.int64) == bits)
        if len(known):
            return int(known[0])
        if count == CONSTANTS:
            raise ValueError(
                f"the formulas of a patch hold more than {CONSTANTS} different numbers; use knobs for some of them"
            )
        self.record["constants"][count] = value
        self.record["n_constants"] = count + 1
        return count

    def draw_input(self, layer: int) -> None:
        """Let a layer (0-based) draw the live input: the left channel is x, the right one y."""
        self.record["layers"][layer]["source"] = SOURCE_INPUT

    def clear_layer(self, layer: int) -> None:
        """Let a layer draw nothing."""
        self.record["layers"][layer]["source"] = SOURCE_NONE

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
            raise ValueError(
                f"link {number + 1} is out of order; links are made from 1 to {LINKS} without gaps"
            )
        if not 0 <= modulator < MODULATORS:
            raise ValueError(
                f"there is no modulator {modulator + 1}; they are counted from 1 to {MODULATORS}"
            )
        if operation not in {LINK_ADD, LINK_MULTIPLY}:
            raise ValueError(f"there is no link operation {operation}")
        row = self.record["links"][number]
        row["modulator"] = modulator
        row["param"] = index_of(address)
        row["operation"] = operation
        self.record["n_links"] = max(int(self.record["n_links"]), number + 1)

    def schedule(self) -> None:
        """Work out the order of modulators and links; call it after the last link is made.

        Raises
        ------
        ValueError
            If a modulator reaches itself through links, or a link's modulator is not in use.
        """
        steps = order_steps(self.record)
        self.record["n_steps"] = len(steps)
        for k, step in enumerate(steps):
            self.record["schedule"][k] = step


def new_program() -> Program:
    """Return a program with every parameter at its default and nothing to draw."""
    record = np.zeros((), PROGRAM)
    record["ramp_seconds"] = 0.005
    record["fade_seconds"] = 0.005
    record["base"] = [row.default for row in ROWS]
    record["jumps"] = [1 if row.choices else 0 for row in ROWS]
    return Program(record)


def order_steps(record: npt.NDArray[np.void]) -> list[tuple[int, int]]:
    """Return (operation, index) steps such that everything is evaluated before it is used.

    A linked parameter's own row is begun first, then its links follow, each after its modulator and
    after the links that move its depth and offset; a modulator comes after links to its parameters.

    Raises
    ------
    ValueError
        If a modulator reaches itself, or a link's modulator is not in use.
    """
    links = [(int(row["modulator"]), int(row["param"])) for row in record["links"][: int(record["n_links"])]]
    by_target: dict[int, list[int]] = {}
    for number, (modulator, param) in enumerate(links):
        if record["modulators"]["kind"][modulator] == MODULATOR_NONE:
            raise ValueError(f"link {number + 1} is moved by modulator {modulator + 1}, which is not in use")
        by_target.setdefault(param, []).append(number)
    steps: list[tuple[int, int]] = []
    done: set[tuple[str, int]] = set()
    under_way: set[tuple[str, int]] = set()

    def visit(kind: str, index: int) -> None:
        if (kind, index) in done:
            return
        if (kind, index) in under_way:
            raise ValueError("a modulator reaches itself through its links; take one link of the circle out")
        under_way.add((kind, index))
        if kind == "modulator":
            first = MODULATOR_BASE + index * MODULATOR_SIZE
            for param in range(first, first + MODULATOR_SIZE):
                visit("param", param)
            steps.append((STEP_MODULATOR, index))
        elif index in by_target:
            for number in by_target[index]:
                visit("modulator", links[number][0])
                first = LINK_BASE + number * LINK_SIZE
                for param in range(first, first + LINK_SIZE):
                    visit("param", param)
            steps.append((STEP_BASE, index))
            steps.extend((STEP_LINK, number) for number in by_target[index])
        under_way.discard((kind, index))
        done.add((kind, index))

    for param in by_target:
        visit("param", param)
    for number in range(MODULATORS):
        if record["modulators"]["kind"][number] != MODULATOR_NONE:
            visit("modulator", number)
    return steps
