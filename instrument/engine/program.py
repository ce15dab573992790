"""A program before it is loaded: the record that the engine plays and the tables it refers to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from instrument.engine.layout import (
    LINK_ADD,
    LINK_MULTIPLY,
    MODULATOR_NONE,
    PROGRAM,
    SNAPSHOT_VALUES,
    SNAPSHOTS,
    SOURCE_HARMONIC,
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

CLICK = 1 / 127
"""Share of its range by which a click of an endless knob moves a parameter: as fine as an ordinary knob."""

if TYPE_CHECKING:
    from collections.abc import Mapping

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

    def clear_layer(self, layer: int) -> None:
        """Let a layer draw nothing."""
        self.record["layers"][layer]["source"] = SOURCE_NONE

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
    record["circles"] = [1 if row.circular else 0 for row in ROWS]
    record["controls"]["step"] = CLICK
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
