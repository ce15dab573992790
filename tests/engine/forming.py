"""The forms on a bench of their own: any drawing led through any forms, sample by sample, in any pieces."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

import instrument.engine.compiling.unit_entries  # noqa: F401 - compiles or loads the units
from instrument.engine.compiling.compiled import UNITS
from instrument.engine.forms.form_table import FORM_STATE
from instrument.engine.memory.allocation import Memory, allocate
from instrument.engine.memory.layout import CHUNK
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in
from instrument.engine.program import new_program

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import ArrayLike, NDArray

RATE = 48000.0

LAYER_NUMBER = 2
"""Layer that the bench uses, 0-based; not the first, so that rows of another layer would be noticed."""


def remembered() -> list[tuple[str, str]]:
    """Return kind and field of all that forms remember, without the lines of the delay, which only `count` speaks of."""
    fields = [(kind, field) for kind in FORM_STATE.names or () for field in FORM_STATE[kind].names or ()]
    return [pair for pair in fields if pair != ("delay", "lines")]


class Bench:
    """One layer of an engine's memory, without the engine around it.

    Parameters
    ----------
    kinds : sequence of str
        Forms in their order.
    values : float or np.ndarray [shape=(frames,)]
        Parameters by address below the form, with underscores: ``twist_amount=0.5``, ``lattice_pitch_x=...``;
        an array moves the parameter sample by sample.
    """

    memory: Memory | None = None

    def __init__(self, kinds: Sequence[str], **values: ArrayLike) -> None:
        if Bench.memory is None:
            Bench.memory = allocate(RATE, ring_seconds=0.01)
        self.record = Bench.memory.record
        program = new_program()
        program.form(LAYER_NUMBER, kinds)
        self.record["bank"][0] = program.record
        self.state = self.record["instances"][0]
        self.state["slot"] = 0
        self.state["moving"] = 0
        for kind, field in remembered():
            self.state["forms"][kind][field] = 0
        self.values: dict[int, ArrayLike] = {}
        base = LAYER_NUMBER * LAYER_SIZE
        for offset, row in enumerate(LAYER):
            self.state["rows"][base + offset] = row.default
        for name, value in values.items():
            kind, rest = name.split("_", 1)
            self.set(f"{kind}.{rest.replace('_', '.')}", value)

    def set(self, name: str, value: ArrayLike) -> None:
        """Give a parameter, named below ``form.``, one value or a value for each sample to come."""
        index = LAYER_NUMBER * LAYER_SIZE + offset_in(LAYER, f"form.{name}")
        self.state["moving"][index] = np.ndim(value) > 0
        self.values[index] = value
        if np.ndim(value) == 0:
            self.state["rows"][index] = value

    def form(
        self,
        points: ArrayLike,
        position: ArrayLike = 0.0,
        rounds: ArrayLike = 0.0,
        pieces: Iterable[int] = (),
    ) -> NDArray[np.float64]:
        """Lead points through the forms and return them.

        Parameters
        ----------
        points : array_like [shape=(frames, 3), dtype=float64]
        position, rounds : float or array_like [shape=(frames,)]
            What the pen says of each sample.
        pieces : iterable of int
            Lengths of the pieces that the frames are cut into, within chunks; the rest goes by whole chunks.
        """
        points = np.array(points, np.float64).reshape(-1, 3)
        frames = len(points)
        pens = {"position": np.broadcast_to(position, frames), "rounds": np.broadcast_to(rounds, frames)}
        cuts = iter(pieces)
        for at in range(0, frames, CHUNK):
            count = min(CHUNK, frames - at)
            for index, value in self.values.items():
                if np.ndim(value) > 0:
                    self.state["rows"][index, :count] = np.asarray(value)[at : at + count]
            for name, value in pens.items():
                self.record[f"scratch_{name}"][:count] = value[at : at + count]
            for axis, name in enumerate("xyz"):
                self.record[f"scratch_{name}"][:count] = points[at : at + count, axis]
            first = 0
            while first < count:
                last = min(first + next(cuts, CHUNK), count)
                UNITS["beamhand_forms"].ctypes(self.record.ctypes.data, 0, LAYER_NUMBER, first, last)
                first = last
            for axis, name in enumerate("xyz"):
                points[at : at + count, axis] = self.record[f"scratch_{name}"][:count]
        return points


def drawing(frames: int = 200, size: float = 1.0, seed: int = 1) -> NDArray[np.float64]:
    """Return random points within a cube, the same ones for the same seed."""
    return np.random.default_rng(seed).uniform(-size, size, (frames, 3))


def assert_near(found: NDArray[np.float64], wanted: NDArray[np.float64]) -> None:
    """Compare with a formula written out in NumPy, whose sines and order of operations are others."""
    np.testing.assert_allclose(found, wanted, rtol=1e-10, atol=1e-12)
