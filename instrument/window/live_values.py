"""Values that play now, read from the engine's memory: parameters, modulators and their latest seconds, controls."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.memory.layout import CONTROLS
from instrument.engine.memory.views import is_dark, program_in, samples_rendered
from instrument.engine.parameters import INDEX

if TYPE_CHECKING:
    import numpy.typing as npt

GLOW = 0.6
"""Seconds for which a control that was heard is shown as heard."""

_TURN = 2.0**64

_FIELDS = (
    *("target", "value", "rows", "moving", "linked", "modulator_rows"),
    *("modulator", "gestures", "controls"),
)


class LiveValues:
    """The values of the program that plays.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
        The engine's memory, only read.
    rate : float
        Sample rate in hertz.
    """

    def __init__(self, record: npt.NDArray[np.void], rate: float) -> None:
        self._record, self._rate = record, rate
        # Views of the fields, made once: looking one up costs more than reading it.
        self._active = record["active"]
        instances = record["instances"]
        self._instances = [{name: instances[name][k] for name in _FIELDS} for k in range(len(instances))]
        self._slots = instances["slot"]

    @property
    def _slot(self) -> int:
        return int(self._slots[int(self._active)])

    @property
    def _instance(self) -> dict[str, npt.NDArray[Any]]:
        return self._instances[int(self._active)]

    def base(self, address: str) -> float:
        """Return what a hand has set a parameter to."""
        return float(self._instance["target"][INDEX[address]])

    def value(self, address: str) -> float:
        """Return what a parameter is now, with what modulators bring."""
        index = INDEX[address]
        instance = self._instance
        if instance["moving"][index] or instance["linked"][index]:
            return float(instance["rows"][index, 0])
        return float(instance["value"][index])

    def is_modulated(self, address: str) -> bool:
        """Return whether a modulator moves a parameter."""
        return bool(self._instance["linked"][INDEX[address]])

    def modulator(self, number: int) -> float:
        """Return the value of a modulator counted from 1."""
        return float(self._instance["modulator_rows"][number - 1, 0])

    def phase(self, number: int) -> float:
        """Return where in its cycle a modulator counted from 1 is, 0 to 1."""
        phase = int(self._instance["modulator"]["phase"][number - 1]) / _TURN
        start = float(self._instance["value"][INDEX[f"mod.{number}.phase"]])
        return (phase + start) % 1.0 if np.isfinite(start) else phase

    def stage(self, number: int) -> int:
        """Return the stage of an envelope, `modulate_envelope.IDLE` to ``RELEASE``."""
        return int(self._instance["modulator"]["stage"][number - 1])

    def gesture(self, number: int) -> list[float]:
        """Return what the gesture of a modulator holds, thinned out."""
        slot = self._slot
        if slot < 0:
            return []
        which = int(program_in(self._record, slot)["modulators"]["gesture"][number - 1])
        cells = self._instance["gestures"]
        return [float(cell) for cell in cells[which, ::32]] if 0 <= which < len(cells) else []

    def is_on(self, switch: str) -> bool:
        """Return whether the engine is dark (``blackout``) or stands still (``frozen``)."""
        return bool(self._record[switch])

    @property
    def dark(self) -> bool:
        """True while a blackout comes, holds or goes: the beam rests in the middle and is not to be seen."""
        return is_dark(self._record)

    def control(self, number: int) -> tuple[float, bool]:
        """Return where a knob stands, 0 to 1 or below 0 if it was never heard, and whether it has just been heard.

        Parameters
        ----------
        number : int
            Control of the patch, counted from 1.
        """
        if not 1 <= number <= CONTROLS:
            return -1.0, False
        state = self._instance["controls"][number - 1]
        age = (samples_rendered(self._record) - int(state["heard"])) / self._rate
        at = float(state["at"])
        return at, at >= 0 and 0 <= age < GLOW


LENGTH = 90
"""Values kept of each, one for every time that the page is drawn."""


class ModulatorHistory:
    """Values of modulators as time went by.

    Parameters
    ----------
    live : LiveValues
    """

    def __init__(self, live: LiveValues) -> None:
        self._live = live
        self._values: dict[int, deque[float]] = {}

    def update(self, count: int) -> None:
        """Note the values of the first `count` modulators."""
        for number in range(1, count + 1):
            self._values.setdefault(number, deque(maxlen=LENGTH)).append(self._live.modulator(number))

    def line(self, number: int) -> list[tuple[float, float]]:
        """Return what a modulator was, the oldest at 0 and the newest at 1."""
        values = self._values.get(number, ())
        first = LENGTH - len(values)
        return [((first + k) / (LENGTH - 1), value) for k, value in enumerate(values)]
