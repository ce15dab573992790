"""Undo and redo of one patch: steps that know text and values before and after.

Most steps change values alone and are undone in the engine at once; a step that changes the text is undone by building the
text from before. A step that puts a layer, modulator or link in or takes one out shifts the addresses behind it, so that it
carries its `Shift` along and values keep to what they belong to.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.parameters import (
    LAYER_BASE,
    LAYER_SIZE,
    LAYERS,
    LINK_BASE,
    LINK_SIZE,
    LINKS,
    MODULATOR_BASE,
    MODULATOR_SIZE,
    MODULATORS,
)

if TYPE_CHECKING:
    import numpy.typing as npt

    Values = npt.NDArray[np.float64]

TOGETHER = 1.0
"""Time in seconds within which changes of the same thing are one step."""

_AT_ONCE = 0.1
"""Time in seconds within which different parameters moved by one hand are one step."""

_BLOCKS = {
    "layer": (LAYER_BASE, LAYER_SIZE, LAYERS),
    "modulator": (MODULATOR_BASE, MODULATOR_SIZE, MODULATORS),
    "link": (LINK_BASE, LINK_SIZE, LINKS),
}


@dataclass(frozen=True)
class Shift:
    """Shift of addresses: a layer, modulator or link put in or taken out changes the numbers of those after it.

    Attributes
    ----------
    stem : {"layer", "modulator", "link"}
    index : int
        From 0.
    by : {1, -1}
    """

    stem: str
    index: int
    by: int

    @property
    def inverse(self) -> Shift:
        """Shift that undoes it."""
        return Shift(self.stem, self.index, -self.by)

    def applied_to(self, values: Values) -> Values:
        """Return the values of all parameters at their new addresses; of one put in, what stood there before.

        Parameters
        ----------
        values : np.ndarray [shape=(COUNT,), dtype=float64]
        """
        start, size, count = _BLOCKS[self.stem]
        moved = values.copy()
        rows = moved[start : start + size * count].reshape(count, size)
        old = rows.copy()
        # Addresses of a block lie one after the other, so that a table put in or taken out moves whole rows.
        if self.by > 0:
            rows[self.index + 1 :] = old[self.index : -1]
        else:
            rows[self.index : -1] = old[self.index + 1 :]
        return moved


def same_bits(one: Values, other: Values) -> npt.NDArray[np.bool_]:
    """Return where values are the same; one nan is like another."""
    # A comparison of numbers would call nan another than itself, and -0.0 the same as 0.0.
    same: npt.NDArray[np.bool_] = one.view(np.int64) == other.view(np.int64)
    return same | (np.isnan(one) & np.isnan(other))


@dataclass
class Step:
    """Step of the history: one change, or a run of changes of the same thing.

    Attributes
    ----------
    label : str
        For the window.
    texts : tuple of (str, str)
        The patch before and after.
    before, after : dict of int to float
        Values by parameter where they differ.
    shifts : tuple of Shift
        In their order.
    key : object
        Mark of what was changed; the same again soon after belongs to the same step. None stands alone.
    at, began : float
        Monotonic time of its latest and of its first change in seconds.
    """

    label: str
    texts: tuple[str, str]
    before: dict[int, float]
    after: dict[int, float]
    shifts: tuple[Shift, ...] = ()
    key: object = None
    at: float = 0.0
    began: float = field(default=0.0)

    @property
    def is_of_values(self) -> bool:
        """True if it left the text alone."""
        return self.texts[0] == self.texts[1]

    def without(self, values: Values) -> Values:
        """Return all values without it."""
        for shift in reversed(self.shifts):
            values = shift.inverse.applied_to(values)
        return _with(values, self.before)

    def applied_to(self, values: Values) -> Values:
        """Return all values with it."""
        for shift in self.shifts:
            values = shift.applied_to(values)
        return _with(values, self.after)


def step_between(
    label: str,
    texts: tuple[str, str],
    before: Values,
    after: Values,
    shifts: tuple[Shift, ...] = (),
    key: object = None,
) -> Step:
    """Return the step from one set of values to another."""
    # What the shifts alone account for is no difference: only the rest is kept with the step.
    forth, back = before, after
    for shift in shifts:
        forth = shift.applied_to(forth)
    for shift in reversed(shifts):
        back = shift.inverse.applied_to(back)
    gone = np.flatnonzero(~same_bits(back, before)).tolist()
    come = np.flatnonzero(~same_bits(forth, after)).tolist()
    return Step(label, texts, {i: float(before[i]) for i in gone}, {i: float(after[i]) for i in come}, shifts, key)


def _with(values: Values, changes: dict[int, float]) -> Values:
    changed = values.copy()
    changed[list(changes)] = list(changes.values())
    return changed


class History:
    """Steps of one patch, without a limit."""

    def __init__(self) -> None:
        self._steps: list[Step] = []
        self._at = 0
        self._closed = True

    @property
    def undo_label(self) -> str:
        """Label of the step that would be undone; empty if there is none."""
        return self._steps[self._at - 1].label if self._at else ""

    @property
    def redo_label(self) -> str:
        """Label of the step that would be done again; empty if there is none."""
        return self._steps[self._at].label if self._at < len(self._steps) else ""

    @property
    def touched(self) -> set[int]:
        """Indices of all parameters that a step has changed."""
        return {index for step in self._steps[: self._at] for index in (*step.before, *step.after)}

    def add(self, step: Step, now: float) -> None:
        """Add a step, to the latest one if it goes on with that; what was undone cannot be done again."""
        del self._steps[self._at :]
        latest = self._steps[-1] if self._steps else None
        if latest is not None and self._goes_on(latest, step, now):
            latest.texts = (latest.texts[0], step.texts[1])
            # Of each parameter the oldest value before and the newest after.
            latest.before = {**step.before, **latest.before}
            latest.after = {**latest.after, **step.after}
            latest.at = now
            return
        step.at = step.began = now
        self._steps.append(step)
        self._at = len(self._steps)
        self._closed = False

    def close(self) -> None:
        """Let the next change be a step of its own."""
        self._closed = True

    def step_back(self) -> Step | None:
        """Return the step that is to be undone, and count it as undone."""
        if not self._at:
            return None
        self._at -= 1
        self._closed = True
        return self._steps[self._at]

    def step_forward(self) -> Step | None:
        """Return the step that is to be done again, and count it as done."""
        if self._at == len(self._steps):
            return None
        self._at += 1
        self._closed = True
        return self._steps[self._at - 1]

    def _goes_on(self, latest: Step, step: Step, now: float) -> bool:
        if self._closed or now - latest.at > TOGETHER or step.key is None or latest.key is None:
            return False
        if latest.shifts or step.shifts or latest.is_of_values != step.is_of_values:
            return False
        if latest.key == step.key:
            return True
        # A hand that moves two parameters at once: both came at the beginning.
        if not step.is_of_values:
            return False
        return step.before.keys() <= latest.before.keys() or now - latest.began < _AT_ONCE
