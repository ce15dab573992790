"""What was done to a patch, step by step, so that it can be undone and done again."""

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
"""Seconds within which changes of the same thing are one step."""

_AT_ONCE = 0.1
"""Seconds within which different parameters moved by one hand are one step."""

_BLOCKS = {
    "layer": (LAYER_BASE, LAYER_SIZE, LAYERS),
    "modulator": (MODULATOR_BASE, MODULATOR_SIZE, MODULATORS),
    "link": (LINK_BASE, LINK_SIZE, LINKS),
}


@dataclass(frozen=True)
class Shift:
    """A layer, modulator or link put in or taken out, so that those after it change their numbers.

    Attributes
    ----------
    stem : {"layer", "modulator", "link"}
    place : int
        From 0.
    by : {1, -1}
    """

    stem: str
    place: int
    by: int

    @property
    def back(self) -> Shift:
        """The shift that undoes it."""
        return Shift(self.stem, self.place, -self.by)

    def moved(self, values: Values) -> Values:
        """Return the values of all parameters at their new addresses; of one put in, what stood there before."""
        start, size, count = _BLOCKS[self.stem]
        moved = values.copy()
        rows = moved[start : start + size * count].reshape(count, size)
        old = rows.copy()
        if self.by > 0:
            rows[self.place + 1 :] = old[self.place : -1]
        else:
            rows[self.place : -1] = old[self.place + 1 :]
        return moved


def same_bits(one: Values, other: Values) -> npt.NDArray[np.bool_]:
    """Return where values are the same; one nan is like another."""
    same: npt.NDArray[np.bool_] = one.view(np.int64) == other.view(np.int64)
    return same | (np.isnan(one) & np.isnan(other))


@dataclass
class Step:
    """One thing that was done.

    Attributes
    ----------
    label : str
        For the eyes.
    texts : tuple of (str, str)
        The patch before and after.
    before, after : dict of int to float
        Values by parameter where they differ.
    shifts : tuple of Shift
        In their order.
    key : object
        What was changed; the same again soon after belongs to the same step. None stands alone.
    at : float
        Monotonic time of its latest change.
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
        """Whether it left the text alone."""
        return self.texts[0] == self.texts[1]

    def undone(self, values: Values) -> Values:
        """Return all values without it."""
        for shift in reversed(self.shifts):
            values = shift.back.moved(values)
        return _with(values, self.before)

    def done(self, values: Values) -> Values:
        """Return all values with it."""
        for shift in self.shifts:
            values = shift.moved(values)
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
    forth, back = before, after
    for shift in shifts:
        forth = shift.moved(forth)
    for shift in reversed(shifts):
        back = shift.back.moved(back)
    gone = np.flatnonzero(~same_bits(back, before)).tolist()
    come = np.flatnonzero(~same_bits(forth, after)).tolist()
    return Step(label, texts, {i: float(before[i]) for i in gone}, {i: float(after[i]) for i in come}, shifts, key)


def _with(values: Values, changes: dict[int, float]) -> Values:
    changed = values.copy()
    changed[list(changes)] = list(changes.values())
    return changed


class History:
    """The steps of one patch, as many as there were.

    Attributes
    ----------
    undo_label, redo_label : str
        What would be undone, and done again; empty if nothing.
    """

    def __init__(self) -> None:
        self._steps: list[Step] = []
        self._at = 0
        self._closed = True

    @property
    def undo_label(self) -> str:
        """What would be undone; empty if nothing."""
        return self._steps[self._at - 1].label if self._at else ""

    @property
    def redo_label(self) -> str:
        """What would be done again; empty if nothing."""
        return self._steps[self._at].label if self._at < len(self._steps) else ""

    @property
    def touched(self) -> set[int]:
        """Every parameter that a step has changed."""
        return {index for step in self._steps[: self._at] for index in (*step.before, *step.after)}

    def add(self, step: Step, now: float) -> None:
        """Take a step, as a part of the latest one if it goes on with that; what was undone cannot be done again."""
        del self._steps[self._at :]
        latest = self._steps[-1] if self._steps else None
        if latest is not None and self._goes_on(latest, step, now):
            latest.texts = (latest.texts[0], step.texts[1])
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

    def back(self) -> Step | None:
        """Return the step that is to be undone, and count it as undone."""
        if not self._at:
            return None
        self._at -= 1
        self._closed = True
        return self._steps[self._at]

    def forth(self) -> Step | None:
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
